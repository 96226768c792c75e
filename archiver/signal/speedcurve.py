"""How fast a reproduction runs against its performance, at every moment.

The alignment says where; windows of sound, compared at many speeds, say how fast
(:mod:`~archiver.signal.ambiguity`). Both are joined by a fit that fills pauses
(:mod:`~archiver.signal.speedfit`).

What comes out is the ratio of two speeds; performance and reproduction pass the same
converter, so its clock cancels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from archiver.signal.alignment import HOP_S, Alignment, align_spectra, log_spectra
from archiver.signal.ambiguity import Base, Grid, Observed, observe, whitened
from archiver.signal.estimate import COVERAGE, Estimate, Reals, cannot_tell, estimate
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound
from archiver.signal.rotation import Rotation
from archiver.signal.speedfit import CHANCE, STEP_S, Line, fit_speeds

__all__ = ["LONGEST_S", "RESOLUTION_S", "WINDOW_S", "SpeedCurve", "speed_curve"]

RESOLUTION_S = 0.25
"""Uncertainties hold for means over this time."""

_FIRST = Grid(
    window_s=0.064,
    hop_s=STEP_S,
    speed_reach=0.09,
    speeds=25,
    delay_reach_s=0.032,
    change_reach=5,
    change_cost=0.03,
)
_SECOND = Grid(
    window_s=0.096,
    hop_s=STEP_S,
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
"""Of longer takes the beginning is compared; memory grows with their length, 1.6 GB for this."""

_LOWEST_SCORE = 0.16
_LOWEST_CONTRAST = 5.5
_LEAST_TOLD_S = 3.0
_LONGEST_GAP_S = 10.0
_LEAST_SHARE = 0.35
_SURE = 0.007
"""A value is told where the standard deviation of its mean over a quarter second is less."""

_COMMON_DEVIATION = 0.0001
"""What windows and places have in common that the fit does not know of (by simulation)."""

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
    length, overlap = round(_CHUNK_S / STEP_S), round(_OVERLAP_S / STEP_S)
    log_ratio, variance, weight = np.zeros(count), np.zeros(count), np.zeros(count)
    weighed, weighed_by = 0.0, 0
    start = 0
    while True:
        # The last chunk takes what would be too short for one of its own.
        stop = count if count - start < length + length // 2 else start + length
        span = slice(start, stop)
        part = _part(seen, span)
        fit = fit_speeds(part, sureness, _locked(part.time_s, turns), last=last)
        width = max(1, round(RESOLUTION_S / STEP_S))
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


def _locked(time_s: Reals, turns: Rotation | None) -> list[Line]:
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
        Line(cycles=times * number, size=size, coherent_s=20.0)
        for times, size in ((1, 0.012), (2, 0.03), (3, 0.002))
    ]


def _plausible(seen: Observed) -> Observed:
    """Take the evidence from stretches whose path runs at no speed a machine would.

    A tune that repeats itself may draw the path to a wrong place, mostly at either end;
    on its way there and back it runs far off the speed of the rest.
    """
    slope = np.gradient(
        ndimage.gaussian_filter1d(seen.source_s, 0.3 / STEP_S, mode="nearest"), STEP_S
    )
    usual = float(np.median(slope[seen.evidence > CHANCE])) if _heard(seen) else 1.0
    wild = np.abs(slope / usual - 1.0) > _WILD
    around = ndimage.binary_dilation(wild, iterations=round(0.6 / STEP_S))
    wilder = np.convolve(wild, np.ones(round(2.0 / STEP_S)), mode="same") * STEP_S > 0.5
    # A short jerk is a slip of one window; half a second within two is a wrong place.
    lost = around & ndimage.binary_dilation(wilder, iterations=round(1.0 / STEP_S))
    lost |= _cut_off(lost)
    return Observed(
        time_s=seen.time_s,
        ratio=seen.ratio,
        source_s=seen.source_s,
        evidence=np.where(lost, 0.0, seen.evidence),
    )


def _heard(seen: Observed) -> bool:
    return bool(np.any(seen.evidence > CHANCE))


def _cut_off(lost: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what lies between a lost stretch near an end and that end."""
    reach = min(round(8.0 / STEP_S), lost.size // 4)
    result = np.zeros(lost.size, np.bool_)
    early, late = np.flatnonzero(lost[:reach]), np.flatnonzero(lost[lost.size - reach :])
    if early.size:
        result[: early[-1]] = True
    if late.size:
        result[lost.size - reach + late[0] :] = True
    return result


def _based(seen: Observed, ratio: Reals) -> Base:
    """Return the path of a curve, held to the places where the sound says most."""
    whole = np.concatenate([[0.0], np.cumsum((ratio[1:] + ratio[:-1]) / 2.0 * STEP_S)])
    late = seen.source_s - whole
    sound = seen.evidence > CHANCE
    middle = float(np.median(late[sound] if sound.any() else late))
    weight = np.where(sound, np.minimum(seen.evidence, 6.0), 1e-6)
    weight /= 1.0 + ((late - middle) / 0.1) ** 2

    def near(values: Reals) -> Reals:
        return np.asarray(ndimage.gaussian_filter1d(values, 0.4 / STEP_S, mode="nearest"))

    correction = (near(weight * late) + 1e-5 * middle) / (near(weight) + 1e-5)
    return Base(time_s=seen.time_s, source_s=whole + correction, ratio=ratio)


def _one_stretch(told: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Keep the longest stretch that no long silence cuts.

    What is not told between two stretches is a guess, and a mean over it would be one too;
    where little is told for long, the path is lost and what is told there is chance.
    """
    share = ndimage.uniform_filter1d(
        told.astype(np.float64),
        max(1, min(round(_CHUNK_S / STEP_S), told.size // 2)),
        mode="mirror",
    )
    told = told & (share > _LEAST_SHARE)
    places = np.flatnonzero(told)
    if not places.size:
        return told
    cuts = np.flatnonzero(np.diff(places) * STEP_S > _LONGEST_GAP_S) + 1
    stretches = np.split(places, cuts)
    longest = max(stretches, key=lambda stretch: int(stretch[-1] - stretch[0]))
    result = np.zeros(told.size, np.bool_)
    result[longest] = True
    return result


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
    told = _one_stretch(told)
    if np.count_nonzero(told) * STEP_S < _LEAST_TOLD_S:
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
