"""Records of deposits and receipts: their JSON, and what is made of a stranger's.

Judge of the JSON: the jsonschema library (draft 2020-12) by the schemas that ship.
"""

from __future__ import annotations

import contextlib
import json
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from archiver.custody.deposit_record import (
    BagIdentity,
    decode_deposit,
    deposit_identifier,
    encode_deposit,
)
from archiver.custody.receipts import Decision, Reason, decode_receipt, encode_receipt
from archiver.errors import InputError
from archiver.schema_store import schema
from tests.custody.handovers import BAG, receipt, record

NAMES = [
    "deposit",
    "receipt",
    "deposit-report",
    "deposits-report",
    "receipt-report",
    "receiving-report",
]


def parts(node: dict[str, Any], path: str = "") -> list[tuple[str, dict[str, Any]]]:
    found = [(path, node)]
    for name, part in node.get("properties", {}).items():
        found += parts(part, f"{path}.{name}")
    for name in ("items", "additionalProperties"):
        if isinstance(node.get(name), dict):
            found += parts(node[name], f"{path}.{name}")
    return found


@pytest.mark.parametrize("name", NAMES)
def test_every_object_is_closed_and_every_field_has_a_description_and_valid_examples(
    name: str,
) -> None:
    document = schema(name)
    Draft202012Validator.check_schema(document)
    for path, part in parts(document):
        assert part["description"].endswith("."), path
        assert part["examples"], path
        for example in part["examples"]:
            Draft202012Validator(part).validate(example)
        if "properties" in part:
            assert part["additionalProperties"] is False, path


def test_a_record_of_a_deposit_is_valid_and_comes_back() -> None:
    made = record()
    content = encode_deposit(made)
    Draft202012Validator(schema("deposit")).validate(json.loads(content))
    assert decode_deposit(content, "deposit.json") == made


def test_a_receipt_is_valid_and_comes_back() -> None:
    refused = receipt(
        decision=Decision.REFUSED,
        bag=None,
        packages=(),
        held_as="",
        completed={},
        reasons=(Reason(code="package-truncated", where="x.tar", message="it ends early"),),
    )
    for made in (receipt(), refused):
        content = encode_receipt(made)
        Draft202012Validator(schema("receipt")).validate(json.loads(content))
        assert decode_receipt(content, "receipt.json") == made


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda d: d | {"schema": "receipt 2"}, "'receipt 2'"),
        (lambda d: d | {"schema": ["receipt 1"]}, "no form of document known"),
        (lambda d: d | {"receipt": "../../etc"}, "receipt: "),
        (lambda d: d | {"more": 1}, "more"),
        (lambda d: d | {"bag": d["bag"] | {"manifests": {"m": "zz"}}}, "bag.manifests.m"),
        (lambda d: [d], "no form of document known"),
    ],
)
def test_a_document_of_another_form_is_refused_with_the_place(edit: Any, words: str) -> None:
    document = edit(json.loads(encode_receipt(receipt())))
    with pytest.raises(InputError) as refused:
        decode_receipt(json.dumps(document).encode(), "receipt.json")
    assert words in str(refused.value)
    assert "receipt.json" in str(refused.value)


@pytest.mark.parametrize(
    "content",
    [b"", b"\xff\xfe{}", b"[" * 100_000, b'{"schema": NaN}', b"null", b"12"],
)
def test_what_is_no_json_object_is_refused_without_a_traceback(content: bytes) -> None:
    with pytest.raises(InputError):
        decode_deposit(content, "deposit.json")


@given(st.binary(max_size=40), st.integers(0, 5000))
def test_a_damaged_record_is_read_or_refused_and_nothing_else(piece: bytes, place: int) -> None:
    content = encode_deposit(record())
    place %= len(content)
    damaged = content[:place] + piece + content[place + len(piece) :]
    with contextlib.suppress(InputError):
        assert decode_deposit(damaged, "deposit.json").packages is not None


def test_a_deposit_has_the_same_name_until_something_of_it_changes() -> None:
    def name(bag: BagIdentity = BAG, to: str = "/in", **more: Any) -> str:
        return deposit_identifier("Egeskov", to, "tar", bag, **more)

    other_bytes = replace(BAG, manifests={"tagmanifest-sha256.txt": "00" * 32})
    names = [
        name(),
        name(bag=other_bytes),
        name(to="/out"),
        name(turn=1),
        name(left_out=b"ni:///sha-256;x 1 data/x\n"),
    ]
    assert name() == names[0]
    assert len(set(names)) == len(names)
    assert all(one.startswith("D-") and len(one) == 14 for one in names)
