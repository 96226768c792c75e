"""What a new version says of its payload, judged by sets and by the jsonschema library."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from archiver.errors import InputError
from archiver.package.version_record import (
    ListedFile,
    PayloadChanges,
    VersionRecord,
    decode_version,
    encode_version,
    payload_changes,
)
from archiver.schema_store import schema
from tests.conftest import Golden

A, B, C, D = (letter * 64 for letter in "abcd")


def listed(name: str, digest: str, size: int = 3) -> ListedFile:
    return ListedFile(file=f"data/{name}", digest=digest, size_bytes=size)


def record(changes: PayloadChanges, reason: str = "") -> VersionRecord:
    return VersionRecord(
        bag="trial-1-v2",
        version=2,
        session="trial-1",
        replaces="trial-1",
        replaces_version=1,
        tag_manifests=(("tagmanifest-sha256.txt", D),),
        reason=reason,
        algorithm="sha256",
        changes=changes,
    )


def every_kind() -> PayloadChanges:
    return payload_changes(
        [
            listed("same", A),
            listed("master", B),
            listed("old-name", C),
            listed("gone", D),
            listed("other", A),
        ],
        [
            listed("same", A),
            listed("master", C),
            listed("new-name", C),
            listed("new", B),
            listed("other", B, 9),
        ],
        same_sound={"data/master": True},
    )


def test_every_kind_of_change_is_told() -> None:
    changes = every_kind()
    assert [one.file for one in changes.unchanged] == ["data/same"]
    assert [(one.file, one.earlier_digest, one.same_sound) for one in changes.changed] == [
        ("data/master", B, True),
        ("data/other", A, None),
    ]
    assert [(one.file, one.earlier_file) for one in changes.renamed] == [
        ("data/new-name", "data/old-name")
    ]
    assert [one.file for one in changes.added] == ["data/new"]
    assert [one.file for one in changes.removed] == ["data/gone"]


def test_a_file_that_is_gone_explains_one_new_name_only() -> None:
    changes = payload_changes([listed("a", A)], [listed("b", A), listed("c", A)])
    assert [one.file for one in changes.renamed] == ["data/b"]
    assert [one.file for one in changes.added] == ["data/c"]
    assert changes.removed == ()


payloads = st.dictionaries(st.sampled_from("pqrstu"), st.sampled_from([A, B, C]), max_size=6)


@given(payloads, payloads)
def test_every_file_of_both_versions_is_told_once_and_truly(
    before: dict[str, str], after: dict[str, str]
) -> None:
    """Judged by set arithmetic on pairs of path and digest."""
    changes = payload_changes(
        [listed(name, digest) for name, digest in before.items()],
        [listed(name, digest) for name, digest in after.items()],
    )
    old = {(f"data/{name}", digest) for name, digest in before.items()}
    new = {(f"data/{name}", digest) for name, digest in after.items()}
    unchanged = {(one.file, one.digest) for one in changes.unchanged}
    assert unchanged == old & new
    told_new = [
        (one.file, one.digest)
        for group in (changes.unchanged, changes.changed, changes.renamed, changes.added)
        for one in group
    ]
    assert sorted(told_new) == sorted(new)
    told_old = [
        *unchanged,
        *((one.file, one.earlier_digest) for one in changes.changed),
        *((one.earlier_file, one.digest) for one in changes.renamed),
        *((one.file, one.digest) for one in changes.removed),
    ]
    assert sorted(told_old) == sorted(old)
    # No content that went is the content of something that came.
    assert not {one.digest for one in changes.added} & {one.digest for one in changes.removed}


@given(payloads, payloads, st.text(max_size=20))
def test_a_record_comes_back_and_follows_its_schema(
    before: dict[str, str], after: dict[str, str], reason: str
) -> None:
    changes = payload_changes(
        [listed(name, digest) for name, digest in before.items()],
        [listed(name, digest) for name, digest in after.items()],
    )
    said = record(changes, reason.replace("\ud800", ""))
    content = encode_version(said)
    assert decode_version(content) == said
    Draft202012Validator(schema("version")).validate(json.loads(content))


def test_the_record_is_the_golden_one(golden: Golden) -> None:
    golden.check("version.json", encode_version(record(every_kind(), "A corrected caption")))


def parts(node: Any) -> list[Any]:
    # What only refers to a definition is explained there.
    found = [] if set(node) == {"$ref"} else [node]
    for section in ("properties", "$defs"):
        found += [part for inner in node.get(section, {}).values() for part in parts(inner)]
    return found + (parts(node["items"]) if "items" in node else [])


def test_the_schema_is_closed_and_explains_every_field_with_valid_examples() -> None:
    """JSON Schema draft 2020-12, by the jsonschema library."""
    document = schema("version")
    Draft202012Validator.check_schema(document)
    for part in parts(document):
        assert part["description"].endswith("."), part
        if part.get("type") == "object":
            assert part["additionalProperties"] is False
        validator = Draft202012Validator({**part, "$defs": document["$defs"]})
        assert part["examples"]
        for example in part["examples"]:
            validator.validate(example)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("bag", None),
        ("version", "2"),
        ("version", True),
        ("version", -1),
        ("replaces", []),
        ("replaces", {"bag": "x"}),
        ("unchanged", None),
        ("unchanged", [[]]),
        ("changed", [{"file": "data/a"}]),
        ("added", [{"file": 1, "digest": A, "size_bytes": 1}]),
        ("reason", 3),
    ],
)
def test_what_is_no_such_record_is_refused(key: str, value: object) -> None:
    document = json.loads(encode_version(record(every_kind())))
    document[key] = value
    with pytest.raises(InputError, match="no record of a version"):
        decode_version(json.dumps(document).encode())


@pytest.mark.parametrize("content", [b"", b"[]", b"{}", b"\xff", b"[" * 50_000])
def test_other_bytes_are_refused(content: bytes) -> None:
    with pytest.raises(InputError):
        decode_version(content)
