"""What is withheld, in texts that anyone wrote into the sheet.

The documents leave a withheld name or value out where it is stated as such. It can still
stand in a title, a remark or a consent's scope; there it is found and reported, not altered.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

from archiver.describe import rules
from archiver.describe.withholding import Secret, secrets_of, withhold
from archiver.describe.xmltext import illegal_characters
from archiver.findings import Finding, Where
from archiver.session.records import Machine, Operator, Session
from archiver.session.shape import shape

__all__ = ["check_texts", "said"]

_UNSEEN = {"places", "at", "_index"}


def check_texts(session: Session) -> tuple[Finding, ...]:
    """Check every public text of the sheet and of the machine files, at its field.

    Returns
    -------
    tuple of Finding
        Names of persons without consent, private values of other fields, and characters
        that XML cannot hold. What the organisation says of itself is public whoever it names.
    """
    secrets = secrets_of(session)
    findings: list[Finding] = []
    for where, field, text in _texts(session):
        characters = illegal_characters(text)
        if characters:
            findings.append(
                rules.TEXT_REPLACED.at(where, f"the text holds {', '.join(characters)}")
            )
        if not field.startswith("organisation."):
            findings += [said(secret, where) for secret in secrets.found_in(text)]
    return tuple(findings)


def said(secret: Secret, where: Where) -> Finding:
    """Make the finding on a text that says what is withheld."""
    if secret.consent is not None:
        return rules.NAME_NOT_COVERED.at(
            where,
            f"the text names {secret.text}, whose consent does not cover being named "
            f"({secret.consent})",
        )
    if secret.is_name:
        return rules.NAME_WITHHELD.at(
            where,
            f"the text names {secret.text}, who has given no consent ({secret.where})",
        )
    return rules.PRIVATE_ELSEWHERE.at(where, f"the text holds what is private at {secret.where}")


def _texts(session: Session) -> Iterator[tuple[Where, str, str]]:
    public = withhold(session).session
    # Every document in its place, so that the fields keep their numbers.
    documents = tuple(
        dataclasses.replace(one, file="", caption=None) if one.restricted else one
        for one in session.documents
    )
    public = dataclasses.replace(public, documents=documents)
    for field, text in _walk(public, ""):
        yield session.locate(field), field, text
    for machine in public.machines:
        for field, text in _walk(machine, ""):
            yield machine.locate(field), f"machine.{field}", text


def _walk(value: object, field: str) -> Iterator[tuple[str, str]]:
    """Yield every text of a record, with its path; machines are walked on their own."""
    if isinstance(value, str):
        yield field, value
    elif isinstance(value, tuple):
        for number, one in enumerate(value):
            yield from _walk(one, f"{field}[{number}]")
    elif isinstance(value, Machine) and field:
        return
    elif dataclasses.is_dataclass(value):
        for one in dataclasses.fields(value):
            if one.name in _UNSEEN or (isinstance(value, Operator) and one.name == "name"):
                continue
            inner = one.name
            if isinstance(value, Session) and one.name in _IN_SESSION_GROUP:
                inner = f"session.{one.name}"
            yield from _walk(getattr(value, one.name), f"{field}.{inner}" if field else inner)


_IN_SESSION_GROUP = frozenset((shape("session").fields or {})["session"].fields or {})
