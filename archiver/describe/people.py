"""Persons in public documents: who is named, and how the others appear.

A person is named only where the sheet records that consent to it was given. Of the others
the role remains, and neither name nor identifier is written: voices and names are
personal data, and a deposited file cannot be edited without a new digest (common
practice).
"""

from __future__ import annotations

from dataclasses import dataclass

from archiver.session.records import Operator, Purpose, Role, Session, Take, TakeKind
from archiver.session.references import VOICES

__all__ = [
    "PublicPerson",
    "credited_in",
    "is_named",
    "people_of",
    "present_in",
    "public_identifier",
    "public_name",
]

_SILENT = frozenset({TakeKind.ROOM_TONE, TakeKind.TEST_TONE})


def is_named(operator: Operator) -> bool:
    """Say whether a person's name may appear; without a recorded consent it may not."""
    return operator.consent is not None and operator.consent.covers(Purpose.NAME)


def public_name(operator: Operator) -> str:
    """Return the name of a person, or the role where the name is withheld."""
    return operator.name if is_named(operator) else f"{operator.role}, name withheld"


def public_identifier(operator: Operator) -> str | None:
    """Return the identifier of a person, such as an ORCID iD, if it may appear."""
    return operator.identifier if is_named(operator) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class PublicPerson:
    """A person as the documents show them.

    ``key`` is ``person-1`` and so on, in the order of the sheet: the ids of the sheet
    are often short forms of names.
    """

    key: str
    name: str
    role: Role
    identifier: str | None
    named: bool
    consent: str

    @property
    def with_role(self) -> str:
        """Name and role, or the role alone where the name is withheld."""
        return f"{self.name} ({self.role})" if self.named else self.name


def people_of(session: Session) -> dict[str, PublicPerson]:
    """Return the persons of a session by their id in the sheet, in its order."""
    return {
        operator.id: PublicPerson(
            key=f"person-{number}",
            name=public_name(operator),
            role=operator.role,
            identifier=public_identifier(operator),
            named=is_named(operator),
            consent=_consent(operator),
        )
        for number, operator in enumerate(session.operators, start=1)
    }


def present_in(session: Session, take: Take) -> tuple[PublicPerson, ...]:
    """Return the persons that a take names, in its order; nobody else was certainly there."""
    people = people_of(session)
    return tuple(people[id_] for id_ in dict.fromkeys(take.operators) if id_ in people)


def credited_in(session: Session, take: Take) -> tuple[PublicPerson, ...]:
    """Return the performers and announcers that are heard in a take.

    They are those of them that it names, and nobody where nobody performs. A reproduction
    that names none is credited to those of the take that it plays: ``IART`` is the artist of
    the original subject (RIFF 1991, chapter 2), and they are heard in it.
    """
    seen: set[str] = set()
    played: Take | None = take
    while played is not None and played.id not in seen and played.kind not in _SILENT:
        heard = tuple(one for one in present_in(session, played) if one.role in VOICES)
        if heard or not played.reproduces:
            return heard
        seen.add(played.id)
        played = session.take(played.reproduces)
    return ()


def _consent(operator: Operator) -> str:
    consent = operator.consent
    if consent is None:
        return "No consent is recorded"
    text = "Consent given" if consent.given else "Consent not given"
    if consent.given and consent.purposes:
        text += f" for {', '.join(consent.purposes)}"
    dates = [
        consent.date.text if consent.date is not None else "",
        f"until {consent.until.text}" if consent.until is not None else "",
    ]
    if any(dates):
        text += f" ({', '.join(date for date in dates if date)})"
    return f"{text}: {consent.scope}" if consent.scope else text
