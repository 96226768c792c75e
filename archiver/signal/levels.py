"""Levels of each channel: sample peak, RMS, crest factor, DC offset, bits in use.

All decibels of level refer to the largest sample value: 0 dBFS is the RMS of a
full-scale square wave, and a full-scale sine has -3.01 dBFS RMS and a crest
factor of 3.01 dB.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from archiver.signal.samples import Block, Floats

__all__ = ["ChannelLevels", "LevelMeter", "decibels"]

_PIECE = 2048


def decibels(amplitude: float) -> float | None:
    """Return 20·log10 of an amplitude; None for nothing at all."""
    return 20.0 * math.log10(amplitude) if amplitude > 0.0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelLevels:
    """Levels of one channel; None where there is no sound, or nothing to count.

    ``dc_offset`` is the mean, full scale 1.0. ``bits_used`` is the depth of the
    finest step that occurs in PCM samples; None for floats and for silence.
    ``invalid_samples`` counts NaN, infinities and absurd values of float files,
    which no other figure includes.
    """

    sample_peak_dbfs: float | None
    rms_dbfs: float | None
    crest_factor_db: float | None
    dc_offset: float
    dc_offset_dbfs: float | None
    bits_used: int | None
    invalid_samples: int

    @property
    def power_without_mean(self) -> float:
        """Mean square of the channel about its mean, full scale 1.0."""
        square = 0.0 if self.rms_dbfs is None else 10.0 ** (self.rms_dbfs / 10.0)
        return max(square - self.dc_offset**2, 0.0)


class LevelMeter:
    """Meters the levels of each channel."""

    def __init__(self, channels: int) -> None:
        self._frames = 0
        self._highest = np.zeros(channels)
        self._sum = np.zeros(channels)
        self._squares = np.zeros(channels)
        self._bits = np.zeros(channels, np.int32)
        self._invalid = np.zeros(channels, np.int64)

    def feed(self, block: Block) -> None:
        """Take the next frames in."""
        if not block.frames:
            return
        self._frames += block.frames
        for channel, samples in enumerate(block.values):
            self._add(channel, samples)
        if block.bits is not None:
            self._bits |= block.bits
        if block.invalid is not None:
            self._invalid += np.count_nonzero(block.invalid, axis=1)

    def _add(self, channel: int, samples: Floats) -> None:
        self._highest[channel] = max(self._highest[channel], samples.max(), -samples.min())
        # Short float32 sums, gathered in float64: the error stays below 1e-6 of the value.
        whole = len(samples) // _PIECE * _PIECE
        pieces = samples[:whole].reshape(-1, _PIECE)
        self._sum[channel] += pieces.sum(axis=1).sum(dtype=np.float64)
        self._squares[channel] += np.vecdot(pieces, pieces).sum(dtype=np.float64)
        rest = samples[whole:]
        self._sum[channel] += float(rest.sum())
        self._squares[channel] += float(rest @ rest)

    def result(self) -> tuple[ChannelLevels, ...]:
        """Return the levels of each channel."""
        return tuple(self._levels(channel) for channel in range(len(self._sum)))

    def _levels(self, channel: int) -> ChannelLevels:
        count = self._frames - int(self._invalid[channel])
        mean = float(self._sum[channel]) / count if count else 0.0
        rms = math.sqrt(float(self._squares[channel]) / count) if count else 0.0
        peak = float(self._highest[channel])
        bits = int(self._bits[channel]) & 0xFFFFFFFF
        return ChannelLevels(
            sample_peak_dbfs=decibels(peak),
            rms_dbfs=decibels(rms),
            crest_factor_db=decibels(peak / rms) if rms else None,
            dc_offset=mean,
            dc_offset_dbfs=decibels(abs(mean)),
            bits_used=32 - ((bits & -bits).bit_length() - 1) if bits else None,
            invalid_samples=int(self._invalid[channel]),
        )
