"""The room and the modern chain: reflections, hum, and the noise of the microphone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import signal

from tests.simulator.draws import Draws, Samples

__all__ = ["Room"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """A room with one microphone.

    Parameters
    ----------
    seed : int
        Two captures in rooms of one seed hear the same reflections.
    distance_m : float
        From the source to the microphone.
    reverberation_s : float
        Time in which the sound falls by 60 dB.
    reverberant_db : float
        Energy of the reflections relative to the direct sound.
    noise_dbfs : float
        RMS of room and microphone noise together.
    hum_hz, hum_dbfs : float
        The mains, and the peak of its fundamental.
    """

    seed: int
    distance_m: float = 0.4
    reverberation_s: float = 0.35
    reverberant_db: float = -12.0
    noise_dbfs: float = -72.0
    hum_hz: float = 50.0
    hum_dbfs: float = -84.0

    def response(self, sample_rate_hz: int) -> Samples:
        """Return the impulse response from source to microphone, direct sound 1 at its delay."""
        draws = Draws(self.seed, "room")
        frames = round(self.reverberation_s * sample_rate_hz)
        delay = round(self.distance_m / 343.0 * sample_rate_hz)
        clock = np.arange(frames) / sample_rate_hz
        tail = draws.normals(frames) * 10.0 ** (-3.0 * clock / self.reverberation_s)
        # The first walls are a few milliseconds away.
        tail[: round(0.004 * sample_rate_hz)] = 0.0
        tail = np.asarray(
            signal.sosfilt(
                signal.butter(
                    1, min(5000.0, 0.4 * sample_rate_hz), fs=sample_rate_hz, output="sos"
                ),
                tail,
            )
        )
        tail *= np.sqrt(10.0 ** (self.reverberant_db / 10.0) / float(np.sum(tail**2)))
        whole = np.zeros(delay + frames)
        whole[delay] = 1.0
        whole[delay:] += tail
        return whole

    def heard(self, source: Samples, sample_rate_hz: int) -> Samples:
        """Return what reaches the microphone from one source, without noise, shape (frames,)."""
        return np.asarray(signal.oaconvolve(source, self.response(sample_rate_hz))[: source.size])

    def noise(self, frames: int, sample_rate_hz: int, draws: Draws) -> Samples:
        """Return the noise of room, microphone and mains, shape (frames,)."""
        clock = np.arange(frames) / sample_rate_hz
        # Room noise falls with frequency; the microphone's own noise is even.
        even = draws.branch("microphone").normals(frames)
        low = signal.butter(1, 180.0, fs=sample_rate_hz, output="sos")
        air = np.asarray(signal.sosfilt(low, draws.branch("air").normals(frames)))
        noise = 0.35 * even + air / float(np.sqrt(np.mean(air**2)))
        noise *= 10.0 ** (self.noise_dbfs / 20.0) / float(np.sqrt(np.mean(noise**2)))
        for harmonic, level_db in ((1, 0.0), (2, -9.0), (3, -5.0), (5, -14.0)):
            phase = draws.uniform(0.0, 2.0 * np.pi)
            peak = 10.0 ** ((self.hum_dbfs + level_db) / 20.0)
            noise += peak * np.sin(2.0 * np.pi * harmonic * self.hum_hz * clock + phase)
        return noise
