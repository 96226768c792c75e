"""Days of the proleptic Gregorian calendar in any year, before year 1 too.

Years are numbered astronomically as in ISO 8601: year 0 is 1 BC. The standard
library's dates end at year 1, which a museum's dates do not.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Day", "days_in_month", "is_leap_year"]

_LENGTHS = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


def is_leap_year(year: int) -> bool:
    """Say whether a year has 366 days (ISO 8601-1:2019, 3.1.1.21, from memory)."""
    return year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)


def days_in_month(year: int, month: int) -> int:
    """Return the length of a month, 1 to 12, in days."""
    return 29 if month == 2 and is_leap_year(year) else _LENGTHS[month - 1]


@dataclass(frozen=True, slots=True, order=True)
class Day:
    """One day.

    Raises
    ------
    ValueError
        There is no such day.
    """

    year: int
    month: int
    day: int

    def __post_init__(self) -> None:
        """Refuse a day that no calendar has."""
        if not 1 <= self.month <= 12:
            raise ValueError(f"there is no month {self.month}")
        if not 1 <= self.day <= days_in_month(self.year, self.month):
            raise ValueError(f"month {self.month} of the year {self.year} has no day {self.day}")

    @property
    def ordinal(self) -> int:
        """Days since 0000-12-31; 1 for 0001-01-01, as :meth:`datetime.date.toordinal`."""
        before = self.year - 1
        days = 365 * before + before // 4 - before // 100 + before // 400
        days += sum(_LENGTHS[: self.month - 1])
        if self.month > 2 and is_leap_year(self.year):
            days += 1
        return days + self.day

    @classmethod
    def from_ordinal(cls, ordinal: int) -> Day:
        """Return the day of an :attr:`ordinal`."""
        # 400 years have 146,097 days; the estimate is never late, at most one year early.
        year = (ordinal - 1) * 400 // 146_097 + 1
        while cls(year, 12, 31).ordinal < ordinal:
            year += 1
        while cls(year, 1, 1).ordinal > ordinal:
            year -= 1
        rest = ordinal - cls(year, 1, 1).ordinal
        month = 1
        while rest >= days_in_month(year, month):
            rest -= days_in_month(year, month)
            month += 1
        return cls(year, month, rest + 1)

    def __str__(self) -> str:
        """Write as in ISO 8601, with the letter Y before a year of more than four digits."""
        sign = "-" if self.year < 0 else ""
        long = "Y" if abs(self.year) > 9999 else ""
        return f"{long}{sign}{abs(self.year):04d}-{self.month:02d}-{self.day:02d}"
