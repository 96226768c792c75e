"""Institution profiles, judged by the metaschema of the draft and the jsonschema library."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from archiver.schema_store import schema
from archiver.session.institution import Institution, read_institution

WHOLE = """\
schema: institution 1
name: Egeskov State Sound Archive
documents: [premis, mets, premis]
digests: [sha512, md5]
access: [flac]
file_name: "{code}_{date}_{number}"
serialisation: tar
restricted: left out
"""


def read(text: str) -> tuple[Institution | None, list[str]]:
    institution, findings = read_institution(text.encode(), "institution.yaml")
    return institution, [f"{f.code} {f.where.line} {f.where.field}" for f in findings]


def properties(node: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    for name, part in node.get("properties", {}).items():
        yield name, part
        if "items" in part:
            yield f"{name}[]", part["items"]


def test_the_schema_is_one_of_the_draft_is_closed_and_explains_every_field() -> None:
    """JSON Schema draft 2020-12, by the jsonschema library."""
    document = schema("institution")
    Draft202012Validator.check_schema(document)
    assert document["additionalProperties"] is False
    for name, part in properties(document):
        assert part["description"].endswith("."), name
        for example in part["examples"]:
            resolved = {"$defs": document["$defs"], **part}
            Draft202012Validator(resolved).validate(example)


def test_a_profile_is_read_with_each_word_once() -> None:
    assert read(WHOLE) == (
        Institution(
            name="Egeskov State Sound Archive",
            documents=("premis", "mets"),
            digests=("sha512", "md5"),
            access=("flac",),
            file_name="{code}_{date}_{number}",
            serialisation="tar",
            leave_out_restricted=True,
        ),
        [],
    )


def test_what_is_left_out_stands_for_what_is_done_without_a_profile() -> None:
    institution, findings = read("schema: institution 1\nname: Egeskov\n")
    assert findings == []
    assert institution == Institution(name="Egeskov")


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("digests: [sha3]", "sheet-value 3 digests[0]"),
        ("documents: []", "sheet-value 3 documents"),
        ("documents: premis", "sheet-shape 3 documents"),
        ("access: [mp3]", "sheet-value 3 access[0]"),
        ("file_name: '{session}'", "sheet-value 3 file_name"),
        ("file_name: '../{take}'", "sheet-value 3 file_name"),
        ("file_name: '{take} {name}'", "sheet-value 3 file_name"),
        ("digest: [md5]", "sheet-unknown-field 3 digest"),
    ],
)
def test_every_finding_names_line_and_field(line: str, found: str) -> None:
    _, findings = read(f"schema: institution 1\nname: Egeskov\n{line}\n")
    assert findings == [found]


def test_the_profile_in_the_read_me_is_one() -> None:
    readme = Path(__file__).resolve().parents[2] / "README.md"
    (block,) = re.findall(
        r"```yaml\n(schema: institution 1.*?)```", readme.read_text(encoding="utf-8"), re.DOTALL
    )
    institution, findings = read(block)
    assert findings == []
    assert institution is not None
    assert institution.leave_out_restricted


def test_a_missing_name_and_a_file_without_fields_are_told() -> None:
    _, findings = read("schema: institution 1\n")
    assert [re.sub(r" .*", "", one) for one in findings] == ["sheet-missing-field"]
    institution, findings = read("- just\n- a list\n")
    assert institution is None
    assert findings
