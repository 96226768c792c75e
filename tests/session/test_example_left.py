"""What is left of the example: told where it names somebody, quiet where it may be true."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from archiver.findings import Finding, Severity
from archiver.session import load_session, template_files
from archiver.session.example_left import (
    ANSWERING_FIELDS,
    EVIDENCE_FIELDS,
    TELLING_FIELDS,
    check_example_left,
)
from tests.session.folders import edit, whole_session

# What differs with every session; materials, settings, units and roles are kept.
OWN = {
    "lhm-2026-04-18": "nkm-2026-06-02",
    "The office dictating machine demonstrated": "A cylinder machine heard again",
    "2026-04-18": "2026-06-02",
    "Lindeby House Museum": "Museum of Norrekær",
    "To hear what the machine records before its spring is replaced": "To hear it",
    "One letter was dictated on a new cylinder and played back twice,": "A song was sung.",
    "    first with the listening tube and then with the horn.\n": "",
    "May be copied and published with attribution to the museum.": "May be heard in the house.",
    "The voice of the performer is not to be used in advertising": "Not for advertising",
    "Mill Lane 4, Lindeby": "Strand 3, Norrekær",
    "+45 5550 0199": "+45 5550 0133",
    "collections@lindeby.invalid": "lyd@norrekaer.invalid",
    "Anna Sandberg": "Gro Vind",
    "Johan Holm": "Ebbe Dal",
    "Ekko Works": "Klang",
    "LHM 2019.31": "NKM 7",
    "cast by the museum's workshop, 2019": "workshop, 2020",
    "belt tightened after the first take": "belt as it was",
    "A letter to the harbour office": "A song",
    "a chair creaks near the end": "a door closes",
    "fine crack near the rim": "sound",
}


def left(folder: Path) -> list[Finding]:
    session = load_session(folder).session
    assert session is not None
    return check_example_left(session)


def overwritten(folder: Path) -> Path:
    """Write over what differs in the sheet; machine and type file are not the example's."""
    whole_session(folder)
    sheet = folder / "session.yaml"
    text = sheet.read_text(encoding="utf-8")
    for old, new in OWN.items():
        assert old in text, old
        text = text.replace(old, new)
    sheet.write_text(text, encoding="utf-8")
    (folder / "machines/example-machine.yaml").write_text(
        "schema: machine 1\nid: example-machine\nnames: [Our machine]\ntype: phonograph\n",
        encoding="utf-8",
    )
    (folder / "types/example-model.yaml").unlink()
    return folder


def test_the_untouched_example_is_no_session(tmp_path: Path) -> None:
    found = left(whole_session(tmp_path))
    errors = [each for each in found if each.severity is Severity.ERROR]
    assert [each.where.field for each in errors] == [
        "session.identifier",
        "session.rights.statement",
        "session.rights.holder",
        "organisation.name",
        "organisation.address",
        "organisation.contact.phone",
        "organisation.contact.email",
        "operators[0].name",
        "operators[0].consent",
        "operators[1].name",
        "operators[1].consent",
        "evidence[0]",
        "evidence[1]",
        "evidence[2]",
        "evidence[3]",
    ]
    assert all(each.where.line for each in found)
    warned = [each for each in found if each.severity is Severity.WARNING]
    assert [re.split(r"[.]", each.where.field)[0] for each in warned] == [
        "session", "chains[0]", "media[0]", "setups[0]", "takes[0]", "takes[1]",
        "conditions[0]", "names[0]", "names[0]",
    ]  # fmt: skip


def test_everything_that_is_left_is_told_at_once_with_its_line(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    warned = [each for each in left(folder) if each.severity is Severity.WARNING]
    chain = next(each for each in warned if each.where.field.startswith("chains"))
    lines = (folder / "session.yaml").read_text(encoding="utf-8").splitlines()
    told = dict(re.findall(r"`([\w.]+)` \(lines? ([\d, ]+)\)", chain.message))
    assert set(told) == {
        "microphones.maker", "preamplifier.maker", "converter.maker", "recorder.maker",
    }  # fmt: skip
    for name, numbers in told.items():
        for number in numbers.split(", "):
            assert "maker: Ekko Works" in lines[int(number) - 1], name
    machine = next(each for each in warned if each.where.file.startswith("machines/"))
    for name in ("names", "maker.name", "made.statement", "owner.name"):
        assert f"`{name}` (line" in machine.message
    assert "more" not in machine.message


def test_evidence_of_the_example_stops_the_deposit(tmp_path: Path) -> None:
    overwritten(tmp_path)
    machine = tmp_path / "machines/example-machine.yaml"
    text = machine.read_text(encoding="utf-8")
    machine.write_text(
        f"{text}evidence:\n  - kind: mark\n    what: the plate has the address Kanalgade 11\n"
        "    says: '[1907..]'\n    source: our register\n    confidence: firm\n",
        encoding="utf-8",
    )
    (found,) = left(tmp_path)
    assert (found.severity, found.where.field, found.where.line) == (
        Severity.ERROR, "evidence[0]", 6,
    )  # fmt: skip
    assert "`what: the plate has the address Kanalgade 11`" in found.message


def test_who_overwrites_what_differs_is_told_nothing(tmp_path: Path) -> None:
    assert left(overwritten(tmp_path)) == []


@pytest.mark.parametrize("own", list(OWN)[:1] + list(OWN)[3:5] + list(OWN)[7:14])
def test_each_text_that_is_left_is_told_alone(tmp_path: Path, own: str) -> None:
    overwritten(tmp_path)
    sheet = tmp_path / "session.yaml"
    text = sheet.read_text(encoding="utf-8")
    sheet.write_text(text.replace(OWN[own], own), encoding="utf-8")
    assert left(tmp_path) != []


def test_somebody_may_have_the_name_of_a_person_of_the_example(tmp_path: Path) -> None:
    overwritten(tmp_path)
    edit(tmp_path, "session.yaml", "name: Gro Vind", "name: Anna Sandberg")
    assert [each.where.field for each in left(tmp_path)] == ["operators[0].name"]
    sheet = tmp_path / "session.yaml"
    text = sheet.read_text(encoding="utf-8").replace("ansa", "anna-s")
    sheet.write_text(text, encoding="utf-8")
    assert left(tmp_path) == []


def test_a_scope_in_the_words_of_the_example_with_another_date_is_a_consent(
    tmp_path: Path,
) -> None:
    overwritten(tmp_path)
    text = (tmp_path / "session.yaml").read_text(encoding="utf-8")
    assert "scope: Recording, archiving and publication with name" in text
    assert left(tmp_path) == []


def test_every_field_that_counts_has_a_text_in_the_example(tmp_path: Path) -> None:
    """A text counts only if it stands so in the template, which is searched before it is read."""
    found = left(whole_session(tmp_path))
    told = {re.sub(r"\[\d+\]", "[]", each.where.field) for each in found}
    assert told >= ANSWERING_FIELDS
    for kind, file in (
        ("session", "session.yaml"),
        ("machine", "machines/example-machine.yaml"),
        ("type", "types/example-model.yaml"),
    ):
        for field in TELLING_FIELDS[kind] | (EVIDENCE_FIELDS if kind == "machine" else set()):
            name = field.removesuffix("[]").rpartition(".")[2]
            assert re.search(rf"\b{name}:", template_files()[file]), field


def test_the_sample_session_is_no_example(sample_session: Path) -> None:
    assert left(sample_session) == []
