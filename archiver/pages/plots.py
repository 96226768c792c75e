"""Drawings of measured courses: paths and ticks in a field of 1000 by 240.

Only the lines are drawn; labels stay text, so that they can be read at any width. Long
courses are thinned to what a page can show, extremes kept.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from archiver.pages.content import Band, Curve, Tick
from archiver.pages.figures import MINUS

__all__ = ["HEIGHT", "WIDTH", "Axis", "area", "level_line", "line", "logarithmic", "ticks_of"]

WIDTH = 1000
HEIGHT = 240
_MOST_POINTS = 300
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)


class Axis:
    """A linear axis from ``low`` to ``high``.

    Parameters
    ----------
    low, high : float
        Ends; a little is added where they are the same.
    """

    def __init__(self, low: float, high: float) -> None:
        if high - low < 1e-12:
            low, high = low - 0.5, high + 0.5
        self.low, self.high = low, high

    def share(self, value: float) -> float:
        """Place of a value, 0 at the lower end and 1 at the upper one, held to both."""
        return min(1.0, max(0.0, (value - self.low) / (self.high - self.low)))

    def ticks(self, wanted: int, *, from_above: bool = False) -> tuple[Tick, ...]:
        """Choose round values on the axis, at most ``wanted`` and one more."""
        return ticks_of(self, _round_values(self.low, self.high, wanted), from_above=from_above)


def ticks_of(axis: Axis, values: Sequence[float], *, from_above: bool = False) -> tuple[Tick, ...]:
    """Label values on an axis."""
    step = min((abs(b - a) for a, b in itertools.pairwise(values)), default=1.0)
    places = max(0, -math.floor(math.log10(step) + 1e-9)) if step < 1 else 0
    if step * 10**places % 1 > 1e-6:
        places += 1
    return tuple(
        Tick(
            at=round(100 * (1 - axis.share(value) if from_above else axis.share(value)), 2),
            label=f"{value:.{places}f}".replace("-", MINUS),
        )
        for value in values
    )


def _round_values(low: float, high: float, wanted: int) -> list[float]:
    rough = (high - low) / max(1, wanted)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * one for one in _STEPS if power * one >= rough * 0.999)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [number * step + 0.0 for number in range(first, last + 1)]


def logarithmic(low: float, high: float, values: Sequence[float]) -> tuple[Axis, list[float]]:
    """Return an axis of logarithms and the logarithms of the values."""
    return Axis(math.log10(low), math.log10(high)), [math.log10(value) for value in values]


def line(
    x: Axis, y: Axis, xs: Sequence[float], ys: Sequence[float | None], *, style: str, name: str
) -> Curve:
    """Draw a line through points; it is broken where a value is None."""
    path: list[str] = []
    drawing = False
    for at, value in _thinned(xs, ys):
        if value is None:
            drawing = False
            continue
        path.append(f"{'L' if drawing else 'M'}{_point(x, y, at, value)}")
        drawing = True
    return Curve(path="".join(path), style=style, name=name)


def level_line(y: Axis, value: float, *, style: str, name: str) -> Curve:
    """Draw one value over the whole width."""
    height = (1 - y.share(value)) * HEIGHT
    return Curve(path=f"M0 {height:.1f}H{WIDTH}", style=style, name=name)


def area(
    x: Axis,
    y: Axis,
    xs: Sequence[float],
    lows: Sequence[float | None],
    highs: Sequence[float | None],
    *,
    style: str,
    name: str,
) -> Band:
    """Fill between two lines; where a value is None nothing is filled."""
    path: list[str] = []
    run: list[tuple[float, float, float]] = []
    low, high = _thinned(xs, lows), _thinned(xs, highs)
    for (at, bottom), (_, top) in zip(low, high, strict=True):
        if bottom is None or top is None:
            path.append(_filled(x, y, run))
            run = []
        else:
            run.append((at, bottom, top))
    path.append(_filled(x, y, run))
    return Band(path="".join(path), style=style, name=name)


def _filled(x: Axis, y: Axis, run: Sequence[tuple[float, float, float]]) -> str:
    if len(run) < 2:
        return ""
    there = "L".join(_point(x, y, at, top) for at, _, top in run)
    back = "L".join(_point(x, y, at, bottom) for at, bottom, _ in reversed(run))
    return f"M{there}L{back}Z"


def _point(x: Axis, y: Axis, at: float, value: float) -> str:
    return f"{x.share(at) * WIDTH:.0f} {(1 - y.share(value)) * HEIGHT:.1f}"


def _thinned(xs: Sequence[float], ys: Sequence[float | None]) -> list[tuple[float, float | None]]:
    """Keep at most 300 points: of each run of points the one furthest from the last kept."""
    run = -(-len(xs) // _MOST_POINTS)
    points = list(zip(xs, ys, strict=True))
    if run < 2:
        return points
    kept: list[tuple[float, float | None]] = []
    last = 0.0
    for start in range(0, len(points), run):
        held = points[start : start + run]
        told = [(at, value) for at, value in held if value is not None]
        if len(told) < len(held) / 2:
            kept.append((held[0][0], None))
            continue
        at, value = max(told, key=lambda point: abs(point[1] - last))
        kept.append((at, value))
        last = value
    return kept
