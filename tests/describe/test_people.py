from __future__ import annotations

import pytest

from archiver.describe.people import people_of, public_identifier, public_name
from archiver.session.records import Consent, Operator, Purpose, Role
from tests.describe.archives import a_session


def someone(consent: Consent | None) -> Operator:
    return Operator(
        id="p",
        name="Villads Skjultgaard",
        role=Role.PERFORMER,
        identifier="https://orcid.org/0000-0002-1825-0097",
        consent=consent,
    )


def test_a_person_with_consent_is_named() -> None:
    person = someone(Consent(given=True))
    assert public_name(person) == "Villads Skjultgaard"
    assert public_identifier(person) == "https://orcid.org/0000-0002-1825-0097"


@pytest.mark.parametrize(
    "consent", [None, Consent(given=False), Consent(given=True, purposes=(Purpose.ARCHIVING,))]
)
def test_without_consent_the_role_alone_remains(consent: Consent | None) -> None:
    person = someone(consent)
    assert public_name(person) == "performer, name withheld"
    assert public_identifier(person) is None


def test_persons_have_keys_that_are_not_their_names() -> None:
    people = people_of(a_session())
    assert [person.key for person in people.values()] == ["person-1", "person-2"]
    assert [person.with_role for person in people.values()] == [
        "Åsta Ørnvig (recording engineer)",
        "performer, name withheld",
    ]


def test_the_scope_of_a_consent_is_carried() -> None:
    people = people_of(a_session())
    assert people["asta"].consent == (
        "Consent given for recording, archiving, publication, name (2026-05-03, until 2060): "
        "Archiving, publication, name"
    )
    assert people["villads"].consent == "Consent not given: Archiving without name"
