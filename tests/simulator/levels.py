"""Levels within the band of the horns, and shaping of spectra."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import fft

from tests.simulator.draws import Samples

__all__ = ["active_rms", "band_rms", "shaped"]

_LOW_HZ, _HIGH_HZ = 200.0, 3000.0
_FRAME_S = 0.05


def shaped(sound: Samples, sample_rate_hz: float, gain: Callable[[Samples], Samples]) -> Samples:
    """Return the sound with its spectrum multiplied by a real gain, shape (frames,).

    Parameters
    ----------
    sound : ndarray, shape (frames,)
    sample_rate_hz : float
    gain : callable
        Amplitude for an array of frequencies in Hz.
    """
    size = fft.next_fast_len(sound.size + round(0.1 * sample_rate_hz), real=True)
    frequency = np.arange(size // 2 + 1) * (sample_rate_hz / size)
    return np.asarray(np.fft.irfft(np.fft.rfft(sound, size) * gain(frequency), size)[: sound.size])


def _in_band(sound: Samples, sample_rate_hz: float) -> Samples:
    def inside(frequency_hz: Samples) -> Samples:
        return ((frequency_hz >= _LOW_HZ) & (frequency_hz <= _HIGH_HZ)).astype(np.float64)

    return shaped(sound, sample_rate_hz, inside)


def band_rms(sound: Samples, sample_rate_hz: float) -> float:
    """Return the RMS of the part of a sound within 200-3000 Hz."""
    return float(np.sqrt(np.mean(_in_band(sound, sample_rate_hz) ** 2)))


def active_rms(sound: Samples, sample_rate_hz: float) -> float:
    """Return the RMS within 200-3000 Hz of the 50 ms frames that are not pauses.

    A frame is a pause when it lies more than 20 dB under the loudest one.
    """
    frame = round(_FRAME_S * sample_rate_hz)
    count = max(1, sound.size // frame)
    band = _in_band(sound, sample_rate_hz)[: count * frame]
    power = np.mean(band.reshape(count, -1) ** 2, axis=1)
    return float(np.sqrt(np.mean(power[power >= 0.01 * power.max()])))
