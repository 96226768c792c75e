"""Checks of what is possible and likely across the whole session."""

from __future__ import annotations

from collections.abc import Iterable

from archiver.findings import Finding, Where
from archiver.session import plausibility_rules as rules
from archiver.session.capacity import check_fit, check_geometry
from archiver.session.condition import check_conditions
from archiver.session.day import Day
from archiver.session.edtf import EdtfDate
from archiver.session.machine_record import Machine, Photograph
from archiver.session.measures import check_measures
from archiver.session.media_wear import check_wear
from archiver.session.records import Session, Take
from archiver.session.references import VOICES
from archiver.session.rights_sense import check_rights
from archiver.session.timestamp import UNREAD
from archiver.session.vocabulary import TakeKind

__all__ = ["check_plausibility"]

_FIRST_RECORDING = Day(1857, 1, 1)
_SPOKEN = {
    TakeKind.ANNOUNCEMENT,
    TakeKind.PERFORMANCE,
    TakeKind.PERFORMANCE_AND_REPRODUCTION,
}


def check_plausibility(session: Session) -> list[Finding]:
    """Check a whole session; what is written wrongly has been told by other checks."""
    findings: list[Finding] = []
    for machine in session.machines:
        findings += check_geometry(machine)
        findings += _machine_dates(session, machine)
    findings += check_measures(session)
    findings += check_fit(session)
    findings += _inventory_numbers(session.machines)
    findings += _photographs(session)
    findings += _consents(session)
    findings += check_rights(session)
    findings += check_wear(session)
    findings += check_conditions(session)
    return findings


def last_day(session: Session) -> Day | None:
    """Return the last day of the session, by its own clock; None if it was not read."""
    ends = (session.start, session.end)
    moments = [one.moment for one in ends if one is not None and one is not UNREAD]
    if not moments:
        return None
    last = max(moments)
    return Day(last.year, last.month, last.day)


def _machine_dates(session: Session, machine: Machine) -> list[Finding]:
    findings: list[Finding] = []
    made = machine.made.date if machine.made is not None else None
    day = last_day(session)
    if made is not None:
        earliest, latest = made.earliest.day, made.latest.day
        where = machine.locate("made.date")
        if day is not None and earliest is not None and earliest > day:
            findings.append(
                rules.SESSION_BEFORE_MACHINE.at(
                    where,
                    f"machine `{machine.id}` was made in {made.text}, after the session of "
                    f"{session.start.text}",
                    accepted="a date before the session",
                )
            )
        if latest is not None and latest < _FIRST_RECORDING:
            findings.append(
                rules.MACHINE_BEFORE_RECORDING.at(
                    where,
                    f"machine `{machine.id}` is said to have been made in {made.text}",
                    accepted="1857 or later",
                )
            )
    previous: EdtfDate | None = None
    for entry in machine.custody:
        if entry.date is None:
            continue
        where = machine.locate(f"{entry.at}.date")
        if made is not None and _is_before(entry.date, made):
            findings.append(
                rules.CUSTODY_BEFORE_MADE.at(
                    where,
                    f"custody in {entry.date.text} is before the machine was made ({made.text})",
                    accepted="a date after the making",
                )
            )
        if previous is not None and _is_before(entry.date, previous):
            findings.append(
                rules.CUSTODY_OUT_OF_ORDER.at(
                    where,
                    f"custody in {entry.date.text} stands after that in {previous.text}",
                    accepted="entries in the order of time",
                )
            )
        if _starts_after(entry.date, day):
            findings.append(
                rules.CUSTODY_AFTER_SESSION.at(
                    where,
                    f"custody in {entry.date.text} is after the session of {session.start.text}",
                    accepted="a date no later than the session",
                )
            )
        previous = entry.date
    return findings


def _is_before(one: EdtfDate, other: EdtfDate) -> bool:
    latest, earliest = one.latest.day, other.earliest.day
    return latest is not None and earliest is not None and latest < earliest


def _starts_after(date: EdtfDate, day: Day | None) -> bool:
    earliest = date.earliest.day
    return earliest is not None and day is not None and earliest > day


def _inventory_numbers(machines: Iterable[Machine]) -> list[Finding]:
    first: dict[tuple[str, str], Machine] = {}
    findings: list[Finding] = []
    for machine in machines:
        if machine.inventory_number is None:
            continue
        owner = machine.owner.name if machine.owner is not None else ""
        key = (_folded(machine.inventory_number), _folded(owner))
        other = first.setdefault(key, machine)
        if other.id != machine.id:
            findings.append(
                rules.MACHINE_SAME_INVENTORY_NUMBER.at(
                    machine.locate("inventory_number"),
                    f"`{machine.inventory_number}` is the inventory number of machine "
                    f"`{other.id}` too",
                    accepted="a number of its own for each machine",
                )
            )
    return findings


def _folded(text: str) -> str:
    return "".join(text.casefold().split())


def _photographs(session: Session) -> list[Finding]:
    day = last_day(session)
    placed: list[tuple[Photograph, Where]] = [
        (photograph, session.locate(f"{photograph.at}.date")) for photograph in session.photographs
    ]
    for machine in session.machines:
        placed += [(each, machine.locate(f"{each.at}.date")) for each in machine.photographs]
    return [
        rules.PHOTOGRAPH_AFTER_SESSION.at(
            where,
            f"{photograph.file} is dated {photograph.date.text}, after the session of "
            f"{session.start.text}",
            accepted="a date no later than the session",
        )
        for photograph, where in placed
        if photograph.date is not None and _starts_after(photograph.date, day)
    ]


def _consents(session: Session) -> list[Finding]:
    day = last_day(session)
    findings = [
        rules.CONSENT_AFTER_SESSION.at(
            session.locate(f"{operator.at}.consent.date"),
            f"{operator.name} gave consent {operator.consent.date.told}, after the session",
        )
        for operator in session.operators
        if operator.consent is not None
        and operator.consent.date is not None
        and _starts_after(operator.consent.date, day)
    ]
    return findings + [
        rules.TAKE_VOICE_WITHOUT_CONSENT.at(
            session.locate(f"{take.at}.operators"),
            f"in take `{take.id}`, of the kind {take.kind}, a voice is heard, and none of "
            f"{', '.join(take.operators)} has given consent",
            accepted="at least one person whose consent is written down",
        )
        for take in session.takes
        if _voice_without_consent(session, take)
    ]


def _voice_without_consent(session: Session, take: Take) -> bool:
    if take.kind not in _SPOKEN or not take.operators:
        return False
    people = [person for id_ in take.operators if (person := session.operator(id_)) is not None]
    if len(people) < len(take.operators) or any(person.role in VOICES for person in people):
        # The consent of a performer or announcer is asked for once, with the person.
        return False
    return all(person.consent is None or not person.consent.given for person in people)
