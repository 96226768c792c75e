"""Markers are planted in what must not come out, and searched for in every byte."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from archiver.describe.documents import documents_of
from archiver.describe.ebucore import axml_for
from archiver.describe.privacy import check_texts
from archiver.describe.selfcheck import check_documents
from archiver.session import load_session
from archiver.session.records import Consent, Purpose, Session
from tests.describe.archives import PCM_24, a_session, archive_of
from tests.session.folders import edit, whole_session


def test_nothing_of_a_withheld_person_is_in_any_document() -> None:
    session = a_session()
    documents = b"".join(document.content for document in documents_of(archive_of(session)))
    documents += b"".join(
        axml_for(session, take, samples=PCM_24, frames=1, file_name="x.wav", modified="2026-05-04")
        for take in session.takes
    )
    for marker in (b"Skjultgaard", b"villads", b"Villads"):
        assert marker not in documents
    assert b"name withheld" in documents


def test_the_contact_of_the_organisation_is_public() -> None:
    content = b"".join(document.content for document in documents_of(archive_of(a_session())))
    assert content.count(b"lyd@hm.example") >= 2


def with_summary(summary: str) -> Session:
    return dataclasses.replace(a_session(), summary=summary)


def test_a_withheld_name_in_a_text_is_found_at_its_field() -> None:
    findings = check_texts(with_summary("Sung by Villads Skjultgaard, twice."))
    assert [(one.code, one.where.field) for one in findings] == [
        ("describe-withheld-name", "session.summary")
    ]


def test_a_withheld_name_is_told_with_the_place_of_the_person_too(tmp_path: Path) -> None:
    """Who reads it finds both lines: that of the text, and that of the person without consent."""
    folder = whole_session(tmp_path)
    edit(folder, "session.yaml", "    consent: {given: yes,", "    consent: {given: no,")
    sheet = (folder / "session.yaml").read_text(encoding="utf-8").splitlines()
    session = load_session(folder).session
    assert session is not None
    person = session.operators[0]
    session = dataclasses.replace(session, summary=f"{person.name} reads a letter.")
    (found,) = [one for one in check_texts(session) if one.where.field == "session.summary"]
    line = next(n for n, text in enumerate(sheet, 1) if f"name: {person.name}" in text)
    assert found.message == (
        f"the text names {person.name}, who has given no consent (session.yaml:{line}, "
        "operators[0].name)"
    )
    assert found.where.file == "session.yaml"
    assert found.where.line


def test_a_withheld_name_is_found_in_the_documents_too() -> None:
    archive = archive_of(with_summary("Sung by Villads Skjultgaard, twice."))
    findings = check_documents(documents_of(archive), archive)
    assert {one.code for one in findings} == {"describe-withheld-name"}
    assert {one.where.file for one in findings} == {
        "data/ro-crate-metadata.json",
        "metadata/datacite.json",
        "metadata/dublin-core.xml",
        "metadata/ebucore.xml",
    }


@pytest.mark.parametrize("summary", ["Villads Skjultgaardsen sang.", "Åsta Ørnvig recorded."])
def test_a_longer_name_or_a_name_with_consent_is_no_finding(summary: str) -> None:
    assert check_texts(with_summary(summary)) == ()


def test_a_name_in_a_machine_file_is_found_there() -> None:
    session = a_session()
    machine = dataclasses.replace(session.machines[0], finish="polished by Villads Skjultgaard")
    findings = check_texts(dataclasses.replace(session, machines=(machine,)))
    assert [one.where.field for one in findings] == ["finish"]


def test_characters_that_xml_cannot_hold_are_reported_at_their_field() -> None:
    findings = check_texts(with_summary("bell \x07 and null \x00"))
    assert [(one.code, one.where.field, one.message) for one in findings] == [
        (
            "describe-character-replaced",
            "session.summary",
            "the text holds U+0000, U+0007",
        )
    ]


def test_a_consent_that_does_not_cover_the_name_is_not_called_missing() -> None:
    """What lacks is the purpose, and the remedy says where to put it."""
    session = a_session()
    persons = tuple(
        dataclasses.replace(
            one, consent=Consent(given=True, purposes=(Purpose.RECORDING, Purpose.ARCHIVING))
        )
        for one in session.operators
    )
    name = persons[0].name
    changed = dataclasses.replace(session, operators=persons, summary=f"With {name}.")
    (found,) = (one for one in check_texts(changed) if one.where.field == "session.summary")
    assert found.code == "describe-name-not-covered"
    assert f"{name}, whose consent does not cover being named" in found.message
    assert "no consent" not in found.message
    assert "`name` to the `purposes`" in found.remedy
