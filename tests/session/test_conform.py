"""Reading by the schema: every finding in one run, each with its place and remedy."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.findings import Finding
from archiver.session import template_files
from archiver.session.conform import Fields, conform, nearest
from archiver.session.shape import shape
from archiver.session.sheet import read_sheet

TEMPLATE = template_files()["session.yaml"]


def findings_of(old: str, new: str) -> list[Finding]:
    """Read the template with one text replaced."""
    assert TEMPLATE.count(old) == 1, old
    return conformed(TEMPLATE.replace(old, new))[1]


def conformed(text: str) -> tuple[Fields, list[Finding]]:
    sheet = read_sheet(text.encode("utf-8"), "session.yaml")
    assert sheet.findings == ()
    assert sheet.root is not None
    return conform(sheet.root, shape("session"), "session.yaml")


def line(text: str) -> int:
    return TEMPLATE[: TEMPLATE.index(text)].count("\n") + 1


def test_the_template_conforms() -> None:
    assert conformed(TEMPLATE)[1] == []


CASES = [
    # old, new, code, field, words of the message, words of what is accepted
    ("  title: The", "  titel: The", "sheet-unknown-field", "session.titel", "nearest: `title`", "identifier, title"),
    ("    holder: L", "    Holder: L", "sheet-unknown-field", "session.rights.Holder", "nearest: `holder`", "holder"),
    ("  place: Lindeby House", "  zzz: x\n  place: Lindeby House", "sheet-unknown-field", "session.zzz", "no field `zzz`", "place"),
    ("  country: DK ", "  country: dk ", "sheet-value", "organisation.country", "`dk` is in small letters", "DK"),
    ("  language: en", "  language: english", "sheet-value", "session.language", "is a word", "`en`"),
    ("  start: 2026-04-18T14:00:00+02:00", "  start: 2026-02-30T14:00:00+02:00", "sheet-date", "session.start", "2026-02 has 28 days", "2026-04-18T14:12:05+02:00"),
    ("      date: 2026-04-18  ", "      date: 2026-02-29 ", "sheet-date", "operators[1].consent.date", "no leap year", "1907~"),
    ("      given: yes", "      given: maybe", "sheet-value", "operators[1].consent.given", "neither yes nor no", "yes or no"),
    ("        distance: 0.4 m", "        distance: 160 rpm", "sheet-quantity", "chains[0].microphones[0].distance", "is a speed of rotation", "mm"),
    ("        channel: 1 ", "        channel: one ", "sheet-value", "chains[0].microphones[0].channel", "not a whole number", "`1`"),
    ("        channel: 1 ", "        channel: 0 ", "sheet-value", "chains[0].microphones[0].channel", "too small", "from 1"),
    ("        channel: 1 ", "        channel: 1025 ", "sheet-value", "chains[0].microphones[0].channel", "too large", "from 1"),
    ("    bit_depth: 24", "    bit_depth: 23", "sheet-value", "chains[0].bit_depth", "not one of the accepted numbers", "24"),
    ("    kind: wax cylinder\n", "    kind: wax cilinder\n", "sheet-value", "media[0].kind", "did you mean `wax cylinder`?", "foil sheet"),
    ("    kind: reproduction\n", "    kind: Reproduction\n", "sheet-value", "takes[1].kind", "did you mean `reproduction`?", "test tone"),
    ("  subjects: [dictating machines, wax cylinders]", "  subjects: wax cylinders", "sheet-shape", "session.subjects", "a list is expected", "[dictating machines, wax cylinders]"),
    ("  place: Lindeby House Museum, reading room", "  place: [Lindeby]", "sheet-shape", "session.place", "a list stands where one value is expected", "Ravnholm"),
    ("  place: Lindeby House Museum, reading room", "  place: {town: Lindeby}", "sheet-shape", "session.place", "a group of fields stands", "one value"),
    ("    channels: [horn mouth] ", "    channels: [] ", "sheet-value", "chains[0].channels", "list is empty", "at least 1"),
    ("    channels: [horn mouth] ", "    channels: [horn mouth, ] ", None, "", "", ""),
    ("  subjects: [dictating machines, wax cylinders]", "  subjects:\n    - dictating machines\n    -", "sheet-value", "session.subjects[1]", "nothing stands after the hyphen", "dictating machines"),
    ("  title: The office dictating machine demonstrated\n", "  title: ' '\n", "sheet-value", "session.title", "is blank", "a text"),
    ("  title: The office dictating machine demonstrated\n", '  title: "a\\0b"\n', "sheet-control-character", "session.title", "U+0000", "letters"),
    ("  title: The office dictating machine demonstrated\n", '  title: "a\\ud800b"\n', "sheet-control-character", "session.title", "U+D800", "letters"),
    ("  title: The office dictating machine demonstrated\n", "", "sheet-missing-field", "session.title", "`title` is missing", "`title: The office dictating machine demonstrated` (Title of the session)"),
    ("  title: The office dictating machine demonstrated\n", "  title:\n", "sheet-missing-field", "session.title", "left empty", "`title: "),
    ("  place: Lindeby House Museum, reading room", "  place: x\n  purposes:", "sheet-unknown-field", "session.purposes", "nearest: `purpose`", "purpose"),
    ("    file: takes/0001.wav", "    file: ../0001.wav", "sheet-value", "takes[0].file", "not of the accepted form", "takes/0001.wav"),
    ("    file: takes/0001.wav", "    file: takes\\0001.wav", "sheet-value", "takes[0].file", "not of the accepted form", "forward slashes"),
    ("    file: takes/0001.wav", "    file: takes/../session.yaml", "sheet-value", "takes[0].file", "not of the accepted form", "without .."),
    ("    email: collections@lindeby.invalid", "    email: collections", "sheet-value", "organisation.contact.email", "not of the accepted form", "one @"),
    ("    uri: https://creativecommons.org/licenses/by/4.0/", "    uri: CC BY", "sheet-value", "session.rights.uri", "not of the accepted form", "URI"),
    ("  code: LHM ", "  code: Lindeby Museum ", "sheet-value", "organisation.code", "not of the accepted form", "2 to 8 capital letters"),
    ("gain: 32 dB}", "gain: 32 dB, flat}", "sheet-unknown-field", "chains[0].preamplifier.flat", "after a comma within braces", "single quotes"),
    ("schema: session 1 ", "schema: machine 1 ", "sheet-value", "schema", "not one of the accepted words", "session 1"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "code", "field", "message", "accepted"), CASES)
def test_one_mistake_makes_one_finding_with_its_place(
    old: str, new: str, code: str | None, field: str, message: str, accepted: str
) -> None:
    findings = findings_of(old, new)
    if code is None:
        assert findings == []
        return
    assert [(f.code, f.where.field) for f in findings] == [(code, field)]
    finding = findings[0]
    assert message in finding.message
    assert accepted in finding.accepted
    assert finding.remedy
    assert finding.where.line is not None
    assert finding.where.column is not None


@pytest.mark.parametrize(
    ("old", "new", "message", "remedy"),
    [
        (
            "  place: L",
            "  venue: L",
            "`venue` here; nearest: `place`",
            "move the text to `summary`",
        ),
        ("    drive:  ", "    comment: x\n    drive:  ", "nearest: `remarks`", "to `remarks`"),
        ("  code: LHM", "  zzz: x\n  code: LHM", "no field `zzz`", "a file in documents"),
        ("{given: yes, date", "{given:yes, date", "the blank after `given:`", "after the colon"),
    ],
)
def test_text_is_sent_only_to_a_field_that_is_there(
    old: str, new: str, message: str, remedy: str
) -> None:
    finding = findings_of(old, new)[0]
    assert message in finding.message
    assert remedy in finding.remedy
    room = re.search(r"move the text to `(\w+)`", finding.remedy)
    assert room is None or room[1] in finding.accepted.split(", ")


def test_an_empty_field_is_to_be_filled_in_and_a_missing_one_added() -> None:
    title = "  title: The office dictating machine demonstrated\n"
    assert findings_of(title, "  title:\n")[0].remedy == "Fill it in."
    assert findings_of(title, "")[0].remedy == "Add the field."


@pytest.mark.parametrize(("word", "near"), [("t1", "t01"), ("T01", "t01"), ("t012", "t12")])
def test_the_nearest_id_has_the_same_number(word: str, near: str) -> None:
    assert nearest(word, ["t12", "t01", "t02", "t11"]) == near


PURPOSES = "      # purposes: [recording, archiving]    # where the consent covers less than all\n"


@pytest.mark.parametrize(
    ("listed", "written"),
    [
        ("[archivng]", "`purposes: [archiving]`"),
        ("\n        - archivng", "`purposes: [archiving]`"),
        ("[recording, archivng]", "`archiving` in its place"),
    ],
)
def test_a_word_of_a_list_is_proposed_as_the_list_takes_it(listed: str, written: str) -> None:
    (finding,) = findings_of(PURPOSES, f"      purposes: {listed}\n")
    assert finding.remedy == f"Write {written} if that is meant."
    right = listed.replace("archivng", "archiving")
    assert findings_of(PURPOSES, f"      purposes: {right}\n") == []


def test_the_line_is_that_of_the_value() -> None:
    finding = findings_of("    bit_depth: 24", "    bit_depth: 23")[0]
    assert (finding.where.line, finding.where.column) == (line("    bit_depth: 24"), 16)


def test_all_mistakes_are_told_in_one_run() -> None:
    text = TEMPLATE
    cases = [case for case in CASES if case[2] and text.count(case[0]) == 1]
    used: set[str] = set()
    fields = []
    for old, new, _, field, _, _ in cases:
        if old in used or text.count(old) != 1:
            continue
        used.add(old)
        text = text.replace(old, new)
        fields.append(field)
    found = {finding.where.field for finding in conformed(text)[1]}
    assert len(fields) > 20
    assert found == set(fields)


def test_a_mistyped_field_is_read_as_the_one_that_it_is_nearest_to() -> None:
    fields, findings = conformed(TEMPLATE.replace("  title: The", "  titel: The"))
    own = fields.values["session"]
    assert isinstance(own, Fields)
    assert own.values["title"] == "The office dictating machine demonstrated"
    assert len(findings) == 1


@pytest.mark.parametrize("text", ["yes", "true", "on", "Yes", "TRUE", "y", "Y"])
def test_words_for_true(text: str) -> None:
    assert _flywheel(text) is True


@pytest.mark.parametrize("text", ["no", "false", "off", "No", "'no'", "n", "N"])
def test_words_for_false(text: str) -> None:
    assert _flywheel(text) is False


def _flywheel(text: str) -> object:
    fields, findings = conformed(TEMPLATE.replace("flywheel: no ", f"flywheel: {text} "))
    assert findings == []
    setups = fields.values["setups"]
    assert isinstance(setups, list)
    setup = setups[0]
    assert isinstance(setup, Fields)
    drive = setup.values["drive"]
    assert isinstance(drive, Fields)
    return drive.values["flywheel"]


def test_an_optional_field_that_is_left_open_is_left_out() -> None:
    fields, findings = conformed(
        TEMPLATE.replace(
            "  purpose: To hear what the machine records before its spring is replaced",
            "  purpose:",
        )
    )
    own = fields.values["session"]
    assert isinstance(own, Fields)
    assert "purpose" not in own.values
    assert findings == []


@pytest.mark.parametrize(
    ("word", "known", "near"),
    [
        ("titel", ["title", "place"], "title"),
        ("Sample Rate", ["sample_rate", "bit_depth"], "sample_rate"),
        ("sample-rate", ["sample_rate", "bit_depth"], "sample_rate"),
        ("zzz", ["title", "place"], None),
        ("x", [], None),
    ],
)
def test_the_nearest_word(word: str, known: list[str], near: str | None) -> None:
    assert nearest(word, known) == near


def test_among_hundreds_only_the_same_word_in_another_spelling_is_nearest() -> None:
    known = [f"t{number:04d}" for number in range(1_000)]
    assert nearest("T0042", known) == "t0042"
    assert nearest("t9999x", known) is None


def test_suggestions_stop_after_many_and_findings_do_not() -> None:
    wrong = "".join(f"  xtitle{number}: x\n" for number in range(100))
    findings = conformed(TEMPLATE.replace("  title: The", f"{wrong}  title: The"))[1]
    assert len(findings) == 100
    assert sum("nearest" in finding.message for finding in findings) == 50


def test_unknown_fields_of_a_newer_sheet_are_passed_over() -> None:
    sheet = read_sheet(
        TEMPLATE.replace("  title: The", "  colour: x\n  title: The").encode(), "session.yaml"
    )
    assert sheet.root is not None
    assert conform(sheet.root, shape("session"), "session.yaml", newer=True)[1] == []


@given(st.text(max_size=12), st.lists(st.text(max_size=12), max_size=5))
def test_the_nearest_word_is_a_known_one(word: str, known: list[str]) -> None:
    assert nearest(word, known) in [*known, None]
