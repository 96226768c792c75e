"""Mains hum: the lines at 50 or 60 Hz and their multiples, and their exact frequency.

A line is hum when it stands out of its neighbourhood by 13 dB in spectra of 16 s
(bins of 0.06 Hz): random fluctuation of noise gives that less than once in a
million bins. It must be twice as high as any other line within 8 Hz. The frequency is the vertex of a parabola through the logarithms of
the three highest bins; its standard uncertainty 0.6 / (T √(M p)), with T the length
of a frame, M their number and p the height of the line over the noise, is what
simulation gives, and close to the Cramér-Rao bound.

A line is evidence only above all that the rounding of the samples can be. The error of
rounding is at most half a step, its power a quarter of a squared step; beside a steady
tone it repeats with the tone, and all of it may lie in a few lines, at multiples of 50 or
60 Hz as anywhere else. What is left is called hum

- if the fundamental is there, or without it (a rectifier) the second and another even
  harmonic, or the second and two more; a single line elsewhere is any tone;
- if the lines are beside the programme. Lines that are practically all there is, 99 % of
  the power, are a tone that somebody played, as far as anybody can tell, unless they are
  the fundamental and two or more harmonics.

Where this does not hold, none is told: there is no hum, or one cannot tell.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.signal.levels import decibels
from archiver.signal.lowband import HIGHEST_HZ, hann_powers
from archiver.signal.samples import Floats

__all__ = ["Hum", "HumMeter", "Line", "Surroundings", "most_of_rounding"]

_FRAME = 32_768
_PADDED = 65_536
_LEAST_SECONDS = 4.0
_PROMINENCE_DB = 13.0
_TOLERANCE = 0.003
_ROUNDING = 1e-13
_AGREEMENT = 4.0
_WANDER_HZ = 0.003
_OVER_OTHERS = 2.0
_NOMINALS = (50.0, 60.0)
_HARMONICS = 10
_LOWEST_ABSENT = 2
_LEAST_EVEN = 2
_LEAST_ANY = 3
_ALL_SHARE = 0.99
_UNKNOWN_BITS = 16
_GAINED_OCCUPANCY = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line of the hum: its harmonic number, frequency, level and height over the noise."""

    harmonic: int
    frequency_hz: float
    level_dbfs: float
    prominence_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """Mains hum of one channel.

    ``frequency_hz`` is that of the mains, from the lines weighted by how well each
    fixes it, with its standard uncertainty; ``level_dbfs`` is the RMS of all lines
    together.
    """

    nominal_hz: float
    frequency_hz: float
    frequency_uncertainty_hz: float
    level_dbfs: float
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What the lines of a channel are judged beside, full scale 1.0.

    ``rounding_power`` is the most that the rounding of its samples can be, and
    ``total_power`` the mean square of the channel without its mean.
    """

    rounding_power: float = 0.0
    total_power: float = math.inf


def most_of_rounding(bits_used: int | None, depth_occupancy: float | None) -> float:
    """Return the greatest power that the error of rounding can have, full scale 1.0.

    Parameters
    ----------
    bits_used : int, optional
        Depth of the finest step; None for floats, which may come from 16 bits.
    depth_occupancy : float, optional
        Share of the 24-bit values that occur. Where half of them or more do not, a gain
        was applied to samples of a coarser step.
    """
    bits = _UNKNOWN_BITS if bits_used is None else bits_used
    step = 2.0 ** (1 - bits)
    if depth_occupancy is not None and 0.0 < depth_occupancy < _GAINED_OCCUPANCY:
        step = max(step, 2.0**-23 / depth_occupancy)
    return step**2 / 4.0


class HumMeter:
    """Meters hum in decimated sound (:class:`archiver.signal.lowband.Decimator`)."""

    def __init__(self, decimated_hz: float, channels: int) -> None:
        self._rate = decimated_hz
        self._waiting = np.empty((channels, _FRAME), np.float32)
        self._filled = 0
        self._sum = np.zeros((channels, _PADDED // 2 + 1))
        self._frames = 0

    def feed(self, values: Floats) -> None:
        """Take the next decimated frames in."""
        at = 0
        while at < values.shape[1]:
            size = min(_FRAME - self._filled, values.shape[1] - at)
            self._waiting[:, self._filled : self._filled + size] = values[:, at : at + size]
            self._filled += size
            at += size
            if self._filled == _FRAME:
                self._sum += hann_powers(self._waiting, _PADDED)
                self._frames += 1
                half = _FRAME // 2
                self._waiting[:, :half] = self._waiting[:, half:].copy()
                self._filled = half

    def result(self, beside: Sequence[Surroundings] | None = None) -> tuple[Hum | None, ...]:
        """Return the hum of each channel; None where there is none, or one cannot tell.

        Parameters
        ----------
        beside : sequence of Surroundings, optional
            One a channel; without it, lines are judged by their neighbourhood alone.
        """
        width = 2.0 * self._rate / _FRAME
        if not self._frames:
            samples = self._filled
            if samples < _LEAST_SECONDS * self._rate:
                return (None,) * len(self._sum)
            self._sum += hann_powers(self._waiting[:, :samples], _PADDED)
            self._frames = 1
            width = 2.0 * self._rate / samples
        beside = beside or (Surroundings(),) * len(self._sum)
        return tuple(
            _strongest(powers, self._frames, self._rate / _PADDED, width, about)
            for powers, about in zip(self._sum, beside, strict=True)
        )


def _strongest(
    summed: NDArray[np.float64],
    frames: int,
    bin_hz: float,
    width_hz: float,
    beside: Surroundings,
) -> Hum | None:
    powers = summed / frames
    found = [
        hum
        for nominal in _NOMINALS
        if (hum := _hum(powers, frames, bin_hz, width_hz, nominal, beside))
    ]
    return max(found, key=lambda hum: sum(line.prominence_db for line in hum.lines), default=None)


def _hum(
    powers: NDArray[np.float64],
    frames: int,
    bin_hz: float,
    width_hz: float,
    nominal: float,
    beside: Surroundings,
) -> Hum | None:
    lines = [
        line
        for harmonic in range(1, _HARMONICS + 1)
        if harmonic * nominal < HIGHEST_HZ
        and (line := _line(powers, bin_hz, width_hz, nominal, harmonic))
        and _power(line) > beside.rounding_power
    ]
    if not lines:
        return None
    # All lines of one mains agree with the lowest to within what both can tell; a note of
    # music near a multiple does not.
    anchor = lines[0]
    lines = [
        line
        for line in lines
        if abs(line.frequency_hz / line.harmonic - anchor.frequency_hz / anchor.harmonic)
        <= _AGREEMENT
        * (_uncertainty(line, frames, width_hz) + _uncertainty(anchor, frames, width_hz))
        + _WANDER_HZ
    ]
    total = sum(map(_power, lines))
    if not _is_evidence([line.harmonic for line in lines], total / beside.total_power):
        return None
    weights = np.array([_uncertainty(line, frames, width_hz) ** -2.0 for line in lines])
    values = np.array([line.frequency_hz / line.harmonic for line in lines])
    return Hum(
        nominal_hz=nominal,
        frequency_hz=float(weights @ values / weights.sum()),
        frequency_uncertainty_hz=float(weights.sum() ** -0.5),
        level_dbfs=float(10.0 * np.log10(total)),
        lines=tuple(lines),
    )


def _power(line: Line) -> float:
    return float(10.0 ** (line.level_dbfs / 10.0))


def _is_evidence(harmonics: Sequence[int], share: float) -> bool:
    """Say whether lines at these harmonics, with this share of all power, are hum."""
    has_fundamental = harmonics[0] == 1
    if share > _ALL_SHARE:
        return has_fundamental and len(harmonics) >= _LEAST_ANY
    # One line that is not the fundamental may be any tone, or a multiple of a machine's
    # turns; 300 Hz belongs to both mains.
    if has_fundamental or harmonics[0] > _LOWEST_ABSENT:
        return has_fundamental
    even = sum(harmonic % 2 == 0 for harmonic in harmonics)
    return even >= _LEAST_EVEN or len(harmonics) >= _LEAST_ANY


def _uncertainty(line: Line, frames: int, width_hz: float) -> float:
    """Return the standard uncertainty of the mains frequency from one line."""
    # The width is twice the reciprocal of a frame's length.
    height = math.pow(10.0, line.prominence_db / 20.0)
    return 0.3 * width_hz / (line.harmonic * height * math.sqrt(frames))


def _line(
    powers: NDArray[np.float64], bin_hz: float, width_hz: float, nominal: float, harmonic: int
) -> Line | None:
    expected = nominal * harmonic
    reach = max(_TOLERANCE * expected, width_hz)
    low, high = round((expected - reach) / bin_hz), round((expected + reach) / bin_hz)
    peak = low + int(np.argmax(powers[low : high + 1]))
    side = round((reach + 2.0 * width_hz) / bin_hz)
    far = side + round(max(4.0, 8.0 * width_hz) / bin_hz)
    around = np.concatenate((powers[peak - far : peak - side], powers[peak + side : peak + far]))
    floor = float(np.median(around))
    # Beside a strong tone without noise, what is left is the rounding of float32.
    floor = max(floor, float(powers.max()) * _ROUNDING)
    if floor <= 0.0 or powers[peak] <= floor:
        return None
    prominence = 10.0 * np.log10(powers[peak] / floor)
    # A thump at every turn makes lines side by side, none of which is the mains.
    alone = powers[peak] > _OVER_OTHERS * float(around.max())
    if prominence < _PROMINENCE_DB or not alone or not low < peak < high:
        return None
    before, here, after = np.log(np.maximum(powers[peak - 1 : peak + 2], floor * _ROUNDING))
    shift = 0.5 * (before - after) / (before - 2.0 * here + after)
    inside = round(width_hz / bin_hz)
    energy = float(powers[peak - inside : peak + inside + 1].sum())
    energy -= floor * (2 * inside + 1)
    level = decibels(np.sqrt(max(energy, 0.0)))
    if level is None:
        return None
    return Line(
        harmonic=harmonic,
        frequency_hz=float((peak + shift) * bin_hz),
        level_dbfs=level,
        prominence_db=float(prominence),
    )
