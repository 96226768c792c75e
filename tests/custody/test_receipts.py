"""What a receipt proves: held against the digests that were sent."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.custody.receipts import (
    Agreement,
    Decision,
    Known,
    Reason,
    agreement,
    compare_receipt,
    compare_text,
    deposits_named,
)
from tests.custody.handovers import BAG, PACKAGE, receipt

KNOWN = Known(
    deposit="D-3f9a1c0de4b2",
    bag=BAG.name,
    manifests=BAG.manifests,
    packages={PACKAGE.name: PACKAGE.sha256},
    others=frozenset({"e5" * 32}),
)


def codes(found: tuple[object, ...]) -> list[str]:
    return [getattr(one, "code", "") for one in found]


def test_a_receipt_with_the_digests_that_were_sent_agrees() -> None:
    found = compare_receipt(receipt(), KNOWN, "receipt.json")
    assert found == ()
    assert agreement(found) is Agreement.AGREES


def test_a_receipt_with_another_manifest_differs_and_names_both_digests() -> None:
    other = replace(BAG, manifests=dict(BAG.manifests) | {"tagmanifest-sha256.txt": "00" * 32})
    found = compare_receipt(receipt(bag=other), KNOWN, "receipt.json")
    assert codes(found) == ["receipt-digest-differs"]
    assert "00" * 32 in found[0].message
    assert "b2" * 32 in found[0].message
    assert agreement(found) is Agreement.DIFFERS


def test_a_package_under_another_name_still_proves_what_arrived() -> None:
    renamed = receipt(bag=None, packages=(replace(PACKAGE, name="upload-117.tar"),))
    assert compare_receipt(renamed, KNOWN, "receipt.json") == ()


def test_a_receipt_of_another_deposit_proves_nothing() -> None:
    found = compare_receipt(receipt(deposit="D-000000000000"), KNOWN, "receipt.json")
    assert codes(found) == ["receipt-of-another-deposit"]
    assert agreement(found) is Agreement.DIFFERS


def test_a_receipt_without_digests_is_told_apart() -> None:
    found = compare_receipt(receipt(bag=None, packages=()), KNOWN, "receipt.json")
    assert codes(found) == ["receipt-without-digests"]
    assert agreement(found) is Agreement.NOT_STATED


def test_a_refusal_gives_its_reasons_with_what_to_do() -> None:
    refusal = receipt(
        decision=Decision.REFUSED,
        reasons=(
            Reason(code="x", where="bag-info.txt", message="it is missing", remedy="Add it."),
        ),
    )
    (found,) = compare_receipt(refusal, KNOWN, "receipt.json")
    assert (found.code, found.remedy) == ("receipt-refuses", "Add it.")
    assert found.message == "bag-info.txt: it is missing"


@pytest.mark.parametrize(
    ("text", "expected", "line"),
    [
        (f"received {'b2' * 32}", Agreement.AGREES, None),
        (f"RECEIVED {'B2' * 32}\nfile {'e5' * 32}", Agreement.AGREES, None),
        (f"ok {'b2' * 32}\nand {'00' * 32}", Agreement.DIFFERS, 2),
        ("with thanks", Agreement.NOT_STATED, None),
        # A SHA-512 holds no SHA-256: longer runs of digits are another algorithm's.
        ("00" * 64, Agreement.NOT_STATED, None),
    ],
)
def test_the_digests_in_a_text_are_compared(
    text: str, expected: Agreement, line: int | None
) -> None:
    found = compare_text(text, KNOWN, "mail.txt")
    assert agreement(found) is expected
    if line is not None:
        assert found[0].where.line == line


@given(st.text(max_size=300))
def test_a_text_never_agrees_without_a_digest_of_the_deposit(text: str) -> None:
    assert agreement(compare_text(text, KNOWN, "mail.txt")) is not Agreement.AGREES


def test_deposits_are_found_in_a_text() -> None:
    text = "Re: deposit D-3f9a1c0de4b2 (D-3f9a1c0de4b2), not XD-3f9a1c0de4b2 or D-3f9a1c0de4b21"
    assert deposits_named(text) == ("D-3f9a1c0de4b2",)
