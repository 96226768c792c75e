"""Dates that lie in the future: nothing that is recorded has happened yet.

The clock is an argument. A computer whose clock is older than this program stands wrong,
as after its battery is empty; it refuses nothing that happened before the program was made.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from archiver.findings import Finding, Where
from archiver.session import plausibility_rules as rules
from archiver.session.day import Day
from archiver.session.edtf import EdtfDate
from archiver.session.records import Session
from archiver.session.timestamp import Timestamp

__all__ = ["check_future"]

_PROGRAM_MADE = datetime(2026, 12, 1, tzinfo=UTC)
# A sheet may be checked in another time zone than that of the session, or with a slow clock.
_MARGIN = timedelta(days=1)


def check_future(session: Session, now: datetime) -> list[Finding]:
    """Tell moments and days that begin later than a day from now.

    Parameters
    ----------
    session : Session
        The record.
    now : datetime
        With its offset from UTC.
    """
    limit = max(now, _PROGRAM_MADE).astimezone(UTC) + _MARGIN
    findings = [
        rules.DATE_IN_FUTURE.at(
            where,
            f"{moment.text} has not come yet",
            accepted=f"a moment before now ({now:%Y-%m-%d}, by the clock of this computer)",
        )
        for where, moment in _moments(session)
        if moment is not None and moment.moment > limit
    ]
    last = Day(limit.year, limit.month, limit.day)
    return findings + [
        rules.DATE_IN_FUTURE.at(
            where,
            f"{date.text} has not come yet",
            accepted=f"today or before ({now:%Y-%m-%d}, by the clock of this computer)",
        )
        for where, date in _days(session)
        if date is not None and (first := date.earliest.day) is not None and first > last
    ]


def _moments(session: Session) -> Iterator[tuple[Where, Timestamp | None]]:
    yield session.locate("session.start"), session.start
    yield session.locate("session.end"), session.end
    for take in session.takes:
        yield session.locate(f"{take.at}.start"), take.start


def _days(session: Session) -> Iterator[tuple[Where, EdtfDate | None]]:
    """Yield the days of what was done; those of custody and photographs have their own rules."""
    for person in session.operators:
        if person.consent is not None:
            yield session.locate(f"{person.at}.consent.date"), person.consent.date
    for layer in session.rights.layers:
        yield session.locate(f"{layer.at}.date"), layer.date
    for report in session.conditions:
        yield session.locate(f"{report.at}.date"), report.date
    for machine in session.machines:
        for part in machine.parts:
            yield machine.locate(f"{part.at}.date"), part.date
