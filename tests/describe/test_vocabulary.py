"""Every closed list of ours has a term in the standard's; nothing is guessed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from lxml import etree

from archiver.describe.facts import EventKind, FileRole, Outcome
from archiver.describe.vocabulary import (
    AAT_SOUND_RECORDINGS,
    DATACITE_CONTRIBUTORS,
    DCMI_TYPES,
    DIGESTS,
    EBUCORE_ROLES,
    EVENT_TYPES,
    LIDO_EVENTS,
    OUTCOMES,
    PREMIS_LISTS,
    custody_event,
    machine_concept,
    unmapped_terms,
)
from archiver.session.records import Role
from tests.describe.archives import a_session

XS = "{http://www.w3.org/2001/XMLSchema}"


def enumeration(path: Path) -> set[str]:
    return {str(one.get("value")) for one in etree.parse(str(path)).iter(f"{XS}enumeration")}


def test_every_event_outcome_and_role_has_a_term() -> None:
    assert set(EVENT_TYPES) == set(EventKind)
    assert set(OUTCOMES) == set(Outcome)
    assert set(EBUCORE_ROLES) == set(DATACITE_CONTRIBUTORS) == set(Role)
    assert set(DCMI_TYPES) == set(FileRole)


def test_the_contributor_types_are_those_of_datacite(official_schemas: Path) -> None:
    kinds = enumeration(
        official_schemas / "datacite/kernel-4.5/include/datacite-contributorType-v4.xsd"
    )
    assert set(DATACITE_CONTRIBUTORS.values()) <= kinds


def test_the_types_are_those_of_dcmi(official_schemas: Path) -> None:
    assert set(DCMI_TYPES.values()) <= enumeration(official_schemas / "dc/dcmitype.xsd")


def test_the_names_of_digests_are_those_of_mets(official_schemas: Path) -> None:
    names = enumeration(official_schemas / "mets/mets-1.12.1.xsd")
    assert {digest.name for digest in DIGESTS.values()} <= names


def test_the_length_of_each_digest_is_that_of_hashlib() -> None:
    import hashlib

    for name, digest in DIGESTS.items():
        assert digest.hex_digits == len(hashlib.new(name, b"").hexdigest())


def test_no_code_stands_twice_in_a_list() -> None:
    for labels in PREMIS_LISTS.values():
        assert len(set(labels.values())) == len(labels)


@pytest.mark.parametrize("kind", ["cylinder phonograph", " Cylinder Phonographs"])
def test_a_confirmed_concept_has_an_id_of_the_thesaurus(kind: str) -> None:
    # The form of an id: 300 and six digits (Getty, AAT editorial guidelines; from memory).
    for concept in (machine_concept(kind), AAT_SOUND_RECORDINGS):
        assert re.fullmatch(r"http://vocab\.getty\.edu/aat/300\d{6}", concept.uri)


@pytest.mark.parametrize("kind", ["graphophone", "phonautograph", "wax-cylinder dictating machine"])
def test_a_concept_that_is_not_confirmed_has_no_id(kind: str) -> None:
    assert machine_concept(kind).uri == ""


@pytest.mark.parametrize(
    ("text", "event"),
    [
        ("gift, together with the other machine", "change of custody"),
        ("Bought at auction", "change of custody"),
        ("spring replaced and half nut relined", "modification"),
        (None, "change of custody"),
    ],
)
def test_a_custody_event_is_told_by_its_words(text: str | None, event: str) -> None:
    assert custody_event(text) == LIDO_EVENTS[event]


def test_terms_without_concept_are_notes_at_their_field() -> None:
    findings = unmapped_terms(a_session())
    assert [(one.code, str(one.severity), one.where.field) for one in findings] == [
        ("describe-term-unmapped", "note", "custody[0].event")
    ]
