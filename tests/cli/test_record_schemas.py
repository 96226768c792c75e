"""Schemas of records in a bag and of reports on the command line, and documents held to them.

Judge: JSON Schema draft 2020-12, by its metaschema and the jsonschema library. The documents
are those of a bag that the program made of the sample session and of made ones.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from archiver.describe.places import DocumentKind
from archiver.findings import Severity
from archiver.pipeline.archive import archive_session
from archiver.schema_store import schema
from archiver.session.dating import Effect, Reach
from archiver.session.vocabulary import Confidence, EvidenceKind
from archiver.wave.capture import CaptureKind
from archiver.wave.coding import Fidelity
from archiver.wave.walked import Form
from tests.cli.running import Runner
from tests.pipeline.institutions import profile
from tests.pipeline.making import make_session

RECORDS = ["archiving", "capture", "dating", "findings"]
REPORTS = ["archive-report", "check-report", "fetched-report", "institution-report"]


def parts(node: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    yield node
    for part in node.get("properties", {}).values():
        yield from parts(part)
    for name in ("items", "additionalProperties"):
        if isinstance(node.get(name), dict):
            yield from parts(node[name])


@pytest.mark.parametrize("name", RECORDS + REPORTS)
def test_a_schema_is_closed_and_explains_every_field_with_valid_examples(name: str) -> None:
    document = schema(name)
    assert document["$id"] == f"https://archiver.invalid/schemas/{name}.schema.json"
    Draft202012Validator.check_schema(document)
    for part in parts(document):
        assert part["description"].endswith("."), part
        if "properties" in part:
            assert part["additionalProperties"] is False, part
        assert part["examples"], part
        for example in part["examples"]:
            Draft202012Validator(part).validate(example)


def words(name: str, *steps: str) -> list[str]:
    node: Any = schema(name)
    for step in steps:
        node = node[step] if step == "items" else node["properties"][step]
    accepted: list[str] = node["enum"]
    return accepted


def test_closed_lists_are_those_of_the_program() -> None:
    evidence = ("dating", "datings", "items", "evidence", "items")
    weaker = ("dating", "datings", "items", "weaker", "items")
    for accepted, kinds in (
        (words(*evidence, "kind"), EvidenceKind),
        (words(*evidence, "confidence"), Confidence),
        (words(*evidence, "stated_confidence"), Confidence),
        (words(*evidence, "reach"), Reach),
        (words(*weaker, "effect"), Effect),
        (words("archiving", "documents", "items"), DocumentKind),
        (words("archiving", "masters", "items", "form"), Form),
        (words("archive-report", "masters", "items", "form"), Form),
        (words("capture", "form"), Form),
        (words("capture", "kind"), CaptureKind),
        (words("check-report", "captures", "items", "kind"), CaptureKind),
        (words("capture", "coding", "fidelity"), Fidelity),
        (words("findings", "findings", "items", "severity"), Severity),
    ):
        assert sorted(accepted) == sorted(str(kind) for kind in kinds)


def held_to(name: str, content: bytes | str) -> Any:
    document = json.loads(content)
    Draft202012Validator(schema(name)).validate(document)
    return document


def hold_records(bag: Path) -> dict[str, Any]:
    """Hold the records of a bag to their schemas; return its findings."""
    captures = sorted((bag / "metadata/captures").iterdir())
    assert captures
    for file in captures:
        held_to("capture", file.read_bytes())
    held_to("archiving", (bag / "metadata/archiving.json").read_bytes())
    found: dict[str, Any] = held_to("findings", (bag / "metadata/findings.json").read_bytes())
    return found


def test_the_records_and_the_reports_of_the_sample_follow_their_schemas(
    run: Runner, sample_session: Path, tmp_path: Path
) -> None:
    report = held_to("check-report", run("check", sample_session, "--json").out)
    assert report["captures"]
    assert report["cautions"]
    made = held_to(
        "archive-report", run("archive", sample_session, "--to", tmp_path / "out", "--json").out
    )
    assert made["masters"]
    bag = Path(made["bag"])
    assert "judged_for" not in hold_records(bag)
    assert held_to("dating", (bag / "metadata/dating.json").read_bytes())["datings"]


def test_the_records_of_a_bag_for_an_institution_follow_their_schemas(
    run: Runner, tmp_path: Path
) -> None:
    text = "bag_info:\n  - {label: Shelf, asks: Our shelf, required: no}\n"
    profile(tmp_path / "e", text, {})
    session = make_session(tmp_path / "session", seconds=0.1)
    made = archive_session(session, tmp_path / "out", profile=str(tmp_path / "e"))
    assert made.bag is not None, made.findings
    assert hold_records(made.bag)["judged_for"]["findings"]
    held_to("institution-report", run("institution", "check", tmp_path / "e", "--json").out)


def test_a_report_on_a_new_version_and_on_a_session_that_stops_follow_the_schema(
    run: Runner, tmp_path: Path
) -> None:
    session = make_session(tmp_path / "session", seconds=0.1)
    place = ("--to", tmp_path / "out", "--json")
    held_to("archive-report", run("archive", session, *place).out)
    second = held_to("archive-report", run("archive", session, *place, "--version", "2").out)
    assert second["replaces"] == "trial-1"
    hold_records(Path(second["bag"]))
    (session / "session.yaml").write_text("schema: [", encoding="utf-8")
    ran = run("archive", session, *place, "--version", "3")
    assert ran.status == 1
    assert held_to("archive-report", ran.out)["bag"] is None


def test_a_finding_of_another_form_is_refused() -> None:
    document = {"findings": [{"code": "x", "severity": "fatal", "where": {}, "message": ""}]}
    assert list(Draft202012Validator(schema("findings")).iter_errors(document))
