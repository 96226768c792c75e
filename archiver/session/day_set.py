"""Sets of days: what a piece of evidence allows, with gaps and without ends.

A set is a union of spans on the line of days, so that intersections are exact and
cheap however long the spans are. Days are counted as in :attr:`Day.ordinal`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from archiver.session.day import Day, days_in_month
from archiver.session.edtf import EdtfDate, EdtfForm, parse_edtf

__all__ = ["ALL_DAYS", "DaySet", "Span", "days_of"]


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """Days from ``first`` to ``last``, both included; infinite where there is no end."""

    first: float
    last: float

    def __post_init__(self) -> None:
        """Refuse a span that ends before it begins."""
        if self.last < self.first:
            raise ValueError(f"a span from {self.first} to {self.last}")


@dataclass(frozen=True, slots=True)
class DaySet:
    """Spans in order, with at least one day between any two."""

    spans: tuple[Span, ...]

    @classmethod
    def of(cls, spans: Iterable[Span]) -> DaySet:
        """Join spans that overlap or touch."""
        joined: list[Span] = []
        for span in sorted(spans):
            if joined and span.first <= joined[-1].last + 1:
                joined[-1] = Span(joined[-1].first, max(joined[-1].last, span.last))
            else:
                joined.append(span)
        return cls(tuple(joined))

    def __bool__(self) -> bool:
        return bool(self.spans)

    def __contains__(self, ordinal: float) -> bool:
        return any(span.first <= ordinal <= span.last for span in self.spans)

    def __and__(self, other: DaySet) -> DaySet:
        common: list[Span] = []
        mine, theirs = list(self.spans), list(other.spans)
        i = j = 0
        while i < len(mine) and j < len(theirs):
            first = max(mine[i].first, theirs[j].first)
            last = min(mine[i].last, theirs[j].last)
            if first <= last:
                common.append(Span(first, last))
            if mine[i].last < theirs[j].last:
                i += 1
            else:
                j += 1
        return DaySet(tuple(common))

    @property
    def first(self) -> float:
        """The first day; minus infinity if there is none."""
        return self.spans[0].first

    @property
    def last(self) -> float:
        """The last day; infinity if there is none."""
        return self.spans[-1].last

    def widened(self, years: int) -> DaySet:
        """Move every end outwards by whole years; 29 February becomes the 28th if need be."""
        return DaySet.of(
            Span(_moved(span.first, -years), _moved(span.last, years)) for span in self.spans
        )

    def not_before(self) -> DaySet:
        """Drop the upper limit: from the first day on."""
        return DaySet((Span(self.first, math.inf),)) if self else self

    def as_edtf(self) -> EdtfDate | None:
        """Write the set as one date, a one-of set for more than one; None if nothing is known.

        A year of more than four digits is widened to the whole year, since EDTF gives
        such years no months.

        Source: ISO 8601-2:2019, EDTF level 2 (one-of sets).
        """
        if not self or self == ALL_DAYS:
            return None
        members: list[str] = []
        for span in self.spans:
            members += _members(span)
        text = members[0]
        if len(members) > 1 or ".." in text:
            text = f"[{','.join(members)}]"
        return parse_edtf(text)


ALL_DAYS = DaySet((Span(-math.inf, math.inf),))
"""What evidence allows that says nothing."""


def _moved(ordinal: float, years: int) -> float:
    if math.isinf(ordinal):
        return ordinal
    day = Day.from_ordinal(int(ordinal))
    year = day.year + years
    return Day(year, day.month, min(day.day, days_in_month(year, day.month))).ordinal


def _members(span: Span) -> list[str]:
    """Write one span in the coarsest form that is exact: a year, a month, a day, a range."""
    if math.isinf(span.first):
        return [f"..{_written(Day.from_ordinal(int(span.last)), end=True)}"]
    if math.isinf(span.last):
        return [f"{_written(Day.from_ordinal(int(span.first)), end=False)}.."]
    first, last = Day.from_ordinal(int(span.first)), Day.from_ordinal(int(span.last))
    low, high = _written(first, end=False), _written(last, end=True)
    if low == high:
        return [low]
    # A range whose ends are of unlike precision is legal but reads badly; days do not lie.
    month = low if _is_month(first, last) else ""
    return [month or f"{low}..{high}"]


def _is_month(first: Day, last: Day) -> bool:
    return (
        (first.year, first.month) == (last.year, last.month)
        and first.day == 1
        and last.day == days_in_month(last.year, last.month)
        and abs(first.year) <= 9999
    )


def _written(day: Day, *, end: bool) -> str:
    year = f"{'-' if day.year < 0 else ''}{abs(day.year):04d}"
    if abs(day.year) > 9999:
        return f"Y{day.year}"
    if (day.month, day.day) == ((12, 31) if end else (1, 1)):
        return year
    if day.day == (days_in_month(day.year, day.month) if end else 1):
        return f"{year}-{day.month:02d}"
    return f"{year}-{day.month:02d}-{day.day:02d}"


def days_of(date: EdtfDate) -> DaySet:
    """Return the days that a date allows, without regard to its qualifiers.

    The members of a one-of set are alternatives, and between them may be gaps. An
    interval allows the days within it; an end that is open or not known limits
    nothing. Digits left unspecified within a date (``19X7``) allow the days between
    the first and the last that fit, which is wider than need be, never narrower.

    Raises
    ------
    ValueError
        The date is an all-of set, which is no date of one event.
    """
    if date.form is EdtfForm.ALL_OF:
        raise ValueError(f"{date.text} says that all its dates hold")
    if date.form is EdtfForm.ONE_OF:
        parts = [(part.earliest.day, part.latest.day) for part in date.parts]
    else:
        parts = [(date.earliest.day, date.latest.day)]
    return DaySet.of(
        Span(
            -math.inf if first is None else first.ordinal,
            math.inf if last is None else last.ordinal,
        )
        for first, last in parts
    )
