"""What each playing takes from a medium, and how many playings it has left.

A straight line is fitted through a figure of successive playings of one medium. With
three or more its limits come from the scatter about the line; with two, from the
uncertainties of the figures themselves.

Source: ordinary least squares with Student's t, any textbook of statistics.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from archiver.signal.estimate import COVERAGE, Estimate, cannot_tell, estimate

__all__ = ["Playing", "Wear", "wear"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Playing:
    """One figure of one playing.

    Parameters
    ----------
    playings_before : int
        How many times the medium had been played before.
    value : Estimate
        Such as the signal over the noise in dB, or the articulation-band index.
    """

    playings_before: int
    value: Estimate

    def __post_init__(self) -> None:
        """Check the count."""
        if self.playings_before < 0:
            raise ValueError(f"playings_before is {self.playings_before}; it is counted from 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """Loss per playing, and what is left.

    Parameters
    ----------
    per_playing : Estimate
        Change of the figure with each playing; below 0 it falls.
    threshold : float
        Under which a playing counts as lost.
    left : Estimate
        Playings from now until the figure reaches the threshold.
    left_low, left_high : float, optional
        95 % limits, which lie unevenly about it; None at the top when no end is in sight.
    playings : int
        How many playings the line was fitted through.
    """

    per_playing: Estimate
    threshold: float
    left: Estimate
    left_low: float | None
    left_high: float | None
    playings: int


def _refused(reason: str, unit: str, threshold: float, count: int) -> Wear:
    return Wear(
        per_playing=cannot_tell(reason, unit),
        threshold=threshold,
        left=cannot_tell(reason, "playings"),
        left_low=None,
        left_high=None,
        playings=count,
    )


def wear(playings: Sequence[Playing], threshold: float) -> Wear:
    """Fit the loss per playing.

    Parameters
    ----------
    playings : sequence of Playing
        Of one medium, by one set-up; in any order.
    threshold : float
        In the unit of the figure.
    """
    unit = playings[0].value.unit if playings else "1"
    told = [
        (p.playings_before, p.value.value, (p.value.uncertainty or 0.0) / COVERAGE)
        for p in playings
        if p.value.value is not None
    ]
    if len({number for number, _, _ in told}) < 2:
        return _refused(
            f"{len(told)} playing of this medium could be measured; two are needed"
            if len(told) == 1
            else "fewer than two different playings of this medium could be measured",
            unit,
            threshold,
            len(told),
        )
    number = np.array([entry[0] for entry in told], np.float64)
    value = np.array([entry[1] for entry in told], np.float64)
    sd = np.maximum(np.array([entry[2] for entry in told], np.float64), 1e-9)
    weight = sd**-2.0
    middle = float(np.average(number, weights=weight))
    level = float(np.average(value, weights=weight))
    across = float(np.sum(weight * (number - middle) ** 2))
    slope = float(np.sum(weight * (number - middle) * (value - level))) / across
    freedom = len(told) - 2
    scale, quantile = 1.0, COVERAGE
    if freedom > 0:
        rest = value - level - slope * (number - middle)
        # Scatter beyond what the figures admit widens the limits; less never narrows them.
        scatter = float(np.sum(weight * rest**2)) / freedom
        if scatter > 1.0:
            scale = math.sqrt(scatter)
            quantile = float(stats.t.ppf(0.975, freedom))
    slope_sd = scale / math.sqrt(across)
    level_sd = scale / math.sqrt(float(weight.sum()))
    now = float(number.max()) + 1.0
    per_playing = estimate(slope, quantile * slope_sd, unit)
    left, low, high = _left(
        level + slope * (now - middle) - threshold,
        math.hypot(level_sd, slope_sd * (now - middle)),
        slope,
        slope_sd,
        slope_sd**2 * (now - middle),
        quantile,
    )
    return Wear(
        per_playing=per_playing,
        threshold=threshold,
        left=left,
        left_low=low,
        left_high=high,
        playings=len(told),
    )


def _left(
    above: float, above_sd: float, slope: float, slope_sd: float, shared: float, quantile: float
) -> tuple[Estimate, float | None, float | None]:
    """Return playings left with 95 % limits, by Fieller's theorem for a ratio.

    ``shared`` is the covariance of the level now and the slope.
    """
    if above <= 0.0:
        return estimate(0.0, 0.0, "playings"), 0.0, 0.0
    if slope + quantile * slope_sd >= 0.0:
        # The limits of the ratio are open: even no loss at all cannot be excluded.
        fastest = slope - quantile * slope_sd
        low = max(0.0, (above - quantile * above_sd) / -fastest) if fastest < 0.0 else None
        reason = "no loss beyond the uncertainty: no end can be foretold"
        return cannot_tell(reason, "playings"), low, None
    ratio = above / -slope
    square = slope**2 - (quantile * slope_sd) ** 2
    # above + slope x = 0 has the solutions x of the quadratic in which it is quantile
    # deviations from 0.
    half = -(above * slope - quantile**2 * shared)
    rest = above**2 - (quantile * above_sd) ** 2
    root = math.sqrt(max(half**2 - square * rest, 0.0))
    low, high = (half - root) / square, (half + root) / square
    return (
        estimate(ratio, max(high - ratio, ratio - low), "playings"),
        max(0.0, low),
        high,
    )
