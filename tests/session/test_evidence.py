"""Reasoning from evidence, judged by enumeration of every day and every set of pieces."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from archiver.session.day import Day
from archiver.session.day_set import ALL_DAYS, DaySet, Span, days_of
from archiver.session.edtf import parse_edtf
from archiver.session.evidence import MOST_PIECES, limits_of, smallest_conflicts
from tests.session import brute_force

# The judge knows only these days; pieces end within them or are open.
YEARS = st.integers(1900, 1903)


@st.composite
def spans(draw: st.DrawFn) -> tuple[date, date]:
    """A span of days, often with an end that another piece has too."""
    start = date(draw(YEARS), draw(st.sampled_from([1, 2, 12])), draw(st.sampled_from([1, 28])))
    end = date(draw(YEARS), draw(st.sampled_from([1, 2, 12])), draw(st.sampled_from([1, 28])))
    if draw(st.integers(0, 3)) == 0:
        start = brute_force.FIRST
    if draw(st.integers(0, 3)) == 0:
        end = brute_force.LAST
    return min(start, end), max(start, end)


Piece = list[tuple[date, date]]
PIECES = st.lists(st.lists(spans(), min_size=1, max_size=3), min_size=1, max_size=4)


def as_set(piece: Piece) -> DaySet:
    return DaySet.of(
        Span(
            -math.inf if start == brute_force.FIRST else start.toordinal(),
            math.inf if end == brute_force.LAST else end.toordinal(),
        )
        for start, end in piece
    )


def as_days(piece: Piece) -> brute_force.Days:
    """Ask every day, one by one."""
    return frozenset(
        day for day in brute_force.DAYS if any(start <= day <= end for start, end in piece)
    )


def listed(days: DaySet) -> list[date]:
    return [day for day in brute_force.DAYS if day.toordinal() in days]


def ordered(sets: Sequence[tuple[int, ...]]) -> list[tuple[int, ...]]:
    return sorted(sets, key=lambda each: (len(each), each))


A, B, C = (date(1900, 1, 1), date(1900, 12, 28)), (date(1901, 1, 1), date(1901, 12, 28)), (
    date(1902, 1, 1), date(1902, 12, 28),
)  # fmt: skip


@given(PIECES)
@example([[A, B], [B, C], [C, A]])  # any two agree, the three do not
@example([[A], [B], [C]])
@example([[A], [A], [B]])
def test_limits_are_those_of_enumeration(pieces: list[Piece]) -> None:
    found = limits_of([as_set(piece) for piece in pieces])
    tests = [as_days(piece) for piece in pieces]
    assert listed(found.allowed) == brute_force.days_allowed(tests)
    if found.allowed:
        assert list(found.binding_first.sets) == ordered(brute_force.smallest_holding_first(tests))
        assert list(found.binding_last.sets) == ordered(brute_force.smallest_holding_last(tests))
        assert found.conflicts.sets == found.ways_out.sets == ()
    else:
        assert list(found.conflicts.sets) == ordered(brute_force.smallest_conflicts(tests))
        assert list(found.ways_out.sets) == ordered(brute_force.smallest_ways_out(tests))
        assert found.conflicts.complete
        assert found.ways_out.complete


@given(st.lists(spans(), min_size=2, max_size=12))
def test_spans_without_gaps_conflict_in_pairs_only(pieces: list[tuple[date, date]]) -> None:
    """Helly's theorem for the line (E. Helly, 1923): pairwise agreement is agreement."""
    found = smallest_conflicts([as_set([piece]) for piece in pieces])
    assert {len(each) for each in found.sets} <= {2}


@given(PIECES)
def test_a_set_and_its_edtf_allow_the_same_days(pieces: list[Piece]) -> None:
    for piece in pieces:
        days = as_set(piece)
        written = days.as_edtf()
        if written is None:
            assert days == ALL_DAYS
        else:
            assert days_of(written) == days


@pytest.mark.parametrize(
    ("first", "last", "expected"),
    [
        ((1907, 1, 1), (1907, 12, 31), "1907"),
        ((1907, 1, 1), (1910, 12, 31), "[1907..1910]"),
        ((1908, 2, 1), (1908, 2, 29), "1908-02"),
        ((1907, 4, 21), (1907, 4, 21), "1907-04-21"),
        ((1907, 4, 1), (1910, 12, 31), "[1907-04..1910]"),
        ((1907, 4, 2), (1910, 6, 29), "[1907-04-02..1910-06-29]"),
        ((0, 1, 1), (0, 12, 31), "0000"),
        ((-9, 1, 1), (999, 12, 31), "[-0009..0999]"),
        (None, (1910, 12, 31), "[..1910]"),
        ((1907, 1, 1), None, "[1907..]"),
    ],
)
def test_a_set_is_written_in_the_coarsest_exact_form(
    first: tuple[int, int, int] | None, last: tuple[int, int, int] | None, expected: str
) -> None:
    days = DaySet.of(
        [
            Span(
                -math.inf if first is None else Day(*first).ordinal,
                math.inf if last is None else Day(*last).ordinal,
            )
        ]
    )
    written = days.as_edtf()
    assert written is not None
    assert written.text == expected
    assert days_of(written) == days


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # ISO 8601-2:2019, EDTF levels 0 to 2; the first set has a gap in 1909.
        ("[1907,1908,1910]", "[1907..1908,1910]"),
        ("[..1910]", "[..1910]"),
        ("1907/..", "[1907..]"),
        ("1907/", "[1907..]"),
        ("../1910", "[..1910]"),
        ("190X", "[1900..1909]"),
        ("1907?", "1907"),
    ],
)
def test_days_of_a_date(text: str, expected: str) -> None:
    written = days_of(parse_edtf(text)).as_edtf()
    assert written is not None
    assert written.text == expected


def test_an_all_of_set_is_no_date_of_one_event() -> None:
    with pytest.raises(ValueError, match="all its dates hold"):
        days_of(parse_edtf("{1907,1908}"))


def test_widening_moves_leap_days_to_the_end_of_february() -> None:
    widened = days_of(parse_edtf("1908-02-29")).widened(1).as_edtf()
    assert widened is not None
    assert widened.text == "[1907-02-28..1909-02]"


def test_many_pieces_still_give_one_smallest_conflict() -> None:
    early = Span(Day(1900, 1, 1).ordinal, Day(1900, 12, 31).ordinal)
    late = Span(Day(1902, 1, 1).ordinal, Day(1902, 12, 31).ordinal)
    pieces = [DaySet.of([early, Span(late.first, late.last + n)]) for n in range(MOST_PIECES + 50)]
    pieces += [DaySet.of([early]), DaySet.of([late])]
    found = limits_of(pieces)
    assert not found.allowed
    assert found.conflicts.sets == ((MOST_PIECES + 50, MOST_PIECES + 51),)
    assert not found.conflicts.complete


def test_gaps_that_make_very_many_conflicts_are_cut_and_said_to_be() -> None:
    """Pieces in groups of which one each must be left out: 4 ** 7 smallest conflicts."""
    groups, size = 7, 4
    everything = [Span(2 * n, 2 * n) for n in range(groups)]
    pieces = [
        DaySet.of(span for n, span in enumerate(everything) if n != group)
        for group in range(groups)
        for _ in range(size)
    ]
    found = limits_of(pieces)
    assert not found.conflicts.complete
    assert found.conflicts.sets
    for conflict in found.conflicts.sets:
        assert {n // size for n in conflict} == set(range(groups))
