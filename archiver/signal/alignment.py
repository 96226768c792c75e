"""Where a reproduction is in its performance: the path from one time to the other.

Features are logarithmic bands of the part of the spectrum that a horn passes, each
relative to its own mean, so that the colour of the machine cancels. A first search
goes over speed ratios, with the bands moved as the pitch moves, and finds a coarse
path; a second one follows the path closely. The speed itself is read elsewhere
(:mod:`~archiver.signal.speedcurve`): the slope of a path is too rough for it.

Dynamic programming over time offsets with a cost on change, as in dynamic time
warping (common practice); written for paths that stay near one slope.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from archiver.signal.estimate import Reals
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound
from archiver.signal.samples import Floats

__all__ = [
    "HOP_S",
    "Alignment",
    "LogSpectra",
    "align",
    "align_spectra",
    "fine_bands",
    "log_spectra",
]

Features: TypeAlias = NDArray[np.float32]

HOP_S = 0.01
"""Step of the path."""

_WINDOW = 1024
_HOP = round(HOP_S * REDUCED_RATE_HZ)
_LOW_HZ = 250.0
_HIGH_HZ = 2800.0
_FINE_STEP = 0.005
_WIDE = 8
"""Fine bands in a wide one: 4 %."""

_COARSE_FRAMES = 8
_COARSE_MOST = 3750
"""Steps of the coarse search; its memory grows with their square (170 MB for these)."""

_LONG_S = 60.0
_MIDDLE_FRAMES = 4
_MIDDLE_REACH = 40
_LOWEST_RATIO = 0.7
_HIGHEST_RATIO = 1.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LogSpectra:
    """Magnitudes on a logarithmic frequency axis.

    Parameters
    ----------
    fine : ndarray, shape (frames, bands), float32
        Logarithm of the magnitude, in bands of half a percent, every 10 ms; wider than
        the passband of the machine by the largest change of speed.
    level : ndarray, shape (frames,), float32
        Root mean square of the frame in the passband.
    """

    fine: Features
    level: Features


def _band_count() -> tuple[int, int]:
    """Return fine bands in the passband, and beside it on either side."""
    inside = round(math.log(_HIGH_HZ / _LOW_HZ) / _FINE_STEP / _WIDE) * _WIDE
    beside = math.ceil(math.log(_HIGHEST_RATIO) / _FINE_STEP / _WIDE) * _WIDE + _WIDE
    return inside, beside


def log_spectra(samples: Floats) -> LogSpectra:
    """Return logarithmic spectra of a sound at the reduced rate.

    A floor at a hundredth of the take's loud frames keeps silence from showing detail.
    """
    inside, beside = _band_count()
    places = _LOW_HZ * np.exp(_FINE_STEP * (np.arange(inside + 2 * beside) - beside + 0.5))
    bins = places * _WINDOW / REDUCED_RATE_HZ
    whole = np.clip(np.floor(bins).astype(np.int64), 0, _WINDOW // 2 - 1)
    share = (bins - whole).astype(np.float32)
    padded = np.pad(samples, _WINDOW // 2)
    windows = np.lib.stride_tricks.sliding_window_view(padded, _WINDOW)[::_HOP]
    shape = np.hanning(_WINDOW + 1)[:-1].astype(np.float32)
    fine = np.empty((windows.shape[0], places.size), np.float32)
    for start in range(0, windows.shape[0], 256):
        spectra = np.abs(np.fft.rfft(windows[start : start + 256] * shape, axis=1)).astype(
            np.float32
        )
        fine[start : start + 256] = (
            spectra[:, whole] * (1.0 - share) + spectra[:, whole + 1] * share
        )
    middle = fine[:, beside : beside + inside]
    level = np.sqrt(np.mean(middle**2, axis=1))
    floor = max(float(np.percentile(level, 90.0)) * 0.02, 1e-9)
    return LogSpectra(fine=np.log(fine + floor), level=level)


def _wide(fine: Features, frames: int) -> Features:
    """Return bands of 4 %, means over some frames, each band relative to its own mean."""
    count = fine.shape[0] // frames
    bands = fine.shape[1] // _WIDE
    table = fine[: count * frames].reshape(count, frames, bands, _WIDE).mean(axis=(1, 3))
    return np.asarray(table - table.mean(axis=0), np.float32)


def _unit(table: Features) -> Features:
    table = table - table.mean(axis=1, keepdims=True)
    size = np.sqrt(np.sum(table**2, axis=1, keepdims=True))
    # A quiet frame differs from the mean by little that is not noise.
    return np.asarray(table / (size + 0.3 * float(np.median(size)) + 1e-6), np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alignment:
    """The path of a reproduction through its performance.

    Parameters
    ----------
    source_s : ndarray, shape (frames,)
        For every 10 ms of the reproduction, the time of the performance that sounds.
    ratio : float
        Speed ratio of the coarse search.
    score : float
        Likeness along the path, 0 to 1.
    contrast : float
        How far the best speed ratio stands out over the others, in their deviations.
    """

    source_s: Reals
    ratio: float
    score: float
    contrast: float


def _sheared(one: Features, other: Features) -> Features:
    """Return likeness of frames by offset, shape (frames of one, offsets).

    Column d holds the likeness of frame i of ``one`` and frame i + d - (frames - 1) of
    ``other``.
    """
    rows, columns = one.shape[0], other.shape[0]
    table = np.zeros((rows, rows + columns - 1), np.float32)
    product = one @ other.T
    # Row i starts at column rows - 1 - i: one step less on each row is a stride.
    flat = table.reshape(-1)
    step = table.strides[1]
    view: Features = np.lib.stride_tricks.as_strided(
        flat[rows - 1 :], (rows, columns), (table.strides[0] - step, step)
    )
    view[:] = product
    return table


def _stretched(table: Features, ratio: float) -> Features:
    """Return frames at steps of the ratio: what is played faster is shorter."""
    places = np.arange(0.0, table.shape[0] - 1.0, ratio)
    whole = places.astype(np.int64)
    share = (places - whole).astype(np.float32)[:, None]
    return np.asarray(table[whole] * (1.0 - share) + table[whole + 1] * share, np.float32)


def _follow(likeness: Features, cost: float, reach: int = 1) -> NDArray[np.int64]:
    """Find the column of each row with the best sum of likeness less cost of change."""
    steps = np.arange(-reach, reach + 1)
    prices = np.float32(cost) * np.abs(steps).astype(np.float32)
    total = likeness[0].copy()
    came = np.zeros(likeness.shape, np.int8)
    columns = np.arange(total.size)
    for row in range(1, likeness.shape[0]):
        best = total
        choice = np.zeros(total.size, np.int8)
        for step, price in zip(steps, prices, strict=True):
            if step == 0:
                continue
            moved = np.full(total.size, -np.inf, np.float32)
            if step > 0:
                moved[:-step] = total[step:]
            else:
                moved[-step:] = total[:step]
            moved -= price
            better = moved > best
            best = np.where(better, moved, best)
            choice[better] = step
        came[row] = choice
        total = best + likeness[row]
    path = np.empty(likeness.shape[0], np.int64)
    path[-1] = columns[int(np.argmax(total))]
    for row in range(likeness.shape[0] - 1, 0, -1):
        path[row - 1] = path[row] + came[row, path[row]]
    return path


def _frames_a_step(one: LogSpectra, other: LogSpectra) -> int:
    """Return 8 frames of 10 ms, and more for takes over five minutes."""
    longest: int = max(one.fine.shape[0], other.fine.shape[0])
    return max(_COARSE_FRAMES, math.ceil(longest / _COARSE_MOST))


def _coarse(one: LogSpectra, other: LogSpectra) -> tuple[Reals, float, float] | None:
    """Search the ratio and follow a path at 80 ms or more; returns source times, ratio, contrast."""
    inside, beside = _band_count()
    wide_in, wide_by = inside // _WIDE, beside // _WIDE
    frames_a_step = _frames_a_step(one, other)
    performed = _wide(one.fine, frames_a_step)
    played = _unit(_wide(other.fine, frames_a_step)[:, wide_by : wide_by + wide_in])
    step_s = HOP_S * frames_a_step
    length = round(4.0 / step_s)
    if performed.shape[0] < 2 * length // 3 or played.shape[0] < 2 * length // 3:
        return None
    shifts = range(
        round(math.log(_LOWEST_RATIO) / (_FINE_STEP * _WIDE)),
        round(math.log(_HIGHEST_RATIO) / (_FINE_STEP * _WIDE)) + 1,
    )
    scores = []
    best: tuple[float, Features, float] | None = None
    for shift in shifts:
        ratio = math.exp(shift * _FINE_STEP * _WIDE)
        # What was at f in the performance is at ratio x f in the reproduction.
        bands = performed[:, wide_by - shift : wide_by - shift + wide_in]
        table = _sheared(played, _unit(_stretched(bands, ratio)))
        summed = ndimage.uniform_filter1d(table, length, axis=0, mode="constant")
        picked = np.sort(np.max(summed[:: length // 2], axis=1))
        # Pauses and what lies outside the record match nothing.
        score = float(np.mean(picked[picked.size // 4 :]))
        scores.append(score)
        if best is None or score > best[0]:
            best = (score, ndimage.uniform_filter1d(table, 9, axis=0, mode="constant"), ratio)
    if best is None:
        return None
    top, table, ratio = best
    others = np.array(scores)
    away = np.abs(np.arange(others.size) - int(np.argmax(others))) > 2
    contrast = (top - float(np.mean(others[away]))) / (float(np.std(others[away])) + 1e-6)
    path = _follow(table, 1.2)
    frames = np.arange(path.size)
    column = ndimage.gaussian_filter1d(path.astype(np.float64), 4.0, mode="nearest")
    source = (frames + column - (played.shape[0] - 1)) * ratio
    # Middle of the group of frames.
    return (source + 0.5) * step_s - 0.5 * HOP_S, ratio, contrast


def _refined(
    one: LogSpectra,
    other: LogSpectra,
    source_s: Reals,
    ratio_by_frame: Reals,
    *,
    frames_a_step: int = 1,
    reach: int = 16,
) -> tuple[Reals, float]:
    """Follow a path closely, within some steps of a coarse one.

    ``source_s`` and the ratio are given, and the path returned, at these steps.
    """
    inside, beside = _band_count()
    wide_in, wide_by = inside // _WIDE, beside // _WIDE
    performed = _wide(one.fine, frames_a_step)
    played = _unit(_wide(other.fine, frames_a_step)[:, wide_by : wide_by + wide_in])
    offsets = np.arange(-reach, reach + 1)
    step_s = HOP_S * frames_a_step
    centre = source_s / step_s
    likeness = np.empty((played.shape[0], offsets.size), np.float32)
    shifts = np.clip(
        np.rint(np.log(ratio_by_frame) / (_FINE_STEP * _WIDE)).astype(np.int64),
        1 - wide_by,
        wide_by - 1,
    )
    last = performed.shape[0] - 1
    moved = {
        int(shift): _unit(performed[:, wide_by - shift : wide_by - shift + wide_in])
        for shift in np.unique(shifts)
    }
    for column, offset in enumerate(offsets):
        place = centre + offset
        whole = np.clip(np.floor(place).astype(np.int64), 0, max(last - 1, 0))
        share = np.clip(place - whole, 0.0, 1.0).astype(np.float32)
        outside = (place < 0.0) | (place > last)
        for shift, table in moved.items():
            rows = np.flatnonzero(shifts == shift)
            near, far = table[whole[rows]], table[np.minimum(whole[rows] + 1, last)]
            dots = np.einsum("ij,ij->i", played[rows], near) * (1.0 - share[rows])
            dots += np.einsum("ij,ij->i", played[rows], far) * share[rows]
            likeness[rows, column] = dots
        likeness[outside, column] = 0.0
    along = ndimage.gaussian_filter1d(likeness, 8.0, axis=0)
    path = _follow(along, 0.35)
    row = np.arange(path.size)
    inner = np.clip(path, 1, offsets.size - 2)
    left, middle, right = along[row, inner - 1], along[row, inner], along[row, inner + 1]
    bend = np.minimum(left - 2.0 * middle + right, -1e-6)
    offset = offsets[inner] + np.clip(0.5 * (left - right) / bend, -1.0, 1.0)
    offset = ndimage.gaussian_filter1d(offset.astype(np.float64), 5.0, mode="nearest")
    return (centre + offset) * step_s, float(np.mean(along[row, path]))


def align(performance: ReducedSound, reproduction: ReducedSound) -> Alignment | None:
    """Find the path of a reproduction through its performance.

    Returns
    -------
    Alignment or None
        None when either is shorter than 3 s. A path is found between any two sounds;
        whether it means anything is judged by :mod:`~archiver.signal.speedcurve`.
    """
    one, other = log_spectra(performance.samples), log_spectra(reproduction.samples)
    return align_spectra(one, other)


def align_spectra(one: LogSpectra, other: LogSpectra) -> Alignment | None:
    """Find the path between sounds whose spectra are known; see :func:`align`."""
    coarse = _coarse(one, other)
    if coarse is None:
        return None
    source_s, ratio, contrast = coarse
    step_s = HOP_S * _frames_a_step(one, other)
    frames = np.arange(other.fine.shape[0]) * HOP_S
    knots = (np.arange(source_s.size) + 0.5) * step_s - 0.5 * HOP_S
    inner = np.interp(frames, knots, source_s)
    # Beyond the first and last knot the path goes on at the ratio.
    inner = np.where(frames < knots[0], source_s[0] + (frames - knots[0]) * ratio, inner)
    inner = np.where(frames > knots[-1], source_s[-1] + (frames - knots[-1]) * ratio, inner)
    local = np.full(frames.size, ratio)
    if frames.size * HOP_S > _LONG_S:
        inner, local = _locally(one, other, inner, ratio)
    fine, score = _refined(one, other, inner, local)
    return Alignment(source_s=fine, ratio=ratio, score=score, contrast=contrast)


def _locally(
    one: LogSpectra, other: LogSpectra, source_s: Reals, ratio: float
) -> tuple[Reals, Reals]:
    """Follow a long path again with the pitch moved as the speed moves along it.

    Over minutes a speed may drift so far from the one of the coarse search that the
    bands no longer meet. Returns path and ratio at 10 ms.
    """
    frames = np.arange(source_s.size)
    count = source_s.size // _MIDDLE_FRAMES
    knots = (np.arange(count) + 0.5) * _MIDDLE_FRAMES - 0.5
    step_s = HOP_S * _MIDDLE_FRAMES
    path = np.interp(knots, frames, source_s)
    for _ in range(2):
        slope = np.gradient(ndimage.gaussian_filter1d(path, 3.0 / step_s, mode="nearest"), step_s)
        local = np.clip(slope, 0.88 * ratio, 1.13 * ratio)
        # Middle of the group of frames, both ways.
        late_s = 0.5 * (_MIDDLE_FRAMES - 1) * HOP_S
        path, _ = _refined(
            one, other, path - late_s, local, frames_a_step=_MIDDLE_FRAMES, reach=_MIDDLE_REACH
        )
        path += late_s
    slope = np.gradient(ndimage.gaussian_filter1d(path, 3.0 / step_s, mode="nearest"), step_s)
    local = np.interp(frames, knots, np.clip(slope, 0.88 * ratio, 1.13 * ratio))
    inner = np.interp(frames, knots, path)
    inner = np.where(frames < knots[0], path[0] + (frames - knots[0]) * HOP_S * local[0], inner)
    after = path[-1] + (frames - knots[-1]) * HOP_S * local[-1]
    return np.where(frames > knots[-1], after, inner), local


def fine_bands() -> tuple[int, int, float]:
    """Return how many fine bands lie in the passband and on either side, and their step.

    The step is the difference of natural logarithms from band to band.
    """
    inside, beside = _band_count()
    return inside, beside, _FINE_STEP
