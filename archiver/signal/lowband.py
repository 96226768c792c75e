"""The low end of the sound at a low rate: for hum and for the bands below 90 Hz.

Frames of 100 ms cannot resolve what lies below 90 Hz; at about 2 kHz, long ones
cost next to nothing.
"""

from __future__ import annotations

import functools

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from archiver.signal.levelsorted import LevelSorted
from archiver.signal.products import tall_product
from archiver.signal.samples import Floats

__all__ = ["HIGHEST_HZ", "Decimator", "LowBandMeter", "hann_powers"]

HIGHEST_HZ = 630.0
"""The decimated sound is true up to here: flat within 0.1 dB, aliases below -70 dB."""

_TARGET_HZ = 2000
_HIGHEST_BAND_HZ = 90.0
_TAPS_A_STEP = 12
_KAISER_BETA = 6.76  # 70 dB in the formula of Kaiser (1974)


class Decimator:
    """Low-pass filter and decimation to about 2 kHz.

    Parameters
    ----------
    sample_rate_hz, channels : int
        Of the sound that is fed.
    """

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        self._step = max(1, sample_rate_hz // _TARGET_HZ)
        self.rate_hz = sample_rate_hz / self._step
        count = self._step * _TAPS_A_STEP
        middle = np.arange(count) - (count - 1) / 2.0
        taps = np.sinc(middle / self._step) * np.kaiser(count, _KAISER_BETA)
        taps /= taps.sum()
        # Column t holds the taps for the row of samples that lies t rows back.
        matrix = taps.reshape(_TAPS_A_STEP, self._step)[:, ::-1].T
        self._matrix = np.ascontiguousarray(matrix, dtype=np.float32)
        self._rest = np.zeros((channels, 0), np.float32)
        self._partial = np.zeros((channels, _TAPS_A_STEP - 1, _TAPS_A_STEP), np.float32)

    def feed(self, values: Floats) -> Floats:
        """Take the next frames in and return the decimated ones, shape (channels, frames)."""
        if self._rest.shape[1]:
            values = np.concatenate((self._rest, values), axis=1)
        rows = values.shape[1] // self._step
        whole = rows * self._step
        self._rest = values[:, whole:].copy()
        out = np.zeros((len(values), rows), np.float32)
        if not rows:
            return out
        for channel in range(len(values)):
            samples = np.ascontiguousarray(values[channel, :whole]).reshape(rows, self._step)
            products = np.concatenate((self._partial[channel], tall_product(samples, self._matrix)))
            for back in range(_TAPS_A_STEP):
                first = _TAPS_A_STEP - 1 - back
                out[channel] += products[first : first + rows, back]
            self._partial[channel] = products[rows:]
        return out


@functools.lru_cache(maxsize=8)
def _window(samples: int, size: int) -> NDArray[np.float32]:
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * np.arange(samples) / samples)
    window *= np.sqrt(2.0 / (size * np.sum(window**2)))
    return window.astype(np.float32)


def hann_powers(frames: NDArray[np.float32], size: int) -> NDArray[np.float32]:
    """Return power spectra under a Hann window; the bins of a frame add up to its mean square.

    Parameters
    ----------
    frames : ndarray, shape (..., samples)
        Any length.
    size : int
        Length of the transform, at least the number of samples.
    """
    spectra = scipy.fft.rfft(frames * _window(frames.shape[-1], size), size, axis=-1)
    powers: NDArray[np.float32] = spectra.real**2 + spectra.imag**2
    return powers


class LowBandMeter:
    """Spectra of one second each, every half second, of the decimated sound, sorted by level."""

    def __init__(self, decimated_hz: float, channels: int) -> None:
        self._size = 2048
        self.bin_hz = decimated_hz / self._size
        bins = self._size // 2 + 1
        self.spectra = tuple(LevelSorted(bins) for _ in range(channels))
        # The class of a frame is decided by what this meter is asked about.
        self._band = slice(round(20.0 / self.bin_hz), round(_HIGHEST_BAND_HZ / self.bin_hz))
        self._rest = np.zeros((channels, 0), np.float32)

    def feed(self, values: Floats) -> None:
        """Take the next decimated frames in."""
        values = np.concatenate((self._rest, values), axis=1)
        step = self._size // 2
        count = max(0, values.shape[1] // step - 1)
        self._rest = values[:, count * step :]
        if not count:
            return
        halves = values[:, : (count + 1) * step].reshape(len(values), count + 1, step)
        frames = np.concatenate((halves[:, :-1], halves[:, 1:]), axis=2)
        powers = hann_powers(frames, self._size)
        for channel, spectra in enumerate(self.spectra):
            deciding = powers[channel, :, self._band].sum(axis=1).tolist()
            for power, frame in zip(deciding, powers[channel], strict=True):
                spectra.add(power, frame)
