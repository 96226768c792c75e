"""Condition reports: before and after a session, and since the session before."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain

from archiver.findings import Finding, Where
from archiver.session import machine_rules as rules
from archiver.session.conform import nearest
from archiver.session.day import Day
from archiver.session.records import ConditionReport, Session
from archiver.session.timestamp import UNREAD, Timestamp
from archiver.session.vocabulary import Grade, When

__all__ = ["Change", "changes_between", "changes_in", "check_conditions", "report_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that two reports say differently.

    Parameters
    ----------
    subject : str
        Id of the machine or medium.
    part : str
        Name of the part; empty for the whole.
    before, after : Grade or None
        None if a report does not mention it.
    note : str
        What the later report says of it.
    """

    subject: str
    part: str
    before: Grade | None
    after: Grade | None
    note: str = ""

    @property
    def is_worse(self) -> bool:
        """Say whether it was found in worse condition than before."""
        before = None if self.before is None else self.before.rank
        after = None if self.after is None else self.after.rank
        return before is not None and after is not None and after > before

    def __str__(self) -> str:
        """Say the change in words."""
        place = f"{self.subject}, {self.part}" if self.part else f"{self.subject} as a whole"
        before = "not reported" if self.before is None else str(self.before)
        after = "not reported" if self.after is None else str(self.after)
        return f"{place}: {before}, then {after}" + (f" ({self.note})" if self.note else "")


def report_of(
    session: Session, when: When, *, machine: str | None = None, medium: str | None = None
) -> ConditionReport | None:
    """Return the first report on a machine or medium at a time."""
    return next(
        (
            each
            for each in session.conditions
            if each.when is when and (each.machine, each.medium) == (machine, medium)
        ),
        None,
    )


def changes_between(
    subject: str, earlier: ConditionReport, later: ConditionReport
) -> tuple[Change, ...]:
    """Compare two reports on the same thing; what is not examined again is no change."""

    def grades(report: ConditionReport) -> Iterator[tuple[str, str, Grade, str]]:
        yield "", "", report.grade, report.note or ""
        for each in report.parts:
            yield _folded(each.part), each.part, each.grade, each.note or ""

    old = {key: grade for key, _, grade, _ in grades(earlier)}
    found: list[Change] = []
    for key, name, grade, note in grades(later):
        before = old.get(key)
        if grade.rank is None or before is grade:
            continue
        if (before is None or before.rank is None) and grade.rank == 0:
            # Found good, and not looked at before: nothing has changed as far as is known.
            continue
        found.append(Change(subject=subject, part=name, before=before, after=grade, note=note))
    return tuple(found)


def changes_in(session: Session) -> tuple[Change, ...]:
    """Compare the reports before and after a session, for every machine and medium."""
    found: list[Change] = []
    for machine, medium in _subjects(session):
        before = report_of(session, When.BEFORE, machine=machine, medium=medium)
        after = report_of(session, When.AFTER, machine=machine, medium=medium)
        if before is not None and after is not None:
            found += changes_between(machine or medium or "", before, after)
    return tuple(found)


def _subjects(session: Session) -> list[tuple[str | None, str | None]]:
    return list(dict.fromkeys((each.machine, each.medium) for each in session.conditions))


def _folded(text: str) -> str:
    return " ".join(text.casefold().split())


def check_conditions(session: Session) -> list[Finding]:
    """Check the condition reports of a session."""
    findings: list[Finding] = []
    seen: set[tuple[str | None, str | None, When]] = set()
    for report in session.conditions:
        where = session.locate(report.at)
        if (report.machine is None) is (report.medium is None):
            found = (
                "neither a machine nor a medium"
                if report.machine is None
                else "both a machine and a medium"
            )
            findings.append(
                rules.CONDITION_SUBJECT.at(
                    where,
                    f"the report names {found}",
                    accepted="one of `machine: vesterholm-b` and `medium: cyl-07`",
                )
            )
            continue
        key = (report.machine, report.medium, report.when)
        if key in seen:
            findings.append(
                rules.CONDITION_TWICE.at(
                    where,
                    f"there is a second report on `{report.machine or report.medium}` "
                    f"{report.when} the session",
                    accepted="one report before and one after",
                )
            )
        seen.add(key)
        findings += chain(_parts(session, report), _date(session, report))
    for change in changes_in(session):
        rule = rules.CONDITION_WORSE if change.is_worse else rules.CONDITION_CHANGED
        findings.append(rule.at(_where_of(session, change), str(change)))
    return findings


def _where_of(session: Session, change: Change) -> Where:
    """Return the place of the later report, or of the part in it."""
    for report in session.conditions:
        if report.when is not When.AFTER or change.subject not in (report.machine, report.medium):
            continue
        for each in report.parts:
            if each.part == change.part:
                return session.locate(each.at)
        return session.locate(report.at)
    return session.locate("conditions")


def _parts(session: Session, report: ConditionReport) -> Iterator[Finding]:
    machine = session.machine(report.machine) if report.machine is not None else None
    if machine is None or not machine.parts:
        return
    names = [part.name for part in machine.parts]
    for each in report.parts:
        if machine.part(each.part) is None:
            near = nearest(each.part, names)
            yield rules.CONDITION_PART_UNKNOWN.at(
                session.locate(f"{each.at}.part"),
                f"machine `{machine.id}` has no part `{each.part}`"
                + (f"; nearest: `{near}`" if near else ""),
                accepted=", ".join(names),
            )


def _date(session: Session, report: ConditionReport) -> Iterator[Finding]:
    if report.date is None or session.start is UNREAD:
        return
    if session.end is not None and session.end.moment < session.start.moment:
        return
    start = _day(session.start)
    end = _day(session.end) if session.end is not None and session.end is not UNREAD else start
    where = session.locate(f"{report.at}.date")
    earliest, latest = report.date.earliest.day, report.date.latest.day
    if report.when is When.BEFORE and earliest is not None and earliest > end:
        yield rules.CONDITION_DATE.at(
            where,
            f"the report before the session is dated {report.date.text}, after its end",
            accepted=f"{end} or earlier",
        )
    if report.when is When.AFTER and latest is not None and latest < start:
        yield rules.CONDITION_DATE.at(
            where,
            f"the report after the session is dated {report.date.text}, before its start",
            accepted=f"{start} or later",
        )


def _day(moment: Timestamp) -> Day:
    return Day(moment.moment.year, moment.moment.month, moment.moment.day)
