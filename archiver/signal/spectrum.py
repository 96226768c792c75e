"""Short-time spectra: one frame each 100 ms, sorted by level, with what further meters need.

A frame is a Hann window over the largest power of two that fits into 100 ms
(8192 frames at 96 kHz, bins of 11.7 Hz). Spectra are scaled so that the bins of a
frame add up to its mean square; a full-scale sine has -3.01 dBFS.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from archiver.signal.hops import hop_starts
from archiver.signal.kweighting import response
from archiver.signal.levelsorted import LevelSorted
from archiver.signal.samples import Block, Floats

__all__ = ["FRAMES_PER_SECOND", "FrameBands", "ShortTimeSpectra", "SpectrumMeter"]

FRAMES_PER_SECOND = 10

_BATCH_SAMPLES = 65_536
_LOW_HZ = (20.0, 200.0)
_VOICE_HZ = (200.0, 3000.0)
_HIGH_HZ = (5000.0, 10_000.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrameBands:
    """Powers of each 100 ms frame, channels added: arrays of shape (frames,), float32.

    ``k_weighted`` is K-weighted; ``low`` covers 20 to 200 Hz, ``voice`` 200 to
    3000 Hz, ``high`` 5 to 10 kHz; ``peak`` is the strongest single bin.
    """

    k_weighted: Floats
    low: Floats
    voice: Floats
    high: Floats
    peak: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShortTimeSpectra:
    """What the spectra of a take add up to.

    Parameters
    ----------
    bin_hz : float
        Width of a bin.
    channels : tuple of LevelSorted
        Spectra of each channel.
    bands : FrameBands
        Powers of each frame.
    correlation : ndarray, shape (channels, channels)
        Coefficient of each pair of channels between 200 and 3000 Hz; NaN
        where a channel is silent.
    """

    bin_hz: float
    channels: tuple[LevelSorted, ...]
    bands: FrameBands
    correlation: NDArray[np.float64]


class SpectrumMeter:
    """Meters short-time spectra."""

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        self._rate = sample_rate_hz
        self._size = 1 << ((sample_rate_hz // FRAMES_PER_SECOND).bit_length() - 1)
        size = self._size
        self._bin_hz = sample_rate_hz / size
        window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(size) / size)
        window *= np.sqrt(2.0 / (size * np.sum(window**2)))
        self._window = window.astype(np.float32)
        frequency = np.arange(size // 2 + 1, dtype=np.float64) * self._bin_hz
        weights = np.zeros((len(frequency), 4))
        weights[:, 0] = response(sample_rate_hz, frequency) ** 2
        for column, (low, high) in enumerate((_LOW_HZ, _VOICE_HZ, _HIGH_HZ), start=1):
            weights[(frequency >= low) & (frequency < high), column] = 1.0
        # The window spreads a constant part over the first two bins; it is no sound.
        weights[:2] = 0.0
        self._weights = weights.astype(np.float32)
        self._voice = slice(*np.searchsorted(frequency, _VOICE_HZ))
        # As many frames at once as stay in a processor's cache.
        self._batch = max(1, _BATCH_SAMPLES // (channels * size))
        self._buffer = np.empty((channels, self._batch, size), np.float32)
        self._sorted = tuple(LevelSorted(len(frequency)) for _ in range(channels))
        self._products = np.zeros((channels, channels))
        self._rows: list[Floats] = []
        self._frame = 0
        self._end = 0
        self._before = np.zeros((channels, 0), np.float32)

    def feed(self, block: Block) -> None:
        """Take the next frames in."""
        values = block.values
        start = self._end
        self._end += block.frames
        count = max(0, (self._end * FRAMES_PER_SECOND) // self._rate + 2 - self._frame)
        starts = hop_starts(self._rate, FRAMES_PER_SECOND, self._frame + np.arange(count))
        starts = starts[starts + self._size <= self._end]
        self._frame += len(starts)
        for some in range(0, len(starts), self._batch):
            self._take(self._windowed(values, starts[some : some + self._batch] - start))
        self._keep(values)

    def _windowed(self, values: Floats, firsts: NDArray[np.int64]) -> Floats:
        """Cut frames out of the block, or out of its end and what came before, and weight them."""
        channels, size = len(values), self._size
        windowed = self._buffer[:, : len(firsts)]
        for index, first in enumerate(firsts.tolist()):
            if first >= 0:
                piece = values[:, first : first + size]
            else:
                early = self._before[:, self._before.shape[1] + first :]
                late = values[:, : size - early.shape[1]]
                piece = np.concatenate((early, late), axis=1)
            np.multiply(piece, self._window, out=windowed[:, index])
        return windowed.reshape(channels, len(firsts), size)

    def _keep(self, values: Floats) -> None:
        needed = min(self._size, self._before.shape[1] + values.shape[1])
        if values.shape[1] >= needed:
            self._before = values[:, values.shape[1] - needed :].copy()
        else:
            both = np.concatenate((self._before, values), axis=1)
            self._before = both[:, both.shape[1] - needed :].copy()

    def _take(self, windowed: Floats) -> None:
        spectra = scipy.fft.rfft(windowed, axis=2)
        channels, frames, bins = spectra.shape
        if channels > 1:
            voice = spectra[:, :, self._voice].transpose(1, 0, 2)
            parts = np.ascontiguousarray(voice).view(np.float32)
            self._products += np.matmul(parts, parts.transpose(0, 2, 1)).sum(axis=0)
        flat = spectra.view(np.float32)
        np.multiply(flat, flat, out=flat)
        powers = flat[:, :, 0::2] + flat[:, :, 1::2]
        bands = (powers.reshape(channels * frames, bins) @ self._weights).reshape(
            channels, frames, 4
        )
        for channel, sorted_spectra in enumerate(self._sorted):
            weighted = bands[channel, :, 0].tolist()
            for power, spectrum in zip(weighted, powers[channel], strict=True):
                sorted_spectra.add(power, spectrum)
        rows = np.empty((frames, 5), np.float32)
        rows[:, :4] = bands.sum(axis=0)
        rows[:, 4] = powers[:, :, 2:].sum(axis=0).max(axis=1)
        self._rows.append(rows)

    def result(self) -> ShortTimeSpectra:
        """Return the spectra of all complete frames."""
        rows = np.concatenate((np.empty((0, 5), np.float32), *self._rows))
        energies = np.diagonal(self._products)
        scale = np.sqrt(np.outer(energies, energies))
        correlation = np.full(scale.shape, np.nan)
        np.divide(self._products, scale, out=correlation, where=scale > 0.0)
        return ShortTimeSpectra(
            bin_hz=self._bin_hz,
            channels=self._sorted,
            bands=FrameBands(
                k_weighted=rows[:, 0],
                low=rows[:, 1],
                voice=rows[:, 2],
                high=rows[:, 3],
                peak=rows[:, 4],
            ),
            correlation=correlation,
        )
