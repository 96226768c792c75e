"""How well a stretch of a performance, at a speed and a delay, explains a reproduction.

For each short window of the reproduction the performance is read at a range of speeds
and correlated at a range of delays, in eight parts of the band. Taking the magnitude
part by part makes the result insensitive to what horn and room do to the phase; the
shift of every line by the speed makes it sharp in speed (the cross-ambiguity function
of radar, common practice). A path through windows, speeds and delays is then found by
dynamic programming: the delay moves as the speed says.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, signal

from archiver.signal.alignment import HOP_S, LogSpectra, fine_bands
from archiver.signal.estimate import Reals
from archiver.signal.reduced import ReducedSound
from archiver.signal.samples import Floats

__all__ = [
    "PART_RATE_HZ",
    "Base",
    "Grid",
    "Observed",
    "observe",
    "read_at",
    "whitened",
]

PART_RATE_HZ = 8_000
_EDGES_HZ = (250.0, 430.0, 640.0, 880.0, 1150.0, 1460.0, 1820.0, 2230.0, 2700.0)
_FLOOR = 0.3
_ENTRY = 40.0
_SHIFT_REACH = 24
_SHIFT_WEIGHT = (3.0, 1.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Base:
    """A path about which to search: for each time, where in the performance, how fast.

    All of shape (n,), at any steps.
    """

    time_s: Reals
    source_s: Reals
    ratio: Reals


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """What to search: windows, relative speeds about the base, delays about the base."""

    window_s: float
    hop_s: float
    speed_reach: float
    speeds: int
    delay_reach_s: float
    change_reach: int
    change_cost: float
    delay_step_s: float = 0.0005


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Observed:
    """What was found along the best path, each of shape (windows,).

    Parameters
    ----------
    time_s : ndarray
        Middle of the window, in the reproduction.
    ratio : ndarray
        Speed that explains the window best.
    source_s : ndarray
        Time of the performance.
    evidence : ndarray
        Logarithm of the likelihood over that of other speeds; under 1.2 it is chance.
    """

    time_s: Reals
    ratio: Reals
    source_s: Reals
    evidence: Reals


def whitened(take: ReducedSound) -> Floats:
    """Return the passband at 8 kHz with its spectrum nearly levelled and variance 1."""
    sound = signal.resample_poly(take.samples.astype(np.float64), 1, 2)
    frequency, power = signal.welch(sound, PART_RATE_HZ, nperseg=min(512, sound.size))
    inside = (frequency > 250.0) & (frequency < 2900.0)
    floor = float(power[inside].max()) * 3e-4 + 1e-20
    smooth = np.maximum(ndimage.uniform_filter1d(power, 5), floor)
    size = fft.next_fast_len(sound.size + PART_RATE_HZ // 10, real=True)
    places = fft.rfftfreq(size, 1.0 / PART_RATE_HZ)
    gain = np.interp(places, frequency, smooth) ** -0.35
    gain *= (places > 220.0) & (places < 3000.0)
    level = fft.irfft(fft.rfft(sound, size) * gain, size)[: sound.size]
    return np.asarray(level / (float(np.std(level)) + 1e-20), np.float32)


def read_at(sound: Floats, places: Reals) -> Floats:
    """Return a sound at fractional places, by straight lines; for analysis only."""
    inside = np.clip(places, 0.0, sound.size - 2.0)
    whole = inside.astype(np.int32)
    share = (inside - whole).astype(np.float32)
    return np.asarray(sound[whole] * (np.float32(1.0) - share) + sound[whole + 1] * share)


def _parts(bins: int, size: int) -> tuple[slice, list[slice], Reals]:
    frequency = np.arange(bins) * PART_RATE_HZ / size
    edges = np.searchsorted(frequency, _EDGES_HZ)
    first = int(edges[0])
    parts = [slice(int(a) - first, int(b) - first) for a, b in itertools.pairwise(edges)]
    whole = slice(first, int(edges[-1]))
    return whole, parts, np.asarray(frequency[whole])


def _likelihood(
    performed: Floats, played: Floats, centres: NDArray[np.int64], base: Base, grid: Grid
) -> Floats:
    """Return logarithms of likelihood, shape (windows, speeds, delays)."""
    window = round(grid.window_s * PART_RATE_HZ)
    reach = round(grid.delay_reach_s * PART_RATE_HZ)
    wide = window + 2 * reach
    size = fft.next_fast_len(wide, real=True)
    whole, parts, frequency = _parts(size // 2 + 1, size)
    speeds = np.linspace(-grid.speed_reach, grid.speed_reach, grid.speeds)
    shape = np.hanning(window + 2)[1:-1].astype(np.float32)
    ramp = round(0.02 * PART_RATE_HZ)
    edge = np.ones(wide, np.float32)
    edge[:ramp] = np.hanning(2 * ramp)[:ramp]
    edge[-ramp:] = edge[:ramp][::-1]
    offsets = np.arange(wide) - wide // 2

    def turned(by: float | Reals) -> NDArray[np.complex64]:
        return np.asarray(np.exp(2j * np.pi * frequency[:, None] * by), np.complex64)

    delays = _delays(grid)
    steer = turned(delays[None, :])
    to_middle = turned(window // 2 / PART_RATE_HZ)[:, 0]
    to_wide_middle = turned(wide // 2 / PART_RATE_HZ)[:, 0]
    # Energy of a part of unit noise in the tapered window keeps silence from counting.
    found = np.zeros((centres.size, grid.speeds, delays.size), np.float32)
    windows = np.lib.stride_tricks.sliding_window_view(played, window)
    for start in range(0, centres.size, 256):
        rows = slice(start, start + 256)
        spectrum = fft.rfft(windows[centres[rows] - window // 2] * shape, size, axis=1)
        mine = spectrum[:, whole] * to_middle
        for index, speed in enumerate(speeds):
            step = base.ratio[rows] * (1.0 + speed)
            places = base.source_s[rows, None] * PART_RATE_HZ + offsets[None, :] * step[:, None]
            other = fft.rfft(read_at(performed, places) * edge, size, axis=1)[:, whole]
            cross = other * to_wide_middle * np.conj(mine)
            for part in parts:
                floor = _FLOOR * (part.stop - part.start) * 0.375 * window
                mine_power = np.sum(np.abs(mine[:, part]) ** 2, axis=1) + floor
                other_power = np.sum(np.abs(other[:, part]) ** 2, axis=1) * (0.67 * window / wide)
                match = np.abs(cross[:, part] @ steer[part]) ** 2
                match /= ((other_power + floor) * mine_power)[:, None]
                found[rows, index] -= np.log1p(-np.minimum(match, 0.95))
    return found


def _delays(grid: Grid) -> Reals:
    count = round(grid.delay_reach_s / grid.delay_step_s)
    return np.asarray(np.arange(-count, count + 1) * grid.delay_step_s)


def _with_shift(
    found: Floats,
    spectra: tuple[LogSpectra, LogSpectra],
    base: Base,
    grid: Grid,
    coarse_ratio: float,
    weight: float,
) -> None:
    """Add how well the pitch agrees, by the shift of logarithmic spectra, to a likelihood."""
    one, other = spectra
    inside, beside, step = fine_bands()

    def detail(table: Floats) -> Floats:
        table = table - ndimage.uniform_filter1d(table, 41, axis=1)
        return np.asarray(table - table.mean(axis=0))

    performed, played = detail(one.fine), detail(other.fine)[:, beside : beside + inside]
    clock = np.arange(played.shape[0]) * HOP_S
    place = np.clip(np.interp(clock, base.time_s, base.source_s) / HOP_S, 0, len(performed) - 2)
    whole = place.astype(np.int64)
    share = (place - whole).astype(np.float32)[:, None]
    paired = performed[whole] * (1.0 - share) + performed[whole + 1] * share
    centre = round(float(np.log(coarse_ratio)) / step)
    shifts = np.arange(centre - _SHIFT_REACH, centre + _SHIFT_REACH + 1)
    shifts = np.clip(shifts, inside - paired.shape[1] + beside, beside)
    agree = np.stack(
        [
            np.einsum("ij,ij->i", played, paired[:, beside - s : beside - s + inside])
            for s in shifts
        ],
        axis=1,
    )
    mine = np.sum(played**2, axis=1)
    theirs = np.sum(paired[:, beside - centre : beside - centre + inside] ** 2, axis=1)
    agree = ndimage.gaussian_filter1d(agree, 5.0, axis=0)
    size = np.sqrt(ndimage.gaussian_filter1d(mine, 5.0) * ndimage.gaussian_filter1d(theirs, 5.0))
    size += 0.3 * float(np.sqrt(np.median(mine) * np.median(theirs))) + 1e-9
    score = -np.log1p(-(np.clip(agree / size[:, None], 0.0, 0.95) ** 2))
    row = np.clip(np.rint(base.time_s / HOP_S).astype(np.int64), 0, score.shape[0] - 1)
    for index, speed in enumerate(np.linspace(-grid.speed_reach, grid.speed_reach, grid.speeds)):
        column = (np.log(base.ratio * (1.0 + speed)) - shifts[0] * step) / step
        left = np.clip(np.floor(column).astype(np.int64), 0, shifts.size - 2)
        part = np.clip(column - left, 0.0, 1.0)
        value = score[row, left] * (1.0 - part) + score[row, left + 1] * part
        found[:, index] += np.float32(weight) * value[:, None].astype(np.float32)


def _follow(found: Floats, base: Base, grid: Grid) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Find the best path; returns indices of speed and delay, each of shape (windows,)."""
    count, speeds, delays = found.shape
    relative = np.linspace(-grid.speed_reach, grid.speed_reach, speeds)
    away = np.float32(0.05) * (_delays(grid) / 0.010).astype(np.float32) ** 2
    never = np.float32(-1e9)
    total = found[0] - away
    speed_from = np.zeros(found.shape, np.int8)
    delay_from = np.zeros(found.shape, np.int8)
    moved = np.zeros((count, speeds), np.int64)
    rest = np.zeros(speeds)
    reach = grid.change_reach
    for row in range(1, count):
        ratio = 0.5 * (base.ratio[row] + base.ratio[row - 1])
        passed_s = base.source_s[row] - base.source_s[row - 1]
        due = rest + (ratio * (1.0 + relative) * grid.hop_s - passed_s) / ratio / grid.delay_step_s
        # A base that jumps in silence must not push every path out of the grid.
        due = np.clip(due, -4.0, 4.0)
        step = np.rint(due).astype(np.int64)
        rest = due - step
        moved[row] = step
        padded = np.pad(total, ((reach, reach), (0, 0)), constant_values=never)
        best = padded[reach : reach + speeds]
        chosen = np.zeros((speeds, delays), np.int8)
        for change in range(-reach, reach + 1):
            if change:
                rival = padded[reach + change : reach + change + speeds] - np.float32(
                    grid.change_cost * change * change
                )
                better = rival > best
                best = np.where(better, rival, best)
                chosen[better] = change
        speed_from[row] = chosen
        padded = np.pad(best, ((0, 0), (1, 1)), constant_values=never)
        slid = np.zeros((speeds, delays), np.int8)
        for slide in (-1, 1):
            rival = padded[:, 1 + slide : 1 + slide + delays] - np.float32(0.2)
            better = rival > best
            best = np.where(better, rival, best)
            slid[better] = slide
        delay_from[row] = slid
        # A base that is wrong for a while pushes every path out; new ones may enter, at a
        # price, and sums start from 0 at each step so that single precision is enough.
        total = np.full((speeds, delays), float(best.max()) - _ENTRY, np.float32)
        for index in range(speeds):
            by = int(step[index])
            if by > 0:
                total[index, by:] = best[index, :-by]
            elif by < 0:
                total[index, :by] = best[index, -by:]
            else:
                total[index] = best[index]
        total += found[row] - away
        total -= total.max()
    speed = np.empty(count, np.int64)
    delay = np.empty(count, np.int64)
    at, to = np.unravel_index(int(np.argmax(total)), total.shape)
    speed[-1], delay[-1] = int(at), int(to)
    for row in range(count - 1, 0, -1):
        here = int(speed[row])
        before = min(max(int(delay[row] - moved[row, here]), 0), delays - 1)
        before = min(max(before + int(delay_from[row, here, before]), 0), delays - 1)
        delay[row - 1] = before
        speed[row - 1] = min(max(here + int(speed_from[row, here, before]), 0), speeds - 1)
    return speed, delay


def observe(
    performed: Floats,
    played: Floats,
    spectra: tuple[LogSpectra, LogSpectra],
    base: Base,
    grid: Grid,
    *,
    coarse_ratio: float,
    first: bool,
) -> Observed:
    """Find speed and place of each window near a base.

    Parameters
    ----------
    performed, played : ndarray, shape (frames,)
        Of :func:`whitened`.
    spectra : pair of LogSpectra
        Of performance and reproduction.
    base : Base
    grid : Grid
    coarse_ratio : float
        About which the shift of spectra is looked up.
    first : bool
        Whether this is the wide search, in which pitch weighs more.
    """
    window = round(grid.window_s * PART_RATE_HZ)
    hop = round(grid.hop_s * PART_RATE_HZ)
    centres = np.arange(window // 2, played.size - window // 2, hop, dtype=np.int64)
    time_s = centres / PART_RATE_HZ
    near = Base(
        time_s=time_s,
        source_s=np.interp(time_s, base.time_s, base.source_s),
        ratio=np.interp(time_s, base.time_s, base.ratio),
    )
    found = _likelihood(performed, played, centres, near, grid)
    _with_shift(found, spectra, near, grid, coarse_ratio, _SHIFT_WEIGHT[0 if first else 1])
    speed, delay = _follow(found, near, grid)
    row = np.arange(centres.size)
    profile = np.max(
        [found[row, :, np.clip(delay + slide, 0, found.shape[2] - 1)] for slide in range(-2, 3)],
        axis=0,
    )
    inner = np.clip(speed, 1, grid.speeds - 2)
    left, middle, right = profile[row, inner - 1], profile[row, inner], profile[row, inner + 1]
    bend = np.minimum(left - 2.0 * middle + right, -1e-3)
    between = np.clip(0.5 * (left - right) / bend, -1.0, 1.0)
    relative = np.linspace(-grid.speed_reach, grid.speed_reach, grid.speeds)
    change = relative[inner] + between * (relative[1] - relative[0])
    return Observed(
        time_s=time_s,
        ratio=near.ratio * (1.0 + change),
        source_s=near.source_s + _delays(grid)[delay] * near.ratio,
        evidence=np.maximum(middle - np.median(profile, axis=1), 0.0).astype(np.float64),
    )
