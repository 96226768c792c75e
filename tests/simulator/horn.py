"""What a horn and its diaphragm do to a sound: a band with resonances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from tests.simulator.draws import Samples

__all__ = ["Horn", "Resonance"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Resonance:
    """A peak of the response."""

    frequency_hz: float
    gain_db: float
    quality: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Horn:
    """A horn with its diaphragm.

    Parameters
    ----------
    low_hz : float
        Under it the response falls by 12 dB an octave: the mouth is too small.
    high_hz : float
        Over it the response falls by 18 dB an octave: the diaphragm is too heavy.
    resonances : tuple of Resonance
    """

    low_hz: float = 220.0
    high_hz: float = 2800.0
    resonances: tuple[Resonance, ...] = ()

    def _sections(self, sample_rate_hz: float) -> Samples:
        parts = [
            signal.butter(2, self.low_hz, "highpass", fs=sample_rate_hz, output="sos"),
            signal.butter(3, self.high_hz, "lowpass", fs=sample_rate_hz, output="sos"),
        ]
        parts += [_peak(resonance, sample_rate_hz) for resonance in self.resonances]
        return np.asarray(np.vstack(parts))

    def through(self, sound: Samples, sample_rate_hz: float) -> Samples:
        """Return the sound behind the horn, shape (frames,)."""
        return np.asarray(signal.sosfilt(self._sections(sample_rate_hz), sound))

    def gain(self, frequency_hz: Samples, sample_rate_hz: float) -> Samples:
        """Return the amplitude response at given frequencies."""
        _, response = signal.freqz_sos(
            self._sections(sample_rate_hz), worN=frequency_hz, fs=sample_rate_hz
        )
        return np.asarray(np.abs(response))


def _peak(resonance: Resonance, sample_rate_hz: float) -> Samples:
    """Make a second-order section that lifts one frequency, and is 1 far from it.

    The bilinear transform of (s^2 + s A w/Q + w^2) / (s^2 + s w/(A Q) + w^2).
    """
    lift = 10.0 ** (resonance.gain_db / 40.0)
    angle = 2.0 * np.pi * resonance.frequency_hz / sample_rate_hz
    width = np.sin(angle) / (2.0 * resonance.quality)
    section = np.array(
        [
            1.0 + width * lift,
            -2.0 * np.cos(angle),
            1.0 - width * lift,
            1.0 + width / lift,
            -2.0 * np.cos(angle),
            1.0 - width / lift,
        ]
    )
    return np.asarray(section / section[3])[None, :]
