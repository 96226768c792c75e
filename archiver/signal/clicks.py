"""Clicks and impulsive noise: bursts of a millisecond that stand out of the sound around them.

A click of a groove reaches the microphone through a horn, as a burst of one or two
milliseconds below 4 kHz. The sound is therefore bent (x[n-d] - 2 x[n] + x[n+d], with d
an eighth of a millisecond: strongest at 4 kHz, weak below 500 Hz), and its energy
taken over 2 ms in hops of 1 ms. A click is a hop whose energy lies 12 dB above the
ninth decile of the 36 ms before and after it. The pulses of a voice come every 2 to
12 ms and are each other's neighbours, so they do not count; on recorded speech
that is free of clicks this rule finds about one in six seconds, on steady noise
none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from archiver.signal.samples import Block

__all__ = ["ClickMeter", "Clicks"]

_INNER = 4
_OUTER = 40
_APART = 3
_RATIO = 10.0**1.2
_DECILE = 0.9
# Only what also exceeds this many times the mean around it is looked at closely.
_COARSE_RATIO = 3.0
_LEAST_AMPLITUDE = 2.0**-15


@dataclass(frozen=True, slots=True, kw_only=True)
class Clicks:
    """Clicks of one channel; several within 3 ms count as one."""

    count: int
    per_second: float


class ClickMeter:
    """Meters clicks."""

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        self._rate = sample_rate_hz
        self._lag = max(1, round(sample_rate_hz / 8000))
        self._hop = max(1, round(sample_rate_hz / 1000))
        self._least = _LEAST_AMPLITUDE**2
        self._before = np.zeros((channels, 0), np.float32)
        self._rises = np.zeros((channels, 0), np.float32)
        self._energies = np.zeros((channels, _OUTER), np.float32)
        self._last = np.zeros((channels, 1), np.float32)
        self._frames = 0
        self._count = np.zeros(channels, np.int64)

    def feed(self, block: Block) -> None:
        """Take the next frames in."""
        self._frames += block.frames
        lag = self._lag
        before, values = self._before, block.values
        joined = np.concatenate((before, values[:, :lag]), axis=1)
        fresh = max(0, joined.shape[1] - lag)
        carried = self._rises.shape[1]
        later = max(0, block.frames - lag)
        hops = max(0, carried + fresh + later - lag) // self._hop
        whole = hops * self._hop
        energies = np.empty((len(values), hops), np.float32)
        rise = np.empty(carried + fresh + later, np.float32)
        bend = np.empty(whole, np.float32)
        rests = []
        for channel in range(len(values)):
            # The difference over the lag, carried on from block to block.
            rise[:carried] = self._rises[channel]
            early = joined[channel]
            np.subtract(early[lag:], early[:fresh], out=rise[carried : carried + fresh])
            samples = values[channel]
            np.subtract(samples[lag:], samples[:later], out=rise[carried + fresh :])
            np.subtract(rise[lag : lag + whole], rise[:whole], out=bend)
            rows = bend.reshape(hops, self._hop)
            energies[channel] = np.vecdot(rows, rows)
            rests.append(rise[whole:].copy())
        self._rises = np.array(rests)
        tail = values if block.frames >= lag else np.concatenate((before, values), axis=1)
        self._before = tail[:, max(0, tail.shape[1] - lag) :].copy()
        if not hops:
            return
        # Two hops together: a click may lie across the edge between them.
        shifted = np.concatenate((self._last, energies[:, :-1]), axis=1)
        self._last = energies[:, -1:].copy()
        energies += shifted
        self._look(np.concatenate((self._energies, energies), axis=1))

    def _look(self, energies: NDArray[np.float32]) -> None:
        """Judge every hop that has its surroundings, and keep what the next ones need."""
        last = energies.shape[1] - _OUTER
        if last <= _OUTER:
            self._energies = energies
            return
        for channel, row in enumerate(energies):
            self._count[channel] += _clicks(row, last, self._least)
        self._energies = energies[:, last - _OUTER :].copy()

    def result(self) -> tuple[Clicks, ...]:
        """Return the clicks of each channel."""
        silence = np.zeros((len(self._energies), _OUTER), np.float32)
        self._look(np.concatenate((self._energies, silence), axis=1))
        seconds = self._frames / self._rate
        return tuple(
            Clicks(count=int(count), per_second=float(count / seconds) if seconds else 0.0)
            for count in self._count
        )


def _clicks(energies: NDArray[np.float32], last: int, least: float) -> int:
    """Count the clicks among the hops from ``_OUTER`` to ``last``."""
    here = energies[_OUTER:last]
    highest = here >= least
    for step in range(1, _APART + 1):
        highest &= here > energies[_OUTER - step : last - step]
        highest &= here >= energies[_OUTER + step : last + step]
    running = np.concatenate(([0.0], np.cumsum(energies, dtype=np.float64)))
    count = last - _OUTER
    outside = running[2 * _OUTER + 1 :][:count] - running[:count]
    low, high = _OUTER - _INNER, _OUTER + _INNER + 1
    outside -= running[high:][:count] - running[low:][:count]
    around = 2 * (_OUTER - _INNER)
    places = np.flatnonzero(highest & (here * around > _COARSE_RATIO * outside)) + _OUTER
    if not len(places):
        return 0
    offsets = np.concatenate((np.arange(-_OUTER, -_INNER), np.arange(_INNER + 1, _OUTER + 1)))
    surroundings = energies[places[:, np.newaxis] + offsets]
    rank = int(_DECILE * (around - 1) + 0.5)
    decile = np.partition(surroundings, rank, axis=1)[:, rank]
    return int(np.count_nonzero(energies[places] > _RATIO * decile))
