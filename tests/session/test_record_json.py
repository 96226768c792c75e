"""The record as JSON: one golden document, and the way back."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given

from archiver.errors import InputError
from archiver.session import load_session, session_as_json, session_from_json
from archiver.session.shape import shape
from tests.conftest import Golden
from tests.session.folders import edit, whole_session
from tests.session.strategies import values


def document_of(folder: Path) -> dict[str, Any]:
    session = load_session(whole_session(folder)).session
    assert session is not None
    return session_as_json(session)


def test_golden_document(tmp_path: Path, golden: Golden) -> None:
    text = json.dumps(document_of(tmp_path), ensure_ascii=False, indent=2) + "\n"
    golden.check("session.json", text.encode("utf-8"))


def test_stated_text_and_si_value_stand_side_by_side(tmp_path: Path) -> None:
    document = document_of(tmp_path)
    assert document["chains"][0]["sample_rate"] == {
        "stated": "96 kHz",
        "value": 96_000.0,
        "unit": "Hz",
    }
    machine = document["machines"][0]
    assert machine["mandrel"]["diameter"] == {
        "stated": "2 3/16 in",
        "value": 0.0555625,
        "unit": "m",
    }
    assert machine["made"]["date"] == {
        "stated": "[1907..1910]",
        "form": "one of a set",
        "earliest": "1907-01-01",
        "latest": "1910-12-31",
    }
    assert document["takes"][0]["start"] == {
        "stated": "2026-04-18T14:12:05+02:00",
        "utc": "2026-04-18T12:12:05Z",
    }


def test_qualifier_and_tolerance_of_a_quantity_are_told(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, "machines/example-machine.yaml", "width: 380 mm", "width: ca. 380 ± 2 mm")
    session = load_session(folder).session
    assert session is not None
    assert session_as_json(session)["machines"][0]["dimensions"]["width"] == {
        "stated": "ca. 380 ± 2 mm",
        "value": 0.38,
        "unit": "m",
        "approximate": True,
        "tolerance": 0.002,
    }


def test_what_was_not_stated_is_left_out(tmp_path: Path) -> None:
    document = document_of(tmp_path)
    assert "chain" not in document["takes"][1]
    assert None not in document["takes"][1].values()


def test_places_in_the_sheet_are_not_part_of_the_document(tmp_path: Path) -> None:
    assert '"at"' not in json.dumps(document_of(tmp_path))
    assert '"places"' not in json.dumps(document_of(tmp_path))


def test_the_way_back_gives_an_equal_record(tmp_path: Path) -> None:
    session = load_session(whole_session(tmp_path)).session
    assert session is not None
    text = json.dumps(session_as_json(session))
    assert session_from_json(json.loads(text)) == session


@given(values(shape("session")), values(shape("machine")))
def test_any_record_comes_back_equal(content: dict[str, Any], machine: dict[str, Any]) -> None:
    first = session_from_json({**content, "machines": [machine]})
    document = session_as_json(first)
    assert session_from_json(document) == first
    assert session_as_json(session_from_json(document)) == document


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        (["session", "title"], None, "`title` is missing"),
        (["session", "titel"], "x", "no field `titel`"),
        (["takes", 0, "kind"], "opera", "not one of the accepted words"),
        (["machines", 0, "made", "date"], {"stated": "1907-02-29"}, "no leap year"),
        (["machines"], "x", "no list"),
        (["session"], "x", "group of fields is expected"),
        (["machines", 0], "x", "no JSON object"),
    ],
)
def test_a_changed_document_is_refused(
    tmp_path: Path, path: list[str | int], value: object, words: str
) -> None:
    document: Any = copy.deepcopy(document_of(tmp_path))
    node = document
    for step in path[:-1]:
        node = node[step]
    if value is None:
        del node[path[-1]]
    else:
        node[path[-1]] = value
    with pytest.raises(InputError, match=words):
        session_from_json(document)
