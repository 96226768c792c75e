"""Drawings: round ticks, points inside the field, extremes kept."""

from __future__ import annotations

import itertools
import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from archiver.pages.plots import HEIGHT, WIDTH, Axis, area, level_line, line

FINITE = st.floats(-1e6, 1e6).map(lambda value: round(value, 3))


def points(path: str) -> list[tuple[float, float]]:
    return [(float(x), float(y)) for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", path)]


@pytest.mark.parametrize(
    ("low", "high", "labels"),
    [
        (0.0, 10.0, ["0", "2", "4", "6", "8", "10"]),
        (0.0, 13.4, ["0.0", "2.5", "5.0", "7.5", "10.0", "12.5"]),
        (-70.0, -10.0, ["\N{MINUS SIGN}60", "\N{MINUS SIGN}40", "\N{MINUS SIGN}20"]),
        (98.6, 100.1, ["98.75", "99.00", "99.25", "99.50", "99.75", "100.00"]),
    ],
)
def test_ticks_are_round(low: float, high: float, labels: list[str]) -> None:
    wanted = 4 if low < 0 else 6
    found = [tick.label for tick in Axis(low, high).ticks(wanted)]
    assert found == labels


@given(low=FINITE, span=st.floats(1e-3, 1e6), wanted=st.integers(2, 8))
@example(low=0.0, span=1.0, wanted=2)
def test_ticks_lie_on_the_axis_in_order(low: float, span: float, wanted: int) -> None:
    places = [tick.at for tick in Axis(low, low + span).ticks(wanted)]
    assert places == sorted(places)
    assert all(0 <= place <= 100 for place in places)
    assert len(places) <= wanted + 1


@given(values=st.lists(st.one_of(st.none(), FINITE), min_size=2, max_size=2000))
def test_a_line_stays_in_the_field_and_keeps_to_300_points(values: list[float | None]) -> None:
    known = [value for value in values if value is not None] or [0.0]
    x, y = Axis(0.0, len(values)), Axis(min(known), max(known))
    drawn = points(line(x, y, range(len(values)), values, style="s", name="n").path)
    assert len(drawn) <= 300
    assert all(0 <= at <= WIDTH and 0 <= height <= HEIGHT for at, height in drawn)
    assert all(a[0] <= b[0] for a, b in itertools.pairwise(drawn))


@given(peak=st.integers(0, 4999))
def test_a_lone_peak_survives_the_thinning(peak: int) -> None:
    values = [1.0 if at == peak else 0.0 for at in range(5000)]
    drawn = points(line(Axis(0, 5000), Axis(0, 1), range(5000), values, style="s", name="").path)
    assert min(height for _, height in drawn) == 0.0


def test_a_line_is_broken_where_nothing_is_known() -> None:
    path = line(
        Axis(0, 3), Axis(0, 1), [0, 1, 2, 3], [0.0, 1.0, None, 1.0], style="s", name=""
    ).path
    assert path == "M0 240.0L333 0.0M1000 0.0"


def test_an_area_closes_over_what_is_known() -> None:
    band = area(Axis(0, 1), Axis(0, 1), [0, 1], [0.0, 0.0], [1.0, 0.5], style="s", name="")
    assert band.path == "M0 0.0L1000 120.0L1000 240.0L0 240.0Z"


def test_a_level_is_held_to_the_field() -> None:
    assert level_line(Axis(0, 1), 7.0, style="s", name="").path == "M0 0.0H1000"


def test_an_axis_of_one_value_has_room_around_it() -> None:
    axis = Axis(5.0, 5.0)
    assert (axis.low, axis.high) == (4.5, 5.5)
