"""How fast a reproduction runs against its performance, at every moment.

The alignment says where; windows of sound, compared at many speeds, say how fast
(:mod:`~archiver.signal.ambiguity`). Both are joined by a Gaussian process: a slow
part, a part that swings with the turn of the groove, lines of their own rate, and a
small rough part. It fills pauses with what it knows and says how sure it is there
(Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, 2.2).

What comes out is the ratio of two speeds; performance and reproduction pass the same
converter, so its clock cancels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, ndimage

from archiver.signal.alignment import HOP_S, Alignment, align_spectra, log_spectra
from archiver.signal.ambiguity import Base, Grid, Observed, observe, whitened
from archiver.signal.estimate import COVERAGE, Estimate, Reals, cannot_tell, estimate
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound
from archiver.signal.rotation import Rotation

__all__ = ["LONGEST_S", "RESOLUTION_S", "WINDOW_S", "SpeedCurve", "speed_curve"]

RESOLUTION_S = 0.25
"""Uncertainties hold for means over this time."""

_STEP_S = 0.03
_FIRST = Grid(
    window_s=0.064,
    hop_s=_STEP_S,
    speed_reach=0.09,
    speeds=25,
    delay_reach_s=0.032,
    change_reach=5,
    change_cost=0.03,
)
_SECOND = Grid(
    window_s=0.096,
    hop_s=_STEP_S,
    speed_reach=0.04,
    speeds=17,
    delay_reach_s=0.016,
    change_reach=4,
    change_cost=0.1,
)
WINDOW_S = 0.0165
"""Standard deviation of the bell over which each value is a mean: that of a Hann window of
96 ms is 0.018 s; swings of 1 to 6 Hz lose what one of this gives (by simulation)."""

LONGEST_S = 600.0
"""Of longer takes the beginning is compared; memory grows with their length, 1 GB for this."""

_CHANCE = 1.2
_LOWEST_SCORE = 0.16
_LOWEST_CONTRAST = 5.5
_LEAST_TOLD_S = 3.0
_SURE = 0.007
"""A value is told where the standard deviation of its mean over a quarter second is less."""

_COMMON_DEVIATION = 0.0001
"""What windows and places have in common that the fit does not know of (by simulation)."""

_ROUGH, _SMOOTH = 0.006, 0.001
"""Size of the rough part: while fitting, and while looking for lines."""

_WILD = 0.14
"""Departure from the usual speed, over a third of a second, of no hand and no spring."""

_CHUNK_S = 20.0
_OVERLAP_S = 4.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpeedCurve:
    """Speed of a reproduction relative to its performance, or why it cannot be told.

    Parameters
    ----------
    mean_ratio : Estimate
        Time of the performance played over time taken, over ``start_s`` to ``end_s``.
    time_s : ndarray, shape (n,)
        Times of the reproduction, every 30 ms; empty when it cannot be told.
    ratio : ndarray, shape (n,)
        1.03 is 3 % fast. Outside what is told it is a guess.
    uncertainty : ndarray, shape (n,)
        Half-width of the 95 % interval of the mean over :data:`RESOLUTION_S`.
    told : ndarray, shape (n,), bool
        Where the curve can be told; not in pauses too long to bridge.
    source_s : ndarray, shape (n,)
        Time of the performance that sounds.
    score, contrast : float
        Of the alignment.
    """

    mean_ratio: Estimate
    time_s: Reals
    ratio: Reals
    uncertainty: Reals
    told: NDArray[np.bool_]
    source_s: Reals
    score: float = 0.0
    contrast: float = 0.0

    @property
    def span_s(self) -> tuple[float, float] | None:
        """First and last time that is told."""
        places = np.flatnonzero(self.told)
        if not places.size:
            return None
        return float(self.time_s[places[0]]), float(self.time_s[places[-1]])


def _nothing(reason: str, found: Alignment | None = None) -> SpeedCurve:
    empty = np.empty(0)
    return SpeedCurve(
        mean_ratio=cannot_tell(reason, "1"),
        time_s=empty,
        ratio=empty,
        uncertainty=empty,
        told=np.empty(0, np.bool_),
        source_s=empty,
        score=0.0 if found is None else found.score,
        contrast=0.0 if found is None else found.contrast,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Line:
    """A part that swings: its phase in cycles at each step, size, and time of coherence."""

    cycles: Reals
    size: float
    coherent_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    """A fitted curve; ``covariance`` is None where it was not asked for."""

    log_ratio: Reals
    covariance: Reals | None


def _bell(time_s: Reals, size: float, length_s: float) -> Reals:
    lag = (time_s[:, None] - time_s[None, :]) / length_s
    return np.asarray(size**2 * np.exp(-0.5 * lag * lag))


def _swing(time_s: Reals, line: _Line) -> Reals:
    turn = 2.0 * np.pi * line.cycles
    # cos(a - b) as a product of two columns.
    wave = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    return np.asarray((wave @ wave.T) * _bell(time_s, line.size, line.coherent_s))


def _kernel(time_s: Reals, lines: list[_Line]) -> Reals:
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
    guess: Reals,
    kernel: Reals,
    *,
    with_covariance: bool = False,
) -> _Fit:
    """Join speeds and places; ``guess`` is where the integral of the speed is linearised."""
    count = seen.time_s.size
    step = np.exp(guess)
    summed = np.where(np.arange(count)[None, :] <= places[:, None], step * _STEP_S, 0.0)
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
    # Neighbouring windows share sound, and colour shifts all of them alike.
    lag = (seen.time_s[:, None] - seen.time_s[None, :]) ** 2
    total[:count, :count] += 0.004**2 + 0.003**2 * np.exp(-0.5 * lag / 0.3**2)
    factor = linalg.cho_factor(total, lower=True, overwrite_a=True, check_finite=False)
    start = float(np.median(place - summed.sum(axis=1) * prior)) if places.size else 0.0
    expected = np.concatenate([np.full(count, prior), summed.sum(axis=1) * prior])
    rest = value - expected - common * start
    log_ratio = prior + across @ linalg.cho_solve(factor, rest, check_finite=False)
    covariance = None
    if with_covariance:
        half = linalg.solve_triangular(factor[0], across.T, lower=True, check_finite=False)
        covariance = kernel - half.T @ half
    return _Fit(log_ratio=log_ratio, covariance=covariance)


def _own_lines(time_s: Reals, rest: Reals, weight: Reals) -> _Line | None:
    """Find a line in what the slow and locked parts leave, if one stands out."""
    rates = np.arange(0.4, 8.0, 0.02)
    turn = 2.0 * np.pi * rates[:, None] * time_s
    weight = weight / weight.sum()
    size = 2.0 * np.hypot(np.cos(turn) @ (weight * rest), np.sin(turn) @ (weight * rest))
    best = int(np.argmax(size))
    if size[best] < max(0.0015, 5.0 * float(np.median(size))):
        return None
    return _Line(cycles=rates[best] * time_s, size=float(size[best]), coherent_s=6.0)


def _chunk(seen: Observed, sureness: float, locked: list[_Line], *, last: bool) -> _Fit:
    evidence = seen.evidence
    variance = sureness**2 / np.maximum(evidence, 0.05) + np.where(evidence < _CHANCE, 1.0, 0.0)
    every = round(0.5 / _STEP_S)
    places = np.arange(every // 2, seen.time_s.size, every)
    around = ndimage.uniform_filter1d(evidence, every)[places]
    place_variance = np.where(
        around < _CHANCE, 1.0, (0.012 * np.maximum(1.0, 2.5 / np.maximum(around, 0.1))) ** 2
    )
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
                seen, heavy, places, place_variance, guess, kernel + _SMOOTH**2 * rough
            )
            rest = np.log(seen.ratio) - smooth.log_ratio
            line = _own_lines(seen.time_s, rest, 1.0 / heavy)
            if line is not None:
                lines.append(line)
                kernel += _swing(seen.time_s, line)
    return fit


def _part(seen: Observed, span: slice) -> Observed:
    return Observed(
        time_s=seen.time_s[span],
        ratio=seen.ratio[span],
        source_s=seen.source_s[span],
        evidence=seen.evidence[span],
    )


def _joined(
    seen: Observed, sureness: float, turns: Rotation | None, *, last: bool
) -> tuple[Reals, Reals, float]:
    """Fit chunk by chunk; how sure it is follows in the last round only, for it costs most.

    Returns
    -------
    ratio, deviation : ndarray, shape (windows,)
        The second is the standard deviation of the mean over the resolution.
    mean_deviation : float
        Standard deviation of the mean over all that is told, relative.
    """
    count = seen.time_s.size
    length, overlap = round(_CHUNK_S / _STEP_S), round(_OVERLAP_S / _STEP_S)
    log_ratio, variance, weight = np.zeros(count), np.zeros(count), np.zeros(count)
    weighed, weighed_by = 0.0, 0
    start = 0
    while True:
        # The last chunk takes what would be too short for one of its own.
        stop = count if count - start < length + length // 2 else start + length
        span = slice(start, stop)
        part = _part(seen, span)
        fit = _chunk(part, sureness, _locked(part.time_s, turns), last=last)
        width = max(1, round(RESOLUTION_S / _STEP_S))
        spread = np.full(stop - start, np.inf)
        if fit.covariance is not None:
            mean = ndimage.uniform_filter1d(fit.covariance, width, axis=0, mode="nearest")
            mean = ndimage.uniform_filter1d(mean, width, axis=1, mode="nearest")
            spread = np.maximum(np.diag(mean), 0.0)
            sure = np.flatnonzero(spread < _SURE**2)
            if sure.size:
                inner = slice(int(sure[0]), int(sure[-1]) + 1)
                weighed += (inner.stop - inner.start) ** 2 * float(np.mean(mean[inner, inner]))
                weighed_by += inner.stop - inner.start
        ramp = np.minimum(
            np.arange(1, stop - start + 1) if start else np.inf,
            np.arange(stop - start, 0, -1) if stop < count else np.inf,
        )
        share = np.minimum(np.asarray(ramp, np.float64) / overlap, 1.0) * np.ones(stop - start)
        log_ratio[span] += share * fit.log_ratio
        variance[span] += share * spread
        weight[span] += share
        if stop == count:
            break
        start = stop - overlap
    mean_deviation = math.sqrt(weighed) / weighed_by if weighed_by else math.inf
    return np.exp(log_ratio / weight), np.sqrt(variance / weight), mean_deviation


def _locked(time_s: Reals, turns: Rotation | None) -> list[_Line]:
    """Return swings once, twice and three times a turn of the groove.

    The groove keeps the angle at which it was cut, so that swings of the recording
    machine come back locked to the turn of the reproducing one.
    """
    if turns is None or turns.event_s.size < 4:
        return []
    event_s = turns.event_s
    number = np.interp(time_s, event_s, np.arange(event_s.size))
    before, after = time_s < event_s[0], time_s > event_s[-1]
    number[before] = (time_s[before] - event_s[0]) / (event_s[1] - event_s[0])
    number[after] = event_s.size - 1 + (time_s[after] - event_s[-1]) / (event_s[-1] - event_s[-2])
    return [
        _Line(cycles=times * number, size=size, coherent_s=20.0)
        for times, size in ((1, 0.012), (2, 0.03), (3, 0.002))
    ]


def _plausible(seen: Observed) -> Observed:
    """Take the evidence from stretches whose path runs at no speed a machine would.

    A tune that repeats itself may draw the path to a wrong place, mostly at either end;
    on its way there and back it runs far off the speed of the rest.
    """
    slope = np.gradient(
        ndimage.gaussian_filter1d(seen.source_s, 0.3 / _STEP_S, mode="nearest"), _STEP_S
    )
    usual = float(np.median(slope[seen.evidence > _CHANCE])) if _heard(seen) else 1.0
    wild = np.abs(slope / usual - 1.0) > _WILD
    around = ndimage.binary_dilation(wild, iterations=round(0.6 / _STEP_S))
    wilder = np.convolve(wild, np.ones(round(2.0 / _STEP_S)), mode="same") * _STEP_S > 0.5
    # A short jerk is a slip of one window; half a second within two is a wrong place.
    lost = around & ndimage.binary_dilation(wilder, iterations=round(1.0 / _STEP_S))
    lost |= _cut_off(lost)
    return Observed(
        time_s=seen.time_s,
        ratio=seen.ratio,
        source_s=seen.source_s,
        evidence=np.where(lost, 0.0, seen.evidence),
    )


def _heard(seen: Observed) -> bool:
    return bool(np.any(seen.evidence > _CHANCE))


def _cut_off(lost: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what lies between a lost stretch near an end and that end."""
    reach = min(round(8.0 / _STEP_S), lost.size // 4)
    result = np.zeros(lost.size, np.bool_)
    early, late = np.flatnonzero(lost[:reach]), np.flatnonzero(lost[lost.size - reach :])
    if early.size:
        result[: early[-1]] = True
    if late.size:
        result[lost.size - reach + late[0] :] = True
    return result


def _based(seen: Observed, ratio: Reals) -> Base:
    """Return the path of a curve, held to the places where the sound says most."""
    whole = np.concatenate([[0.0], np.cumsum((ratio[1:] + ratio[:-1]) / 2.0 * _STEP_S)])
    late = seen.source_s - whole
    sound = seen.evidence > _CHANCE
    middle = float(np.median(late[sound] if sound.any() else late))
    weight = np.where(sound, np.minimum(seen.evidence, 6.0), 1e-6)
    weight /= 1.0 + ((late - middle) / 0.1) ** 2

    def near(values: Reals) -> Reals:
        return np.asarray(ndimage.gaussian_filter1d(values, 0.4 / _STEP_S, mode="nearest"))

    correction = (near(weight * late) + 1e-5 * middle) / (near(weight) + 1e-5)
    return Base(time_s=seen.time_s, source_s=whole + correction, ratio=ratio)


def _beginning(take: ReducedSound) -> ReducedSound:
    return ReducedSound(samples=take.samples[: round(LONGEST_S * REDUCED_RATE_HZ)])


def speed_curve(
    performance: ReducedSound, reproduction: ReducedSound, turns: Rotation | None = None
) -> SpeedCurve:
    """Measure the speed of a reproduction against its performance.

    Parameters
    ----------
    performance, reproduction : ReducedSound
        Captured by the same chain; of each, the first 10 minutes are compared.
    turns : Rotation, optional
        Of the reproduction; what swings with the turn is then followed through pauses.
    """
    performance, reproduction = _beginning(performance), _beginning(reproduction)
    if min(performance.duration_s, reproduction.duration_s) < _LEAST_TOLD_S:
        return _nothing("one of the takes is shorter than 3 s")
    for name, take in (("performance", performance), ("reproduction", reproduction)):
        if take.samples.size == 0 or not np.any(np.abs(take.samples) > 1e-7):
            return _nothing(f"the {name} is silent")
    spectra = log_spectra(performance.samples), log_spectra(reproduction.samples)
    found = align_spectra(*spectra)
    if found is None:
        return _nothing("one of the takes is shorter than 3 s")
    if found.score < _LOWEST_SCORE or found.contrast < _LOWEST_CONTRAST:
        return _nothing("the reproduction does not sound like the performance", found)
    performed, played = whitened(performance), whitened(reproduction)
    smooth = ndimage.gaussian_filter1d(found.source_s, 0.5 / HOP_S, mode="nearest")
    base = Base(
        time_s=np.arange(smooth.size) * HOP_S,
        source_s=smooth,
        # Before and after the record the path is anything.
        ratio=np.clip(np.gradient(smooth, HOP_S), 0.85 * found.ratio, 1.18 * found.ratio),
    )
    for first, grid, sureness in ((True, _FIRST, 0.012), (False, _SECOND, 0.009)):
        seen = observe(
            performed, played, spectra, base, grid, coarse_ratio=found.ratio, first=first
        )
        seen = _plausible(seen)
        ratio, deviation, mean_deviation = _joined(seen, sureness, turns, last=not first)
        base = _based(seen, ratio)
    told = (deviation < _SURE) & (base.source_s > 0.0)
    told &= base.source_s < performance.duration_s
    if np.count_nonzero(told) * _STEP_S < _LEAST_TOLD_S:
        return _nothing("too little of the reproduction is like the performance", found)
    ends = np.flatnonzero(told)[[0, -1]]
    mean = float(np.mean(ratio[ends[0] : ends[1] + 1]))
    half_width = COVERAGE * mean * math.hypot(mean_deviation, _COMMON_DEVIATION)
    return SpeedCurve(
        mean_ratio=estimate(mean, half_width, "1"),
        time_s=base.time_s,
        ratio=ratio,
        uncertainty=COVERAGE * deviation * ratio,
        told=told,
        source_s=base.source_s,
        score=found.score,
        contrast=found.contrast,
    )
