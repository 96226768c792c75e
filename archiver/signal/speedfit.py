"""A curve of speed fitted to what was heard of speeds and of places.

A Gaussian process of a slow part, a part that swings with the turn of the groove, lines
of their own rate, and a small rough part. It fills pauses with what it knows and says how
sure it is there (Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006,
2.2).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, ndimage

from archiver.signal.ambiguity import Observed
from archiver.signal.estimate import Reals

__all__ = ["CHANCE", "STEP_S", "Fit", "Line", "fit_speeds"]

STEP_S = 0.03
"""Step of the curve."""

CHANCE = 1.2
"""Evidence under which a window tells nothing."""

_ROUGH, _SMOOTH = 0.006, 0.001
"""Size of the rough part: while fitting, and while looking for lines."""

_PAUSE_S = 0.2
_SLIP_S = 0.3
"""By how much the path may jump over a pause."""

_NEAR_S, _SIDE_S = 0.3, 0.5
_SLOW_S, _QUICK_S = 1.0, 0.1
_FARTHEST = 0.08
_LEAST_SWING, _LONGEST_SWING_S = 0.005, 0.8
_STEADY_S = 0.012
"""By how much reflections move a place (by simulation)."""

_COLOUR, _COLOURED, _COLOURED_S = 0.001, 0.003, 0.3
"""Error of speeds by the colour of horn and room: of all alike, of neighbours, and for how
long (by simulation)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """A part that swings: its phase in cycles at each step, size, and time of coherence."""

    cycles: Reals
    size: float
    coherent_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """A fitted curve; ``covariance`` is None where it was not asked for."""

    log_ratio: Reals
    covariance: Reals | None


def _bell(time_s: Reals, size: float, length_s: float) -> Reals:
    lag = (time_s[:, None] - time_s[None, :]) / length_s
    return np.asarray(size**2 * np.exp(-0.5 * lag * lag))


def _swing(time_s: Reals, line: Line) -> Reals:
    turn = 2.0 * np.pi * line.cycles
    # cos(a - b) as a product of two columns.
    wave = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    return np.asarray((wave @ wave.T) * _bell(time_s, line.size, line.coherent_s))


def _kernel(time_s: Reals, lines: list[Line]) -> Reals:
    """Return the covariance of all parts but the rough one."""
    whole = 0.1**2 + _bell(time_s, 0.02, 1.5) + _bell(time_s, 0.008, 0.4)
    for line in lines:
        whole += _swing(time_s, line)
    return np.asarray(whole)


def _fitted(
    seen: Observed,
    variance: Reals,
    places: NDArray[np.int64],
    place_variance: Reals,
    slips: Reals,
    guess: Reals,
    kernel: Reals,
    *,
    with_covariance: bool = False,
) -> Fit:
    """Join speeds and places; ``guess`` is where the integral of the speed is linearised.

    ``slips``, of shape (slips, places), says which places lie behind a jump of the path.
    """
    count = seen.time_s.size
    step = np.exp(guess)
    summed = np.where(np.arange(count)[None, :] <= places[:, None], step * STEP_S, 0.0)
    place = seen.source_s[places] - summed @ (1.0 - guess)
    prior = float(np.average(np.log(seen.ratio), weights=1.0 / variance))
    value = np.concatenate([np.log(seen.ratio), place])
    noise = np.concatenate([variance, place_variance])
    # Where the record begins is not known; only differences of places count.
    common = np.concatenate([np.zeros(count), np.ones(places.size)])
    placed = kernel @ summed.T
    across = np.hstack([kernel, placed])
    total = np.vstack([across, np.hstack([placed.T, summed @ placed])])
    total[np.diag_indices_from(total)] += noise
    total += 16.0 * np.outer(common, common)
    total[count:, count:] += _SLIP_S**2 * (slips.T @ slips)
    # Neighbouring windows share sound, and colour shifts all of them alike.
    lag = (seen.time_s[:, None] - seen.time_s[None, :]) ** 2
    total[:count, :count] += _COLOUR**2 + _COLOURED**2 * np.exp(-0.5 * lag / _COLOURED_S**2)
    factor = linalg.cho_factor(total, lower=True, overwrite_a=True, check_finite=False)
    start = float(np.median(place - summed.sum(axis=1) * prior)) if places.size else 0.0
    expected = np.concatenate([np.full(count, prior), summed.sum(axis=1) * prior])
    rest = value - expected - common * start
    log_ratio = prior + across @ linalg.cho_solve(factor, rest, check_finite=False)
    covariance = None
    if with_covariance:
        half = linalg.solve_triangular(factor[0], across.T, lower=True, check_finite=False)
        covariance = kernel - half.T @ half
    return Fit(log_ratio=log_ratio, covariance=covariance)


def _own_lines(time_s: Reals, rest: Reals, weight: Reals) -> Line | None:
    """Find a line in what the slow and locked parts leave, if one stands out."""
    rates = np.arange(0.4, 8.0, 0.02)
    turn = 2.0 * np.pi * rates[:, None] * time_s
    weight = weight / weight.sum()
    size = 2.0 * np.hypot(np.cos(turn) @ (weight * rest), np.sin(turn) @ (weight * rest))
    best = int(np.argmax(size))
    if size[best] < max(0.0015, 5.0 * float(np.median(size))):
        return None
    return Line(cycles=rates[best] * time_s, size=float(size[best]), coherent_s=6.0)


def _late(seen: Observed, sound: NDArray[np.bool_]) -> tuple[Reals, float]:
    """Compare the path with the speeds alone.

    Returns
    -------
    late : ndarray, shape (n,)
        Place less the integral of the speeds, smoothed over a second; where the two agree
        it changes little.
    swing : float
        Standard deviation of the speeds about the smooth ones, relative.
    """
    log = np.log(seen.ratio)
    middle = float(np.median(log[sound]))
    rest = np.clip(log - middle, -_FARTHEST, _FARTHEST)
    weight = np.where(sound, np.minimum(seen.evidence, 6.0), 0.0)

    def smooth(length_s: float) -> Reals:
        def near(values: Reals) -> Reals:
            return np.asarray(ndimage.gaussian_filter1d(values, length_s / STEP_S, mode="nearest"))

        return near(weight * rest) / (near(weight) + 1e-3)

    slow = smooth(_SLOW_S)
    swing = 1.4826 * float(np.median(np.abs(smooth(_QUICK_S) - slow)[sound]))
    return seen.source_s - np.cumsum(np.exp(middle + slow)) * STEP_S, swing


def _slips(seen: Observed, places: NDArray[np.int64]) -> tuple[Reals, NDArray[np.bool_]]:
    """Find where the path jumps in a pause.

    Returns
    -------
    slips : ndarray, shape (slips, places)
        1 for places behind it.
    inside : ndarray, shape (places,), bool
        Places in such a pause, which lie on neither side.

    Over a pause the path may be drawn to a wrong place, or back from one: a note that is
    held or repeated looks the same a little later. Its speed is right on either side all
    the same, so that path and speeds disagree by a step.
    """
    inside = np.zeros(places.size, np.bool_)
    # Single windows in a pause are heard by chance.
    sound = ndimage.uniform_filter1d(seen.evidence, round(_NEAR_S / STEP_S)) > CHANCE
    where = np.flatnonzero(sound)
    if where.size < round(1.0 / STEP_S):
        return np.zeros((0, places.size)), inside
    late, swing = _late(seen, sound)
    side = round(_SIDE_S / STEP_S)
    found = []
    for last, following in itertools.pairwise(where.tolist()):
        pause_s = float(seen.time_s[following] - seen.time_s[last])
        if pause_s < _PAUSE_S:
            continue
        before = late[where[(where <= last) & (where > last - side)]]
        after = late[where[(where >= following) & (where < following + side)]]
        step_s = abs(float(np.median(after) - np.median(before)))
        # What swings comes back within a second.
        swung_s = max(swing, _LEAST_SWING) * min(pause_s, _LONGEST_SWING_S)
        if step_s > _STEADY_S + 2.5 * swung_s:
            found.append((places >= following).astype(np.float64))
            inside |= (places > last) & (places < following)
    return np.array(found).reshape(len(found), places.size), inside


def fit_speeds(seen: Observed, sureness: float, locked: list[Line], *, last: bool) -> Fit:
    """Fit speed and places over some seconds.

    Parameters
    ----------
    seen : Observed
        At steps of :data:`STEP_S`; the cost grows with the cube of their number.
    sureness : float
        Standard deviation of a speed whose evidence is 1.
    locked : list of Line
        Swings whose phase is known.
    last : bool
        Whether the covariance is wanted.
    """
    evidence = seen.evidence
    variance = sureness**2 / np.maximum(evidence, 0.05) + np.where(evidence < CHANCE, 1.0, 0.0)
    every = round(0.5 / STEP_S)
    places = np.arange(every // 2, seen.time_s.size, every)
    around = ndimage.uniform_filter1d(evidence, every)[places]
    place_variance = np.where(
        around < CHANCE, 1.0, (0.012 * np.maximum(1.0, 2.5 / np.maximum(around, 0.1))) ** 2
    )
    slips, inside = _slips(seen, places)
    place_variance[inside] = 1.0
    lines = list(locked)
    guess = np.full(seen.time_s.size, float(np.median(np.log(seen.ratio))))
    heavy = variance
    kernel, rough = _kernel(seen.time_s, lines), _bell(seen.time_s, 1.0, 0.06)
    # Values far off their neighbours count less: three rounds of reweighting.
    for turn in range(3):
        fit = _fitted(
            seen,
            heavy,
            places,
            place_variance,
            slips,
            guess,
            kernel + _ROUGH**2 * rough,
            with_covariance=last and turn == 2,
        )
        if turn == 2:
            break
        guess = fit.log_ratio
        off = np.abs(np.log(seen.ratio) - guess) / np.sqrt(variance)
        heavy = variance * np.maximum(1.0, off / 2.0) ** 1.5
        if len(lines) < len(locked) + 2:
            smooth = _fitted(
                seen, heavy, places, place_variance, slips, guess, kernel + _SMOOTH**2 * rough
            )
            rest = np.log(seen.ratio) - smooth.log_ratio
            line = _own_lines(seen.time_s, rest, 1.0 / heavy)
            if line is not None:
                lines.append(line)
                kernel += _swing(seen.time_s, line)
    return fit
