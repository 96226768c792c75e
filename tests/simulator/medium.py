"""The record itself: what the groove loses, adds, and loses again with each playing.

Loss of short wavelengths follows the surface speed: a ripple of a given length in the
wax is a higher frequency on a faster surface. Noise lies at places of the groove, so
it comes back at the same places with every playing, and faster when turned faster.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.simulator.draws import Draws, Samples
from tests.simulator.levels import band_rms, shaped
from tests.simulator.rotation import SpeedCurve

__all__ = ["Medium", "Seam", "Wear"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Seam:
    """A mark that the stylus meets once a turn: a crack, a scratch, a slot.

    Parameters
    ----------
    at_turns : float
        Its place on the circumference, 0 to 1.
    level : float
        Peak relative to the loudest programme in the groove; 0 for no mark.
    width_s : float
        How long the stylus rings on it.
    ring_hz : float
    missed : float
        Share of turns at which it is passed without a sound.
    uneven : float
        Spread of its loudness from turn to turn, relative.
    """

    at_turns: float = 0.3
    level: float = 0.5
    width_s: float = 0.0015
    ring_hz: float = 1900.0
    missed: float = 0.0
    uneven: float = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """What one playing takes away.

    Parameters
    ----------
    level_db : float
        Loss of programme level.
    wavelength_growth : float
        Share by which the length under which ripples are lost grows.
    noise_db : float
        Rise of the hiss.
    """

    level_db: float = 0.6
    wavelength_growth: float = 0.08
    noise_db: float = 0.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Medium:
    """A cylinder, disc or foil.

    Parameters
    ----------
    diameter_mm : float
    loss_wavelength_um : float
        A ripple of this length comes back with 1/e of its size.
    curvature : float
        Strength of the second and third order bending of the transfer.
    hiss_db : float
        Level of the hiss relative to the speaking programme in the groove, both in
        200-3000 Hz, at the first playing.
    clicks_per_turn : float
        Chance events, each at its own place.
    seam : Seam
    wear : Wear
    """

    diameter_mm: float = 57.15
    loss_wavelength_um: float = 70.0
    curvature: float = 0.15
    hiss_db: float = -20.0
    clicks_per_turn: float = 0.5
    seam: Seam = Seam()
    wear: Wear = Wear()

    def surface_speed_mm_s(self, rpm: float) -> float:
        """Return the speed of the surface under the stylus: pi x diameter x turns/s."""
        return float(np.pi * self.diameter_mm * rpm / 60.0)

    def wavelength_gain(self, frequency_hz: Samples, rpm: float, playings_before: int) -> Samples:
        """Return the share of a ripple that comes back, by frequency while recording."""
        length_um = self.loss_wavelength_um
        length_um *= (1.0 + self.wear.wavelength_growth) ** playings_before
        corner_hz = self.surface_speed_mm_s(rpm) * 1000.0 / length_um
        return np.exp(-frequency_hz / corner_hz)

    def bent(self, groove: Samples) -> Samples:
        """Return what the stylus makes of a groove of peak 1: slightly asymmetric, rounded."""
        even = self.curvature * 0.5 * (groove**2 - float(np.mean(groove**2)))
        return np.asarray(groove + even - self.curvature * groove**3 / 3.0)

    def hiss(self, frames: int, sample_rate_hz: float, draws: Draws) -> Samples:
        """Return surface noise along the groove, RMS 1 in 200-3000 Hz."""

        def tilt(frequency_hz: Samples) -> Samples:
            body = 1.0 / np.sqrt(1.0 + (frequency_hz / 5000.0) ** 4)
            # The rumble of wax and bearings rises towards low frequencies.
            return np.asarray(body * (1.0 + 120.0 / np.maximum(frequency_hz, 30.0)))

        noise = shaped(draws.normals(frames), sample_rate_hz, tilt)
        return noise / max(band_rms(noise, sample_rate_hz), 1e-12)

    def ticks(
        self,
        curve: SpeedCurve,
        first_turns: float,
        groove_turns: float,
        sample_rate_hz: float,
        draws: Draws,
    ) -> tuple[Samples, Samples]:
        """Return the sound of the seam and of chance clicks as they pass the stylus.

        Parameters
        ----------
        curve : SpeedCurve
            Of the playing.
        first_turns : float
            Place of the stylus along the groove at the first sample.
        groove_turns : float
            Length of the groove.
        sample_rate_hz : float
        draws : Draws

        Returns
        -------
        sound : ndarray, shape (frames,)
            Peak near ``seam.level``.
        passed_s : ndarray, shape (turns,)
            Every time at which the mark passes, heard or not.
        """
        sound = np.zeros(curve.rpm.size)
        start = first_turns - self.seam.at_turns
        last = curve.turns[-1] + start
        passings = np.arange(np.ceil(start), np.floor(last) + 1.0)
        passed_s = curve.time_of(passings - start)
        if self.seam.level > 0.0:
            fates = draws.branch("missed").uniforms(passed_s.size)
            sizes = 1.0 + self.seam.uneven * draws.branch("uneven").normals(passed_s.size)
            for time_s, fate, size in zip(passed_s, fates, sizes, strict=True):
                if fate >= self.seam.missed:
                    _strike(
                        sound,
                        sample_rate_hz,
                        time_s,
                        self.seam.level * max(size, 0.2),
                        self.seam.width_s,
                        self.seam.ring_hz,
                    )
        chance = draws.branch("chance")
        count = round(groove_turns * self.clicks_per_turn)
        places = chance.uniforms(count, 0.0, groove_turns) - first_turns
        sizes = 0.25 * chance.uniforms(count, 0.1, 1.0) ** 2
        signs = np.where(chance.uniforms(count) < 0.5, -1.0, 1.0)
        rings = chance.uniforms(count, 1200.0, 3500.0)
        for place, time_s, size, ring_hz in zip(
            places, curve.time_of(places), sizes * signs, rings, strict=True
        ):
            if 0.0 < place < curve.turns[-1]:
                _strike(sound, sample_rate_hz, time_s, size, 0.0006, ring_hz)
        return sound, passed_s


def _strike(
    sound: Samples,
    sample_rate_hz: float,
    time_s: float,
    size: float,
    width_s: float,
    ring_hz: float,
) -> None:
    """Add a ringing blow that begins at the exact time, between samples if need be."""
    first = int(np.ceil(time_s * sample_rate_hz))
    last = min(sound.size, first + int(8.0 * width_s * sample_rate_hz))
    if first >= last:
        return
    since_s = np.arange(first, last) / sample_rate_hz - time_s
    sound[first:last] += size * np.exp(-since_s / width_s) * np.cos(2.0 * np.pi * ring_hz * since_s)
