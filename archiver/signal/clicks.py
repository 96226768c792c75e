"""Clicks and impulsive noise: single steps that stand far out of the sound around them.

A click is a sample whose second difference exceeds seventeen times the mean
magnitude of the second differences in its stretch (4 to 24 ms). In noise with a
normal distribution that is thirty-three times its standard deviation; twenty
times the median deviation is common practice, and for such noise the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.signal.samples import Block

__all__ = ["ClickMeter", "Clicks"]

_FACTOR = 17.0
_APART_S = 0.002
_LEAST_STEP = 2.0**-15
"""A click lower than one step of 16 bits is not heard and may be rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Clicks:
    """Clicks of one channel; several within 2 ms count as one."""

    count: int
    per_second: float


def _stretch(sample_rate_hz: int) -> int:
    length = 768
    while length > 96 and length / sample_rate_hz > 0.012:
        length //= 2
    return length


class ClickMeter:
    """Meters clicks."""

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        self._rate = sample_rate_hz
        self._length = _stretch(sample_rate_hz)
        self._apart = max(2, round(_APART_S * sample_rate_hz))
        self._waiting = np.zeros((channels, 0), np.float32)
        self._first = 0
        self._frames = 0
        self._count = np.zeros(channels, np.int64)
        self._last = np.full(channels, -(10**9), np.int64)

    def feed(self, block: Block) -> None:
        """Take the next frames in."""
        self._frames += block.frames
        values = np.concatenate((self._waiting, block.values), axis=1)
        # A stretch needs the two samples after its end.
        stretches = (values.shape[1] - 2) // self._length
        whole = max(0, stretches) * self._length
        self._waiting = values[:, whole:]
        if not whole:
            return
        for channel in range(len(values)):
            samples = values[channel, : whole + 2]
            bend = samples[1:] - samples[:-1]
            bend = bend[1:] - bend[:-1]
            np.abs(bend, out=bend)
            rows = bend.reshape(stretches, self._length)
            limit = np.maximum(_FACTOR * rows.mean(axis=1), _LEAST_STEP)
            for index in np.flatnonzero(rows.max(axis=1) > limit):
                places = np.flatnonzero(rows[index] > limit[index])
                self._add(channel, self._first + int(index) * self._length + 1 + places)
        self._first += whole

    def _add(self, channel: int, places: NDArray[np.int64]) -> None:
        gaps = np.diff(places, prepend=self._last[channel])
        self._count[channel] += np.count_nonzero(gaps > self._apart)
        self._last[channel] = places[-1]

    def result(self) -> tuple[Clicks, ...]:
        """Return the clicks of each channel."""
        seconds = self._frames / self._rate
        return tuple(
            Clicks(count=int(count), per_second=float(count / seconds) if seconds else 0.0)
            for count in self._count
        )
