"""Cautions: what raises each, what takes it back, and how they defer to others."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from archiver.session import Session, load_session
from archiver.session.cautions import DEFERRING, caution_note, cautions_of
from tests.session.folders import edit, whole_session

SHEET = "session.yaml"
MACHINE = "machines/example-machine.yaml"


def session_of(folder: Path) -> Session:
    session = load_session(folder).session
    assert session is not None
    return session


def codes_of(folder: Path) -> set[str]:
    return {caution.code for caution in cautions_of(session_of(folder))}


@pytest.mark.parametrize(
    ("file", "old", "new", "code"),
    [
        (MACHINE, "finish: black japan, nickel", "finish: red lead, nickel", "lead"),
        (MACHINE, "materials: [cast iron,", "materials: [lead weight, cast iron,", "lead"),
        (SHEET, "    kind: wax cylinder\n    material: brown wax ", "    kind: foil sheet\n    material: tin foil ", "foil-lead"),
        (SHEET, "    kind: wax cylinder\n    material: brown wax ", "    kind: foil sheet\n    # ", "foil-lead"),
        (SHEET, "remarks: no mould, no cracks", "remarks: mouldy at one end", "mould"),
        (SHEET, "    grade: good\n    note: runs quietly", "    grade: poor\n    note: white bloom in the case", "mould"),
        (SHEET, "gasket: new silicone, 1 mm", "gasket: asbestos cord", "asbestos"),
        (MACHINE, "  - {name: lid, state: missing}", "  - {name: gaskets, state: original}", "asbestos"),
        (SHEET, "    kind: wax cylinder\n", "    kind: celluloid cylinder\n", "celluloid"),
        (MACHINE, "note: 'glass, cemented'", "note: celluloid", "celluloid"),
        (SHEET, "    kind: spring     ", "    kind: motor      ", "mains"),
        (MACHINE, "text: No. 4117,", "text: 110 V = 0.6 A,", "mains"),
        (MACHINE, "note: 'glass, cemented'", "note: 'mercury switch'", "mercury"),
        (MACHINE, "note: 'glass, cemented'", "note: 'luminous dial'", "radium"),
    ],
)  # fmt: skip
def test_a_word_of_the_record_raises_a_caution(
    tmp_path: Path, file: str, old: str, new: str, code: str
) -> None:
    folder = whole_session(tmp_path)
    edit(folder, MACHINE, "hazards:\n", "hazards: []\nold_hazards:\n")
    before = codes_of(folder) - {"lead"}
    edit(folder, file, old, new)
    assert code not in before
    assert code in codes_of(folder)


def test_the_template_raises_what_its_machine_and_medium_are_made_of(tmp_path: Path) -> None:
    assert codes_of(whole_session(tmp_path)) == {"lead", "spring", "soft-wax"}


@pytest.mark.parametrize(
    ("file", "old", "new", "code"),
    [
        (MACHINE, "finish: black japan, nickel", "finish: lead-free paint, nickel", "lead"),
        (MACHINE, "finish: black japan, nickel", "finish: made in Japan, nickel", "lead"),
        (MACHINE, "finish: black japan, nickel", "finish: lead screw bright, nickel", "lead"),
        (SHEET, "remarks: no mould, no cracks", "remarks: free of mould", "mould"),
        (SHEET, "gasket: new silicone, 1 mm", "gasket: asbestos-free cord", "asbestos"),
    ],
)
def test_a_word_that_denies_or_means_another_thing_raises_none(
    tmp_path: Path, file: str, old: str, new: str, code: str
) -> None:
    folder = whole_session(tmp_path)
    edit(folder, file, old, new)
    assert code not in codes_of(folder)


def test_a_hazard_of_no_known_kind_is_told_in_its_own_words(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, MACHINE, "{kind: spring under tension,", "{kind: sharp edge,")
    edit(folder, MACHINE, "note: let it down before opening the case}", "note: wear gloves}")
    (caution,) = [each for each in cautions_of(session_of(folder)) if each.code == "other"]
    assert caution.subject == "sharp edge"
    assert "wear gloves" in caution.text
    assert caution.source == "the machine file"


def test_every_caution_names_its_source_and_what_raised_it(sample_session: Path) -> None:
    cautions = cautions_of(session_of(sample_session))
    assert {"lead", "asbestos", "spring", "mains", "mould"} <= {each.code for each in cautions}
    for caution in cautions:
        assert caution.source
        assert caution.because
        assert caution.as_json()["because"] == list(caution.because)


def test_the_note_to_the_receiver_defers_to_local_codes(sample_session: Path) -> None:
    note = caution_note(session_of(sample_session))
    assert DEFERRING in note
    assert "local codes come first" in note
    assert "\n" not in note


def test_without_anything_to_be_careful_of_there_is_no_note(sample_session: Path) -> None:
    session = replace(session_of(sample_session), machines=(), media=(), setups=(), takes=())
    assert cautions_of(session) == ()
    assert caution_note(session) == ""
