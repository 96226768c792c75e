"""Names of persons who have given no consent, in texts that anyone wrote into the sheet.

The documents leave such a name out where it is stated as a name. It can still stand in
a title, a remark or a consent's scope; there it is found and reported, not altered.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator

from archiver.describe import rules
from archiver.describe.people import is_named
from archiver.describe.xmltext import illegal_characters
from archiver.findings import Finding, Where
from archiver.session.records import Machine, Operator, Session

__all__ = ["check_texts", "withheld_names_in"]

_SHORTEST = 3
_UNSEEN = {"places", "at", "_index"}


def _withheld(session: Session) -> dict[str, re.Pattern[str]]:
    """Return what finds the name of each person who is not named, as a whole word."""
    return {
        operator.name: re.compile(rf"(?<!\w){re.escape(operator.name)}(?!\w)")
        for operator in session.operators
        if not is_named(operator) and len(operator.name.strip()) >= _SHORTEST
    }


def withheld_names_in(text: str, session: Session) -> list[str]:
    """Return the names of persons without consent that a text holds."""
    return [name for name, finder in _withheld(session).items() if finder.search(text)]


def check_texts(session: Session) -> tuple[Finding, ...]:
    """Check every text of the sheet and of the machine files, at its field.

    Returns
    -------
    tuple of Finding
        Names of persons without consent, and characters that XML cannot hold. The name
        of the organisation and of its contact are public whoever they are.
    """
    withheld = _withheld(session)
    findings: list[Finding] = []
    for where, field, text in _texts(session):
        characters = illegal_characters(text)
        if characters:
            findings.append(
                rules.TEXT_REPLACED.at(where, f"the text holds {', '.join(characters)}")
            )
        if field.startswith("organisation."):
            continue
        findings += [
            rules.NAME_WITHHELD.at(where, f"the text names {name}, who has given no consent")
            for name, finder in withheld.items()
            if finder.search(text)
        ]
    return tuple(findings)


def _texts(session: Session) -> Iterator[tuple[Where, str, str]]:
    for field, text in _walk(session, ""):
        yield session.locate(field), field, text
    for machine in session.machines:
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


_IN_SESSION_GROUP = {
    "identifier",
    "title",
    "start",
    "end",
    "place",
    "purpose",
    "summary",
    "language",
    "subjects",
    "rights",
    "restrictions",
}
