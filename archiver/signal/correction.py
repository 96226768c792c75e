"""A listening copy with the speed put right; the master is never touched.

Sound is read at uneven places by a sinc under a Kaiser window, tabulated at fine steps
and interpolated between them; where reading runs faster than the samples, the sinc is
stretched so that nothing folds back. The curve that was used stays beside the copy.

Source: band-limited interpolation as in J. O. Smith, Digital Audio Resampling, 1984.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import stats

from archiver.signal.estimate import Reals
from archiver.signal.rotation import Rotation
from archiver.signal.samples import Floats
from archiver.signal.speedcurve import RESOLUTION_S, SpeedCurve

__all__ = [
    "Correction",
    "corrected",
    "corrected_blocks",
    "from_reproduction",
    "from_rotation",
    "nothing_to_correct",
    "sound_at",
]

_HALF_WIDTH = 24
_PHASES = 512
_BETA = 8.6
_CHUNK = 1 << 14
_MOST = 1.6
"""Speeds beyond this factor, either way, are no correction but a fault of the curve."""

_OUTSIDE_BY_CHANCE = 0.10
"""Share of 95 % intervals that may miss the truth: twice their promise, for uncertainties that
are a sixth too small."""

_CHANCE = 0.001


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Correction:
    """How fast a take ran at each moment, relative to how it should have.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Rising, in the take.
    speed : ndarray, shape (n,)
        1.03 where it ran 3 % fast; held beyond the first and last time.
    basis : str
        What the speed was measured against, in words for the label of the copy.
    """

    time_s: Reals
    speed: Reals
    basis: str

    def __post_init__(self) -> None:
        """Check shape, order and range."""
        if self.time_s.ndim != 1 or self.time_s.shape != self.speed.shape or not self.time_s.size:
            raise ValueError("time_s and speed are one-dimensional and equally long")
        if not np.all(np.diff(self.time_s) > 0.0):
            raise ValueError("time_s must rise from value to value")
        if not np.all((self.speed > 1.0 / _MOST) & (self.speed < _MOST)):
            raise ValueError(f"speeds must lie between {1.0 / _MOST:.3f} and {_MOST:.3f}")

    def corrected_time(self, time_s: Reals) -> Reals:
        """Return the time in the copy of given times in the take: the integral of the speed."""
        knots = self.time_s
        steps = np.diff(knots) * (self.speed[1:] + self.speed[:-1]) / 2.0
        whole = self.speed[0] * knots[0] + np.concatenate([[0.0], np.cumsum(steps)])
        index = np.clip(np.searchsorted(knots, time_s, side="right") - 1, 0, knots.size - 1)
        since = time_s - knots[index]
        after = np.minimum(index + 1, knots.size - 1)
        width = np.where(after > index, knots[after] - knots[index], 1.0)
        rise = np.where(after > index, (self.speed[after] - self.speed[index]) / width, 0.0)
        inside = whole[index] + since * self.speed[index] + 0.5 * rise * since**2
        return np.asarray(np.where(time_s < knots[0], self.speed[0] * time_s, inside))

    def take_time(self, corrected_s: Reals) -> Reals:
        """Return the time in the take of given times in the copy."""
        step_s = 0.002
        last = float(self.time_s[-1])
        clock = np.arange(0.0, last + step_s, step_s)
        known = self.corrected_time(clock)
        inside = np.interp(corrected_s, known, clock)
        beyond = corrected_s > known[-1]
        late = clock[-1] + (corrected_s - known[-1]) / self.speed[-1]
        return np.asarray(np.where(beyond, late, inside))


def from_reproduction(curve: SpeedCurve) -> Correction | None:
    """Make the correction that brings a reproduction back to its performance.

    Returns None when the curve cannot be told.
    """
    span = curve.span_s
    if span is None:
        return None
    inside = (curve.time_s >= span[0]) & (curve.time_s <= span[1])
    return Correction(
        time_s=curve.time_s[inside],
        speed=np.clip(curve.ratio[inside], 1.01 / _MOST, 0.99 * _MOST),
        basis="the performance, as captured on the day",
    )


def nothing_to_correct(curve: SpeedCurve) -> str:
    """Say why a reproduction needs no correction: it ran as its performance did, all along.

    That is so where the interval of the mean ratio holds 1, and no more means over
    :data:`~archiver.signal.speedcurve.RESOLUTION_S` exclude 1 than chance explains at one in
    a thousand (binomial distribution). A curve that swings about a mean of 1 is corrected.

    Returns
    -------
    str
        A sentence with the figures; empty where there is something to correct, or nothing
        can be told.
    """
    mean = curve.mean_ratio
    if mean.value is None or mean.uncertainty is None or mean.excludes(1.0):
        return ""
    inside, outside = _means_outside(curve)
    if not inside or stats.binom.sf(outside - 1, inside, _OUTSIDE_BY_CHANCE) < _CHANCE:
        return ""
    return (
        f"it ran at {mean.value:.4f} of the speed of its performance, with an uncertainty of "
        f"{mean.uncertainty:.4f}, and its speed swings no more than its uncertainty"
    )


def _means_outside(curve: SpeedCurve) -> tuple[int, int]:
    """Return how many means over the resolution are told, and how many of them exclude 1."""
    told = np.flatnonzero(curve.told)
    if not told.size:
        return 0, 0
    place = np.floor((curve.time_s[told] - curve.time_s[told[0]]) / RESOLUTION_S).astype(np.int64)
    count = np.bincount(place)
    has = count > 0
    mean = np.bincount(place, curve.ratio[told])[has] / count[has]
    width = np.bincount(place, curve.uncertainty[told])[has] / count[has]
    return int(mean.size), int(np.count_nonzero(np.abs(mean - 1.0) > width))


def from_rotation(rotation: Rotation, intended_rpm: float) -> Correction | None:
    """Make the correction that brings a take to an intended speed of rotation.

    Returns None when the rotation cannot be told or is not near the intended speed.
    """
    if rotation.rpm.size < 2 or not intended_rpm > 0.0:
        return None
    speed = rotation.rpm / intended_rpm
    if not np.all((speed > 1.0 / _MOST) & (speed < _MOST)):
        return None
    return Correction(
        time_s=rotation.time_s, speed=speed, basis=f"a rotation of {intended_rpm:g} rpm"
    )


@functools.cache
def _table() -> Floats:
    """Return one half of the kernel, shape (half width x phases + 2,)."""
    distance = np.arange(_HALF_WIDTH * _PHASES + 2) / _PHASES
    edge = np.clip(1.0 - (distance / _HALF_WIDTH) ** 2, 0.0, None)
    shape = np.sinc(distance) * np.i0(_BETA * np.sqrt(edge)) / np.i0(_BETA)
    return np.asarray(np.where(distance < _HALF_WIDTH, shape, 0.0), np.float32)


def sound_at(samples: Floats, places: Reals) -> Floats:
    """Return the band-limited sound at fractional places.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        Silence is assumed on either side.
    places : ndarray, shape (n,)
        In samples from the first, rising; steps of up to 1.6.

    Returns
    -------
    ndarray, shape (n, channels), float32
    """
    frames, channels = samples.shape
    result = np.zeros((places.size, channels), np.float32)
    if not frames or not places.size:
        return result
    fastest = float(np.max(np.diff(places))) if places.size > 1 else 1.0
    stretch = min(max(1.0, fastest), _MOST)
    half = math.ceil(_HALF_WIDTH * stretch) + 1
    padded = np.pad(samples, ((half, half), (0, 0)))
    table = _table()
    taps = np.arange(1 - half, half + 1)
    inside = np.flatnonzero((places > -half) & (places < frames + half - 1))
    for start in range(0, inside.size, _CHUNK):
        rows = inside[start : start + _CHUNK]
        whole = np.floor(places[rows])
        share = places[rows] - whole
        fine = np.abs(taps[None, :] - share[:, None]) * (_PHASES / stretch)
        fine = np.minimum(fine, _HALF_WIDTH * _PHASES)
        cell = fine.astype(np.int32)
        part = (fine - cell).astype(np.float32)
        weights = table[cell] * (1.0 - part) + table[cell + 1] * part
        weights /= np.float32(stretch)
        index = np.clip(whole.astype(np.int64)[:, None] + taps[None, :] + half, 0, len(padded) - 1)
        for channel in range(channels):
            result[rows, channel] = np.einsum("ij,ij->i", padded[index, channel], weights)
    return result


def corrected_blocks(
    samples: Floats, sample_rate_hz: int, correction: Correction, block_s: float = 10.0
) -> Iterator[Floats]:
    """Yield the listening copy in blocks, shape (frames, channels), float32.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels)
        Of the whole take, full scale 1.0.
    sample_rate_hz : int
        Of both the take and the copy.
    correction : Correction
    block_s : float
        Length of a block.
    """
    length_s = samples.shape[0] / sample_rate_hz
    frames = math.floor(float(correction.corrected_time(np.array([length_s]))[0]) * sample_rate_hz)
    step = max(1, round(block_s * sample_rate_hz))
    margin = 2 * _HALF_WIDTH + 4
    for start in range(0, frames, step):
        clock = np.arange(start, min(start + step, frames)) / sample_rate_hz
        places = correction.take_time(clock) * sample_rate_hz
        first = max(0, math.floor(places[0]) - margin)
        last = min(samples.shape[0], math.ceil(places[-1]) + margin)
        yield sound_at(samples[first:last], places - first)


def corrected(samples: Floats, sample_rate_hz: int, correction: Correction) -> Floats:
    """Return the whole listening copy; see :func:`corrected_blocks`."""
    blocks = list(corrected_blocks(samples, sample_rate_hz, correction))
    if not blocks:
        return np.empty((0, samples.shape[1]), np.float32)
    return np.concatenate(blocks)
