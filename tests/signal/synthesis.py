"""Test signals, planar: arrays of shape (channels, frames), full scale 1.0."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.signal import firwin, lfilter

Signal = NDArray[np.float64]


def amplitude(level_db: float) -> float:
    """Amplitude of a level; minus infinity gives 0."""
    return float(10.0 ** (level_db / 20.0))


def tone(
    rate: int, parts: Sequence[tuple[float, float]], *, hz: float = 1000.0, channels: int = 2
) -> Signal:
    """A continuous sine whose peak level changes: parts of (seconds, dBFS)."""
    frames = [round(seconds * rate) for seconds, _ in parts]
    gain = np.repeat([amplitude(level) for _, level in parts], frames)
    sine = np.sin(2.0 * np.pi * hz / rate * np.arange(sum(frames))) * gain
    return np.tile(sine, (channels, 1))


def noise(rate: int, seconds: float, rms_db: float, *, channels: int = 1, seed: int = 1) -> Signal:
    """White noise with a normal distribution."""
    draw = np.random.default_rng(seed)
    return draw.standard_normal((channels, round(rate * seconds))) * amplitude(rms_db)


def band_limited(
    rate: int, seconds: float, rms_db: float, *, highest: float, channels: int = 1, seed: int = 1
) -> Signal:
    """White noise up to a share of the sample rate."""
    white = noise(rate, seconds, rms_db, channels=channels, seed=seed)
    return np.asarray(lfilter(firwin(255, 2.0 * highest), 1.0, white, axis=1))


def faded(signal: Signal, rate: int, seconds: float = 0.01) -> Signal:
    """The signal with straight fades at both ends."""
    ramp = np.linspace(0.0, 1.0, round(rate * seconds))
    out = signal.copy()
    out[:, : len(ramp)] *= ramp
    out[:, len(out[0]) - len(ramp) :] *= ramp[::-1]
    return out


def pcm(signal: Signal, bits: int) -> bytes:
    """Rounded, interleaved, little-endian integers."""
    full = 2.0 ** (bits - 1)
    rounded = np.clip(np.rint(signal.T * full), -full, full - 1).astype("<i8")
    if bits == 8:
        return (rounded + 128).astype(np.uint8).tobytes()
    octets = np.ascontiguousarray(rounded).view(np.uint8).reshape(*rounded.shape, 8)
    return octets[:, :, : bits // 8].tobytes()
