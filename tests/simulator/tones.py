"""Tones by code: a pitch pipe, a whistled and a hummed melody."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.simulator.draws import Draws, Samples

__all__ = ["hummed", "melody", "pitch_pipe", "random_melody", "whistled"]


def _swell(frames: int, sample_rate_hz: int, rise_s: float, fall_s: float) -> Samples:
    clock = np.arange(frames) / sample_rate_hz
    rising = np.clip(clock / rise_s, 0.0, 1.0)
    falling = np.clip((clock[-1] - clock) / fall_s, 0.0, 1.0)
    return np.asarray(np.sin(0.5 * np.pi * rising) ** 2 * np.sin(0.5 * np.pi * falling) ** 2)


def pitch_pipe(
    frequency_hz: float, duration_s: float, sample_rate_hz: int, draws: Draws
) -> Samples:
    """Blow a reed of an exactly known pitch.

    Returns
    -------
    ndarray, shape (frames,)
        Peak 1.0; the frequency does not move.
    """
    frames = round(duration_s * sample_rate_hz)
    clock = np.arange(frames) / sample_rate_hz
    sound = np.zeros(frames)
    for harmonic in range(1, 13):
        if harmonic * frequency_hz > 0.45 * sample_rate_hz:
            break
        phase = draws.uniform(0.0, 2.0 * np.pi)
        sound += np.sin(2.0 * np.pi * harmonic * frequency_hz * clock + phase) / harmonic**1.1
    sound += 0.01 * draws.normals(frames)
    sound *= _swell(frames, sample_rate_hz, 0.06, 0.12)
    return sound / float(np.abs(sound).max())


def melody(
    notes: Sequence[tuple[float, float]],
    sample_rate_hz: int,
    *,
    harmonics: Sequence[float],
    vibrato: float,
    draws: Draws,
) -> Samples:
    """Join notes into one voice with continuous phase.

    Parameters
    ----------
    notes : sequence of (frequency in Hz, duration in s)
        A frequency of 0 is a rest.
    sample_rate_hz : int
    harmonics : sequence of float
        Amplitude of each harmonic, the fundamental first.
    vibrato : float
        Peak deviation relative to the pitch, at 5.5 Hz.
    draws : Draws

    Returns
    -------
    ndarray, shape (frames,)
        Peak 1.0.
    """
    pitch: list[Samples] = []
    level: list[Samples] = []
    last_hz = next(hz for hz, _ in notes if hz > 0.0)
    for frequency_hz, duration_s in notes:
        frames = round(duration_s * sample_rate_hz)
        last_hz = frequency_hz or last_hz
        pitch.append(np.full(frames, last_hz))
        shape = _swell(frames, sample_rate_hz, 0.03, 0.07)
        level.append(shape if frequency_hz > 0.0 else np.zeros(frames))
    frequency = np.concatenate(pitch)
    clock = np.arange(frequency.size) / sample_rate_hz
    frequency = frequency * (1.0 + vibrato * np.sin(2.0 * np.pi * 5.5 * clock))
    phase = 2.0 * np.pi * np.cumsum(frequency) / sample_rate_hz
    sound = np.zeros(frequency.size)
    for index, amplitude in enumerate(harmonics, start=1):
        audible = index * frequency < 0.45 * sample_rate_hz
        sound += amplitude * audible * np.sin(index * phase)
    sound = (sound + 0.01 * draws.normals(sound.size)) * np.concatenate(level)
    return sound / float(np.abs(sound).max())


def whistled(notes: Sequence[tuple[float, float]], sample_rate_hz: int, draws: Draws) -> Samples:
    """Whistle a melody: nearly a pure tone."""
    return melody(notes, sample_rate_hz, harmonics=(1.0, 0.02), vibrato=0.004, draws=draws)


def hummed(notes: Sequence[tuple[float, float]], sample_rate_hz: int, draws: Draws) -> Samples:
    """Hum or sing a melody on one vowel: many harmonics and a little vibrato."""
    levels = (0.7, 1.0, 0.8, 0.5, 0.35, 0.3, 0.25, 0.15, 0.1, 0.07)
    return melody(notes, sample_rate_hz, harmonics=levels, vibrato=0.008, draws=draws)


def random_melody(duration_s: float, lowest_hz: float, draws: Draws) -> list[tuple[float, float]]:
    """Make up notes of a major scale that last for a given time together."""
    scale = (0, 2, 4, 5, 7, 9, 11, 12)
    notes: list[tuple[float, float]] = []
    left = duration_s
    while left > 0.02:
        length = min(left, draws.one_of([0.25, 0.25, 0.4, 0.5, 0.8]))
        rest = draws.chance(0.12) and bool(notes)
        notes.append((0.0 if rest else lowest_hz * 2.0 ** (draws.one_of(scale) / 12.0), length))
        left -= length
    return notes
