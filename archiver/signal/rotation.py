"""Rotation from what returns once a turn: a seam, a crack, a clamp, a thump of the works.

Four bands of the sound are turned into the loudness of impulses relative to their
surroundings. Windows of some turns give a period each by autocorrelation with a guard
against half and double periods; a path through the windows follows the speed; events
are then picked turn by turn, and placed by comparing each turn with the mean of all
others. The stated speed serves only to choose between octaves.

A plain logarithm of the envelope follows the syllables of speech; the ratio to a local
median does not (common practice in click detection).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from archiver.signal.estimate import COVERAGE, Estimate, Reals, cannot_tell, estimate
from archiver.signal.marks import FEWEST_TURNS, between, pick_events, place_events, robust_deviation
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound
from archiver.signal.samples import Floats

__all__ = ["HIGHEST_RPM", "LOWEST_RPM", "Rotation", "find_rotation", "impulses"]

LOWEST_RPM = 40.0
HIGHEST_RPM = 300.0

_RATE_HZ = 400
_BLOCK = REDUCED_RATE_HZ // _RATE_HZ
_BANDS_HZ = ((70.0, 220.0), (1000.0, 1900.0), (1900.0, 3400.0), (3400.0, 7400.0))
_WINDOW_S = 8.0
_WINDOW_HOP_S = 2.0
_PERIODS_PER_OCTAVE = 120


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rotation:
    """How a machine turned, or why that cannot be told.

    Parameters
    ----------
    mean_rpm : Estimate
        Turns over time, from the first to the last event.
    event_s : ndarray, shape (turns + 1,)
        When the mark passed; empty when it cannot be told.
    heard : ndarray, shape (turns + 1,), bool
        False where the mark was not heard and its time is interpolated.
    rpm : ndarray, shape (turns,)
        Speed from each event to the next.
    rpm_uncertainty : ndarray, shape (turns,)
        Half-widths of 95 % intervals.
    confidence : float
        How far the events stand out, in standard deviations of chance.
    octave_doubtful : bool
        Half or double the speed explains the events nearly as well.
    """

    mean_rpm: Estimate
    event_s: Reals
    heard: NDArray[np.bool_]
    rpm: Reals
    rpm_uncertainty: Reals
    confidence: float
    octave_doubtful: bool

    @property
    def time_s(self) -> Reals:
        """Middle of each turn, shape (turns,)."""
        return np.asarray((self.event_s[1:] + self.event_s[:-1]) / 2.0)


def _nothing(reason: str, confidence: float = 0.0) -> Rotation:
    empty = np.empty(0)
    return Rotation(
        mean_rpm=cannot_tell(reason, "rpm"),
        event_s=empty,
        heard=np.empty(0, np.bool_),
        rpm=empty,
        rpm_uncertainty=empty,
        confidence=confidence,
        octave_doubtful=False,
    )


def impulses(samples: Floats) -> Reals:
    """Return how far each band stands out of its surroundings, shape (bands, n), at 400 Hz.

    Peak of a band in a block over the median of a tenth of a second, as a logarithm
    between 0 and 1.
    """
    rows = []
    for low_hz, high_hz in _BANDS_HZ:
        sections = signal.butter(
            2, (low_hz, high_hz), "bandpass", fs=REDUCED_RATE_HZ, output="sos"
        ).astype(np.float32)
        band = signal.sosfilt(sections, samples)
        count = band.size // _BLOCK
        peak = np.max(np.abs(band[: count * _BLOCK]).reshape(count, _BLOCK), axis=1)
        if low_hz < 200.0:
            # One period of the low band is longer than a block.
            peak = ndimage.maximum_filter1d(peak, 3)
        around = ndimage.median_filter(peak, size=61, mode="nearest")
        floor = 0.1 * float(np.median(around)) + 1e-9
        ratio = peak / (around + floor)
        rows.append(np.log(np.clip(ratio, 1.6, 12.0) / 1.6) / math.log(12.0 / 1.6))
    return np.array(rows)


def _correlations(novelty: Reals, window: int, hop: int, lags: int) -> Reals:
    """Return autocorrelations of windows, shape (bands, windows, lags), in units of chance."""
    count = max(1, 1 + (novelty.shape[1] - window) // hop)
    size = 1 << (2 * window - 1).bit_length()
    result = np.empty((novelty.shape[0], count, lags))
    overlap = (window - np.arange(lags)).astype(np.float64)
    for index in range(count):
        piece = novelty[:, index * hop : index * hop + window]
        piece = piece - piece.mean(axis=1, keepdims=True)
        power = np.abs(np.fft.rfft(piece, size, axis=1)) ** 2
        lagged = np.fft.irfft(power, size, axis=1)[:, :lags]
        variance = np.maximum(lagged[:, :1] / window, 1e-12)
        result[:, index] = lagged / (variance * np.sqrt(window * overlap))
    # Chance leaves 1/sqrt(overlap) in a normalised correlation.
    return np.asarray(result * np.sqrt(window))


def _periods() -> Reals:
    octaves = math.log2(HIGHEST_RPM / LOWEST_RPM)
    count = math.ceil(octaves * _PERIODS_PER_OCTAVE)
    return np.asarray(60.0 / HIGHEST_RPM * 2.0 ** (np.arange(count) / _PERIODS_PER_OCTAVE))


def _comb(correlation: Reals, periods_s: Reals) -> Reals:
    """Score periods, shape (windows, periods): peaks at multiples less those half-way."""
    lags = correlation.shape[1]
    # The hand moves the multiples; a wider maximum for the later ones lets them count.
    score = np.zeros((correlation.shape[0], periods_s.size))
    weight = np.zeros(periods_s.size)
    for multiple in range(1, 5):
        spread = ndimage.maximum_filter1d(correlation, 1 + 2 * multiple, axis=1)
        for sign, place in ((1.0, float(multiple)), (-0.5, multiple - 0.5)):
            index = np.rint(place * periods_s * _RATE_HZ).astype(np.int64)
            inside = index < lags
            score[:, inside] += sign * spread[:, index[inside]]
            if sign > 0.0:
                weight += inside
    return np.asarray(score / np.sqrt(weight))


def _path(score: Reals, limit: int, cost: float) -> tuple[NDArray[np.int64], float]:
    """Follow the best period through the windows; returns indices and mean score."""
    total = score[0].copy()
    came = np.zeros(score.shape, np.int64)
    steps = np.arange(-limit, limit + 1)
    fine = cost * (steps / limit) ** 2
    for row in range(1, score.shape[0]):
        padded = np.pad(total, limit, constant_values=-np.inf)
        moved = np.lib.stride_tricks.sliding_window_view(padded, 2 * limit + 1) - fine
        best = np.argmax(moved, axis=1)
        came[row] = np.arange(total.size) + steps[best]
        total = moved[np.arange(total.size), best] + score[row]
    index = np.empty(score.shape[0], np.int64)
    index[-1] = int(np.argmax(total))
    mean = float(total[index[-1]]) / score.shape[0]
    for row in range(score.shape[0] - 1, 0, -1):
        index[row - 1] = came[row, index[row]]
    return index, mean


def find_rotation(take: ReducedSound, nominal_rpm: float | None = None) -> Rotation:
    """Measure the rotation of a machine in a take.

    Parameters
    ----------
    take : ReducedSound
    nominal_rpm : float, optional
        Stated speed; it weighs between octaves and nothing else.
    """
    if take.duration_s < 5.0:
        return _nothing("the take is shorter than 5 s")
    novelty = impulses(take.samples)
    window = min(round(_WINDOW_S * _RATE_HZ), novelty.shape[1])
    return _rotation(novelty, window, nominal_rpm)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Periods:
    """A path of periods: of the windows, in s, with the score of each band along it."""

    period_s: Reals
    bands: Reals

    @property
    def score(self) -> float:
        return float(np.sum(np.maximum(self.bands, 0.0)))


def _follow(combs: Reals, allowed: NDArray[np.bool_]) -> _Periods:
    """Find the best path within the allowed periods; ``combs`` is (bands, windows, periods)."""
    whole = np.where(allowed, np.maximum(combs, -4.0).sum(axis=0), -1e3)
    # 12 of 120 steps an octave: 7 % from a window to the next, which overlaps it.
    index, _ = _path(whole, 12, 2.0)
    along = combs[:, np.arange(index.size), index]
    return _Periods(period_s=_periods()[index], bands=along.mean(axis=1))


def _octave(combs: Reals, nominal_rpm: float | None) -> tuple[_Periods, bool]:
    """Choose among the best path and those at half and double its speed."""
    periods = _periods()
    best = _follow(combs, np.ones(periods.size, np.bool_))
    middle = float(np.median(best.period_s))
    choices = [best]
    for factor in (0.5, 2.0, 1.0 / 3.0, 3.0):
        near = np.abs(np.log(periods / (factor * middle))) < 0.15
        if near.any():
            choices.append(_follow(combs, near))

    def weight(choice: _Periods) -> float:
        if nominal_rpm is None:
            return 1.0
        away = abs(math.log2(60.0 / float(np.median(choice.period_s)) / nominal_rpm))
        # Within a quarter of an octave the stated speed says nothing; an octave off
        # needs two and a half times the evidence.
        return 0.4 + 0.6 * math.exp(-(max(0.0, away - 0.25) ** 2) / 0.18)

    ranked = sorted(choices, key=lambda choice: -choice.score * weight(choice))
    chosen = ranked[0]
    rival = max((c.score * weight(c) for c in ranked[1:]), default=0.0)
    return chosen, rival > 0.8 * chosen.score * weight(chosen)


def _rotation(novelty: Reals, window: int, nominal_rpm: float | None) -> Rotation:
    hop = round(_WINDOW_HOP_S * _RATE_HZ)
    lags = min(window - 1, round(4.0 * 60.0 / LOWEST_RPM * _RATE_HZ))
    correlations = _correlations(novelty, window, hop, lags)
    combs = np.array([_comb(band, _periods()) for band in correlations])
    path, doubtful = _octave(combs, nominal_rpm)
    if path.score < _WEAKEST:
        return _nothing("no sound returns once a turn", path.score)
    centres = window / 2 + hop * np.arange(path.period_s.size)
    smooth = ndimage.gaussian_filter1d(np.log(path.period_s), 1.0, mode="nearest")
    period = np.exp(np.interp(np.arange(novelty.shape[1]), centres, smooth)) * _RATE_HZ
    weights = np.maximum(path.bands - 2.0, 0.0)
    weights /= weights.sum()
    joined = ndimage.gaussian_filter1d(np.tensordot(weights, novelty, 1), 1.0)
    joined = np.maximum(joined / (np.percentile(joined, 99.0) + 1e-9), 0.0)
    picked = pick_events(np.minimum(joined, 1.5), period, 0.12).astype(np.float64)
    if picked.size < FEWEST_TURNS + 1:
        return _nothing(f"the mark returns only {picked.size} times", path.score)
    placed = place_events(novelty[weights > 0.0], picked)
    if placed is None:
        return _nothing("no mark returns evenly enough", path.score)
    events, heard = placed
    return _judged(events / _RATE_HZ, heard, path.score, doubtful)


_WEAKEST = 34.0
# A cubic through four neighbours of equal scatter s leaves a scatter of
# s sqrt(1 + 2 (4/6)^2 + 2 (1/6)^2) = 1.394 s.
_BETWEEN_GAIN = 1.394
# Clicks near the mark draw an end event by some thousandths of a turn (found by
# simulation); between the ends this shows in the scatter.
_DRAWN = 0.002


def _judged(event_s: Reals, heard: NDArray[np.bool_], score: float, doubtful: bool) -> Rotation:
    if heard.mean() < 0.5:
        return _nothing("the mark is heard in fewer than half of the turns", score)
    away = event_s - between(event_s)
    scatter_s = max(robust_deviation(away[heard]) / _BETWEEN_GAIN, 0.25 / _RATE_HZ)
    turn_s = np.diff(event_s)
    median_s = float(np.median(turn_s))
    if scatter_s > 0.04 * median_s:
        return _nothing("the events that were found are too uneven to be a rotation", score)
    each_s = np.where(heard, scatter_s, scatter_s + 0.02 * median_s)
    # The turn that both ends share with a missed event is less sure.
    rpm = 60.0 / turn_s
    turn_sd = np.hypot(each_s[1:], each_s[:-1])
    length_s = float(event_s[-1] - event_s[0])
    mean_rpm = 60.0 * turn_s.size / length_s
    ends_s = math.hypot(each_s[0], each_s[-1], math.sqrt(2.0) * _DRAWN * median_s)
    mean_sd = ends_s / length_s
    return Rotation(
        mean_rpm=estimate(mean_rpm, COVERAGE * mean_rpm * mean_sd, "rpm"),
        event_s=event_s,
        heard=heard,
        rpm=rpm,
        rpm_uncertainty=COVERAGE * rpm * turn_sd / turn_s,
        confidence=score,
        octave_doubtful=doubtful,
    )
