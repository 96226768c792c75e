"""Days, judged by the standard library in the years that it has."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from archiver.session.day import Day, days_in_month, is_leap_year


@given(st.dates())
def test_ordinal_is_that_of_the_standard_library(date: dt.date) -> None:
    assert Day(date.year, date.month, date.day).ordinal == date.toordinal()


@given(st.integers(min_value=-10_000_000, max_value=10_000_000))
@example(0)
@example(-365)
@example(-366)
@example(1)
def test_from_ordinal_undoes_ordinal(ordinal: int) -> None:
    assert Day.from_ordinal(ordinal).ordinal == ordinal


def test_the_day_before_the_year_1_is_in_the_year_0() -> None:
    assert Day.from_ordinal(0) == Day(0, 12, 31)


def test_year_0_is_a_leap_year_and_1900_is_none() -> None:
    assert [is_leap_year(year) for year in (0, 4, -4, 1900, 2000, 1907, 1908)] == [
        True, True, True, False, True, False, True,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("year", "month", "day"),
    [(1907, 2, 29), (1907, 13, 1), (1907, 0, 1), (1907, 4, 31), (1907, 4, 0)],
)
def test_a_day_that_does_not_exist_cannot_be_built(year: int, month: int, day: int) -> None:
    with pytest.raises(ValueError, match="no"):
        Day(year, month, day)


def test_days_are_ordered_across_the_year_0() -> None:
    days = [Day(-2, 12, 31), Day(-1, 1, 1), Day(0, 2, 29), Day(1, 1, 1)]
    assert sorted(days, key=lambda day: day.ordinal) == sorted(days) == days


@pytest.mark.parametrize(
    ("day", "text"),
    [
        (Day(1907, 4, 1), "1907-04-01"),
        (Day(0, 1, 1), "0000-01-01"),
        (Day(-44, 3, 15), "-0044-03-15"),
        (Day(170_000_000, 1, 1), "Y170000000-01-01"),
        (Day(-17_000, 1, 1), "Y-17000-01-01"),
    ],
)
def test_a_day_is_written_as_in_iso_8601(day: Day, text: str) -> None:
    assert str(day) == text


def test_february_is_long_in_leap_years_only() -> None:
    assert (days_in_month(1904, 2), days_in_month(1905, 2)) == (29, 28)
