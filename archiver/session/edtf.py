"""Dates in the Extended Date/Time Format, levels 0 to 2, with strict bounds.

ISO 8601-2:2019, clauses on EDTF, after the text of the Library of Congress of
4 February 2019. Bounds are strict: a qualifier does not widen them. A season
without fixed months (21 to 32) is bounded by its year, since the standard gives
no months for it; quarters, quadrimesters and semesters (33 to 41) have theirs.

Stricter than some readers: 1907-02-29, reversed intervals, sets of one member and
intervals without any date are refused, each with the form that was probably meant.
"""

from __future__ import annotations

import enum
import functools
import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass

from archiver.errors import InputError
from archiver.session.day import Day, days_in_month
from archiver.session.edtf_hints import ACCEPTED, hint

__all__ = ["Bound", "BoundKind", "EdtfDate", "EdtfForm", "EdtfPart", "parse_edtf"]


class BoundKind(enum.StrEnum):
    """Whether an end of a date is a day, has no limit, or is not known."""

    KNOWN = "known"
    OPEN = "open"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """One end; ``day`` is set if and only if the kind is known."""

    kind: BoundKind
    day: Day | None = None

    def __post_init__(self) -> None:
        """Refuse a known bound without a day, and a day on another."""
        if (self.kind is BoundKind.KNOWN) is (self.day is None):
            raise ValueError(f"a bound that is {self.kind} with the day {self.day}")

    def __str__(self) -> str:
        """Write the day, or the kind where there is none."""
        return str(self.day) if self.day is not None else str(self.kind)


_OPEN = Bound(kind=BoundKind.OPEN)
_UNKNOWN = Bound(kind=BoundKind.UNKNOWN)


class EdtfForm(enum.StrEnum):
    """What kind of expression a date is."""

    DATE = "date"
    DATE_TIME = "date and time"
    SEASON = "season"
    INTERVAL = "interval"
    ONE_OF = "one of a set"
    ALL_OF = "all of a set"


@dataclass(frozen=True, slots=True, kw_only=True)
class EdtfPart:
    """One date of an expression: the date itself, an end of an interval, a member of a set."""

    text: str
    earliest: Bound
    latest: Bound
    uncertain: bool = False
    approximate: bool = False
    unspecified: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class EdtfDate:
    """A date expression and the days it allows.

    Parameters
    ----------
    text : str
        As stated.
    form : EdtfForm
        Date, season, interval or set.
    level : int
        0, 1 or 2: the lowest level of the standard that has this expression.
    parts : tuple of EdtfPart
        One for a date; start and end for an interval; the members for a set. A
        range within a set is one member with its own two bounds.
    earliest, latest : Bound
        Strict bounds of the whole.
    uncertain, approximate : bool
        A qualifier stands on any part of it (``?``, ``~``; ``%`` is both).
    unspecified : bool
        A digit is left unspecified (``X``).
    """

    text: str
    form: EdtfForm
    level: int
    parts: tuple[EdtfPart, ...]
    earliest: Bound
    latest: Bound
    uncertain: bool = False
    approximate: bool = False
    unspecified: bool = False

    @property
    def told(self) -> str:
        """The text with its preposition: on a day, in a month or a year."""
        return f"{'on' if _DAY.fullmatch(self.text) else 'in'} {self.text}"


_DAY = re.compile(r"-?\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Simple:
    part: EdtfPart
    level: int
    form: EdtfForm


_Q = "[?~%]"
_DATE = re.compile(
    rf"(?P<yl>{_Q})?(?P<year>-?[0-9X]{{4}})(?:S(?P<digits>\d{{1,9}}))?(?P<yr>{_Q})?"
    rf"(?:-(?P<ml>{_Q})?(?P<month>[0-9X]{{2}})(?P<mr>{_Q})?"
    rf"(?:-(?P<dl>{_Q})?(?P<day>[0-9X]{{2}})(?P<dr>{_Q})?)?)?",
    re.ASCII,
)
_LONG_YEAR = re.compile(
    r"Y(?P<year>-?[1-9]\d{0,17})(?:E(?P<power>\d{1,3}))?(?:S(?P<digits>\d{1,9}))?", re.ASCII
)
_DATE_TIME = re.compile(
    r"(?P<date>\d{4}-\d{2}-\d{2})T(?P<h>\d{2}):(?P<m>\d{2}):(?P<s>\d{2})"
    r"(?P<zone>Z|[+-](?P<zh>\d{2})(?::(?P<zm>\d{2}))?)?",
    re.ASCII,
)
_LEVEL_1_UNSPECIFIED = re.compile(r"-?(?:\d{4}-\d{2}-XX|\d{4}-XX(?:-XX)?|\d{3}X|\d{2}XX)", re.ASCII)
# ISO 8601-2:2019, 4.8 (clause number from memory): first and last month.
_MONTHS_OF_SEASON = {
    33: (1, 3), 34: (4, 6), 35: (7, 9), 36: (10, 12),
    37: (1, 4), 38: (5, 8), 39: (9, 12),
    40: (1, 6), 41: (7, 12),
}  # fmt: skip
_LONGEST = 2000

_EARLIER_FIRST = "Write the earlier date first."
_REAL_TIME = "Correct the time, or leave it out; the day is enough."
_LEAVE_OUT = "Where no date is known, leave the field out."


@functools.lru_cache(maxsize=8192)
def parse_edtf(text: str) -> EdtfDate:
    """Read a date expression.

    Parameters
    ----------
    text : str
        Such as ``1907``, ``1907-04~``, ``[1907..1910]``, ``../1910``, ``Y-17E7``.

    Returns
    -------
    EdtfDate
        With strict bounds in the proleptic Gregorian calendar.

    Raises
    ------
    InputError
        ``found`` says why it is no date, ``remedy`` which form was probably meant.
    """
    if len(text) > _LONGEST:
        raise InputError("is too long for a date", accepted=ACCEPTED)
    try:
        return _expression(text)
    except _NotADateError as error:
        raise InputError(
            f"`{text}` is not a date: {error.why}",
            accepted=ACCEPTED,
            remedy=error.remedy or hint(text),
        ) from error


class _NotADateError(Exception):
    def __init__(self, why: str, remedy: str = "") -> None:
        super().__init__(why)
        self.why = why
        self.remedy = remedy


def _expression(text: str) -> EdtfDate:
    if text[:1] in "[{" and text[-1:] in "]}" and len(text) > 1:
        return _set(text)
    if "/" in text:
        return _interval(text)
    found = _date_time(text) or _simple(text)
    part = found.part
    return EdtfDate(
        text=text,
        form=found.form,
        level=found.level,
        parts=(part,),
        earliest=part.earliest,
        latest=part.latest,
        uncertain=part.uncertain,
        approximate=part.approximate,
        unspecified=part.unspecified,
    )


def _date_time(text: str) -> _Simple | None:
    match = _DATE_TIME.fullmatch(text)
    if match is None:
        return None
    found = _simple(match["date"])
    if int(match["h"]) > 23 or int(match["m"]) > 59 or int(match["s"]) > 59:
        raise _NotADateError("the time of day does not exist", _REAL_TIME)
    if match["zh"] is not None and (int(match["zh"]) > 23 or int(match["zm"] or 0) > 59):
        raise _NotADateError("the offset from UTC does not exist", _REAL_TIME)
    part = EdtfPart(text=text, earliest=found.part.earliest, latest=found.part.latest)
    return _Simple(part=part, level=0, form=EdtfForm.DATE_TIME)


def _interval(text: str) -> EdtfDate:
    if text.count("/") > 1:
        raise _NotADateError("it holds more than one /")
    ends: list[EdtfPart] = []
    levels = [0]
    for side in text.split("/"):
        if side in ("", ".."):
            bound = _OPEN if side else _UNKNOWN
            ends.append(EdtfPart(text=side, earliest=bound, latest=bound))
            levels.append(1)
        else:
            simple = _simple(side)
            ends.append(simple.part)
            levels.append(simple.level)
    start, end = ends
    earliest, latest = start.earliest, end.latest
    if earliest.day is None and latest.day is None:
        raise _NotADateError("neither end of the interval is a date", _LEAVE_OUT)
    if earliest.day is not None and latest.day is not None and latest.day < earliest.day:
        raise _NotADateError("the interval ends before it begins", _EARLIER_FIRST)
    return _joined(text, EdtfForm.INTERVAL, max(levels), ends, (earliest, latest))


def _set(text: str) -> EdtfDate:
    form = {"[]": EdtfForm.ONE_OF, "{}": EdtfForm.ALL_OF}.get(text[0] + text[-1])
    if form is None:
        raise _NotADateError("the brackets do not match")
    members = text[1:-1].split(",")
    parts = [
        _member(member, first=index == 0, last=index == len(members) - 1)
        for index, member in enumerate(members)
    ]
    if len(parts) == 1 and ".." not in text:
        raise _NotADateError("a set of one date is that date")
    # A member without a first day stands first, one without a last day stands last.
    lows = [part.earliest.day for part in parts]
    highs = [part.latest.day for part in parts]
    earliest = _known(min(day for day in lows if day)) if all(lows) else _OPEN
    latest = _known(max(day for day in highs if day)) if all(highs) else _OPEN
    return _joined(text, form, 2, parts, (earliest, latest))


def _member(text: str, *, first: bool, last: bool) -> EdtfPart:
    low, dots, high = text.partition("..")
    if not dots:
        return _simple(low).part
    if not low and not high:
        raise _NotADateError("`..` stands without a date", _LEAVE_OUT)
    if (not low and not first) or (not high and not last):
        raise _NotADateError("`..` without a limit stands only at the ends of a set")
    lower = _simple(low).part if low else None
    upper = _simple(high).part if high else None
    both = [part for part in (lower, upper) if part]
    earliest = lower.earliest if lower else _OPEN
    latest = upper.latest if upper else _OPEN
    if earliest.day is not None and latest.day is not None and latest.day < earliest.day:
        raise _NotADateError("a range in the set ends before it begins", _EARLIER_FIRST)
    return EdtfPart(
        text=text,
        earliest=earliest,
        latest=latest,
        uncertain=any(part.uncertain for part in both),
        approximate=any(part.approximate for part in both),
        unspecified=any(part.unspecified for part in both),
    )


def _joined(
    text: str, form: EdtfForm, level: int, parts: list[EdtfPart], bounds: tuple[Bound, Bound]
) -> EdtfDate:
    return EdtfDate(
        text=text,
        form=form,
        level=level,
        parts=tuple(parts),
        earliest=bounds[0],
        latest=bounds[1],
        uncertain=any(part.uncertain for part in parts),
        approximate=any(part.approximate for part in parts),
        unspecified=any(part.unspecified for part in parts),
    )


def _known(day: Day) -> Bound:
    return Bound(kind=BoundKind.KNOWN, day=day)


def _simple(text: str) -> _Simple:
    """Read one date without time, interval or set."""
    if text.startswith("Y"):
        return _long_year(text)
    match = _DATE.fullmatch(text)
    if match is None:
        raise _NotADateError("the form is not one of EDTF")
    year, month, day = match["year"], match["month"], match["day"]
    if year == "-0000":
        raise _NotADateError("the year 0 has no sign")
    for left, right in (("yl", "yr"), ("ml", "mr"), ("dl", "dr")):
        if match[left] and match[right]:
            raise _NotADateError("one component is qualified on both sides")
    is_season = month is not None and "X" not in month and 21 <= int(month) <= 41
    if match["digits"] is not None:
        earliest, latest = _significant(match)
    elif is_season:
        if day is not None:
            raise _NotADateError(f"{month} is a season, which has no days")
        earliest, latest = _season(year, int(month))
    else:
        earliest, latest = _masked(year, month, day)
    marks = "".join(match[name] or "" for name in ("yl", "yr", "ml", "mr", "dl", "dr"))
    part = EdtfPart(
        text=text,
        earliest=_known(earliest),
        latest=_known(latest),
        uncertain="?" in marks or "%" in marks,
        approximate="~" in marks or "%" in marks,
        unspecified="X" in text,
    )
    return _Simple(
        part=part,
        level=_level(match, text, season=int(month) if is_season else None),
        form=EdtfForm.SEASON if is_season else EdtfForm.DATE,
    )


def _level(match: re.Match[str], text: str, *, season: int | None) -> int:
    whole_only = not any(match[name] for name in ("yl", "ml", "dl"))
    last = "dr" if match["day"] else "mr" if match["month"] else "yr"
    inner = [name for name in ("yr", "mr", "dr") if name != last and match[name]]
    if not whole_only or inner or match["digits"] or (season is not None and season > 24):
        return 2
    bare = text[:-1] if match[last] else text
    if "X" in bare:
        return 1 if _LEVEL_1_UNSPECIFIED.fullmatch(bare) else 2
    return 1 if bare != text or season is not None or text.startswith("-") else 0


def _long_year(text: str) -> _Simple:
    match = _LONG_YEAR.fullmatch(text)
    if match is None:
        raise _NotADateError("after Y stands a year without leading zeros, nothing else")
    power = int(match["power"] or 0)
    year = int(match["year"]) * 10**power
    if abs(year) <= 9999:
        raise _NotADateError("Y is for years of more than four digits")
    low, high = year, year
    if match["digits"] is not None:
        low, high = _rounded(year, int(match["digits"]))
    part = EdtfPart(text=text, earliest=_known(Day(low, 1, 1)), latest=_known(Day(high, 12, 31)))
    level = 2 if match["power"] or match["digits"] else 1
    return _Simple(part=part, level=level, form=EdtfForm.DATE)


def _rounded(year: int, digits: int) -> tuple[int, int]:
    """Return the years that share their first ``digits`` digits with a year."""
    written = str(abs(year)).rjust(4, "0")
    if not 1 <= digits <= len(written):
        raise _NotADateError(f"a year of {len(written)} digits has no {digits} significant ones")
    step = 10 ** (len(written) - digits)
    low = abs(year) // step * step
    high = low + step - 1
    return (-high, -low) if year < 0 else (low, high)


def _significant(match: re.Match[str]) -> tuple[Day, Day]:
    if match["month"] is not None or "X" in match["year"]:
        raise _NotADateError("S stands after a year without month and without X")
    low, high = _rounded(int(match["year"]), int(match["digits"]))
    return Day(low, 1, 1), Day(high, 12, 31)


def _season(year: str, season: int) -> tuple[Day, Day]:
    years = list(_matching(year))
    first, last = _MONTHS_OF_SEASON.get(season, (1, 12))
    return Day(years[0], first, 1), Day(years[-1], last, days_in_month(years[-1], last))


def _matching(mask: str) -> Iterator[int]:
    """Yield the years that a mask such as ``19X7`` allows, in order."""
    sign, digits = (-1, mask[1:]) if mask.startswith("-") else (1, mask)
    choices = [
        ("0123456789" if sign > 0 else "9876543210") if digit == "X" else digit for digit in digits
    ]
    for chosen in itertools.product(*choices):
        year = int("".join(chosen))
        if sign > 0 or year:
            yield sign * year


def _numbers(mask: str | None, most: int) -> list[int]:
    if mask is None:
        return list(range(1, most + 1))
    pattern = re.compile(mask.replace("X", r"\d"))
    return [number for number in range(1, most + 1) if pattern.fullmatch(f"{number:02d}")]


def _masked(year: str, month: str | None, day: str | None) -> tuple[Day, Day]:
    """Return the first and the last day that the masks allow."""
    months, days = _numbers(month, 12), _numbers(day, 31)
    if not months:
        raise _NotADateError(f"there is no month {month}", _leave_out_part(year))
    if not days:
        raise _NotADateError(f"there is no day {day}", _leave_out_part(f"{year}-{month}"))
    first = _first_day(_matching(year), months, days)
    if first is None:
        raise _NotADateError(_why_no_day(year, month, day), _leave_out_part(f"{year}-{month}"))
    years = list(_matching(year))
    last = _first_day(reversed(years), months[::-1], days[::-1])
    return first, last if last is not None else first


def _leave_out_part(known: str) -> str:
    return f"Correct it, or write {known} if no more is known."


def _first_day(years: Iterator[int], months: list[int], days: list[int]) -> Day | None:
    for year in years:
        for month in months:
            for day in days:
                if day <= days_in_month(year, month):
                    return Day(year, month, day)
    return None


def _why_no_day(year: str, month: str | None, day: str | None) -> str:
    if month == "02" and day == "29":
        return f"{year} was no leap year, so February had 28 days"
    return f"month {month} has no day {day}"
