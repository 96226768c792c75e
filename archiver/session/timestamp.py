"""Moments as RFC 3339 writes them: date, time and offset from UTC.

Narrower than RFC 3339: no leap second and no unknown offset (``-00:00``), since a
take needs one moment. Wider: the seconds may be left out, and a blank or a small
``t`` may stand for ``T`` (RFC 3339, 5.6, notes).
"""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

from archiver.errors import InputError
from archiver.session.day import days_in_month, is_leap_year
from archiver.session.edtf_hints import everyday_days

__all__ = ["UNREAD", "Timestamp", "parse_timestamp"]

_ACCEPTED = "date, T, time and offset from UTC, such as `2026-04-18T14:12:05+02:00`"
_FORM = re.compile(
    r"(?P<year>\d{4})-(?P<month>\d{2})-(?P<day>\d{2})"
    r"[Tt ](?P<hour>\d{2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,9}))?)?"
    r" ?(?P<zone>[Zz]|[+-]\d{2}:\d{2})?",
    re.ASCII,
)
# The ends of the time zones in use, Baker Island and the Line Islands (IANA tz database,
# Etc/GMT+12 and Pacific/Kiritimati).
_WESTMOST, _EASTMOST = timedelta(hours=-12), timedelta(hours=14)
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Timestamp:
    """A moment as stated, and as a time with its offset from UTC."""

    text: str
    moment: datetime


UNREAD = Timestamp(text="", moment=datetime(1, 1, 2, tzinfo=UTC))
"""Stands where a moment is required and none could be read; its finding is an error."""


@functools.lru_cache(maxsize=65536)
def parse_timestamp(text: str) -> Timestamp:
    """Read a moment.

    Raises
    ------
    InputError
        The form is another, the day does not exist, or the offset is missing.
    """
    match = _FORM.fullmatch(text)
    if match is None:
        if _DATE.fullmatch(text):
            raise _refused(
                text,
                "is a date without a time",
                f"Add the time and the offset from UTC, such as {text}T14:00+02:00.",
            )
        raise _refused(text, "is not a moment in the accepted form", _corrected(text))
    year, month, day = int(match["year"]), int(match["month"]), int(match["day"])
    hour, minute, second = int(match["hour"]), int(match["minute"]), int(match["second"] or 0)
    if year == 0:
        raise _refused(text, "lies in the year 0")
    if not 1 <= month <= 12:
        raise _refused(text, f"has the month {month}")
    if not 1 <= day <= days_in_month(year, month):
        why = f"is a day that does not exist: {year}-{month:02d} has {days_in_month(year, month)} days"
        if month == 2 and day == 29 and not is_leap_year(year):
            why = f"is a day that does not exist: {year} was no leap year"
        raise _refused(text, why)
    if hour > 23 or minute > 59 or second > 59:
        raise _refused(text, "has a time of day that does not exist")
    if match["zone"] is None:
        raise InputError(
            f"`{text}` does not say the offset from UTC",
            accepted=_ACCEPTED,
            remedy="Add the offset from UTC of that place and day, or Z for UTC: such as "
            f"{text}+02:00.",
        )
    microsecond = int((match["fraction"] or "0").ljust(6, "0")[:6])
    zone = _zone(text, match["zone"])
    return Timestamp(
        text=text, moment=datetime(year, month, day, hour, minute, second, microsecond, tzinfo=zone)
    )


def _zone(text: str, stated: str) -> timezone:
    if stated in "Zz":
        return UTC
    hours, minutes = int(stated[1:3]), int(stated[4:6])
    offset = timedelta(hours=hours, minutes=minutes) * (-1 if stated[0] == "-" else 1)
    if minutes > 59 or not _WESTMOST <= offset <= _EASTMOST:
        raise _refused(
            text,
            f"has the offset {stated}, which does not exist",
            "Offsets from UTC lie between -12:00 and +14:00: write how many hours the clock of "
            "that place and day is ahead of UTC, or behind it.",
        )
    if stated == "-00:00":
        raise _refused(text, "has the offset -00:00, which means that the offset is unknown")
    return timezone(offset)


_EVERYDAY = re.compile(
    r"(?P<day>.+?)(?:,? +| *[Tt] *|, ?)(?:at +)?(?P<hour>\d{1,2})[:.h](?P<minute>\d{2})"
    r"(?:[:.](?P<second>\d{2}))? ?(?P<half>[AaPp]\.?[Mm]\.?)?(?: ?(?:Uhr|h|hrs))?"
    r" ?(?P<zone>[Zz]|[+-]\d{2}:?\d{2})?",
    re.ASCII,
)


def _corrected(text: str) -> str:
    """Say how a moment in an everyday form is written; empty if none can be made out."""
    match = _EVERYDAY.fullmatch(text)
    time, zone = "T14:00", "+02:00"
    if match is not None:
        hour = int(match["hour"])
        if match["half"]:
            hour = hour % 12 + (12 if match["half"][0] in "Pp" else 0)
        time = f"T{hour:02d}:{match['minute']}" + (f":{match['second']}" if match["second"] else "")
        if match["zone"]:
            zone = match["zone"].upper()
            zone = zone if len(zone) in (1, 6) else f"{zone[:3]}:{zone[3:]}"
    moments = [f"{day}{time}{zone}" for day in everyday_days(match["day"] if match else text)]
    if not moments:
        return ""
    said = moments[0]
    if len(moments) == 2:
        said = f"{moments[0]} if the day stands first, or {moments[1]} if the month does"
    if match is None:
        return f"Write the time and the offset from UTC too: {said}."
    return (
        f"Write {said}."
        if match["zone"]
        else (f"Write {said}; instead of {zone} the offset from UTC of that place and day.")
    )


def _refused(text: str, why: str, remedy: str = "") -> InputError:
    return InputError(f"`{text}` {why}", accepted=_ACCEPTED, remedy=remedy)
