"""An articulated, speech-like voice: glottal pulses, noise, and moving formants.

No recording is used. A script of sounds is turned into tracks of loudness, pitch and
formants; pulses and noise are then filtered frame by frame. Formant and burst figures
are rounded textbook values of an adult voice (common practice), good for judging
measurements, not for judging voices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.simulator.draws import Draws, Samples

__all__ = ["Voice", "babble", "counting", "speak"]

_FRAME_S = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sound:
    """One speech sound: three formants, and how loud pulses, breath and hiss are."""

    formants_hz: tuple[float, float, float]
    duration_s: float
    pulses: float = 0.0
    breath: float = 0.0
    hiss: float = 0.0
    hiss_hz: float = 4000.0
    hiss_width_hz: float = 2000.0


def _vowel(first: float, second: float, third: float, duration_s: float = 0.11) -> _Sound:
    return _Sound(formants_hz=(first, second, third), duration_s=duration_s, pulses=1.0)


def _closure(second_hz: float, duration_s: float = 0.06, pulses: float = 0.0) -> _Sound:
    return _Sound(formants_hz=(250.0, second_hz, 2500.0), duration_s=duration_s, pulses=pulses)


_SOUNDS: dict[str, _Sound] = {
    "a": _vowel(820, 1350, 2650),
    "e": _vowel(480, 2150, 2800),
    "i": _vowel(310, 2450, 3100),
    "o": _vowel(460, 850, 2600),
    "u": _vowel(340, 800, 2500),
    "y": _vowel(300, 2050, 2500),
    "æ": _vowel(660, 1850, 2600),
    "ø": _vowel(430, 1600, 2400),
    "å": _vowel(600, 950, 2650),
    "@": _Sound(formants_hz=(520, 1550, 2600), duration_s=0.06, pulses=0.7),
    "m": _Sound(formants_hz=(270, 1050, 2200), duration_s=0.07, pulses=0.30),
    "n": _Sound(formants_hz=(270, 1650, 2550), duration_s=0.065, pulses=0.30),
    "l": _Sound(formants_hz=(370, 1200, 2750), duration_s=0.06, pulses=0.50),
    "r": _Sound(formants_hz=(450, 1150, 1850), duration_s=0.06, pulses=0.45),
    "j": _Sound(formants_hz=(290, 2300, 2950), duration_s=0.055, pulses=0.55),
    "v": _Sound(
        formants_hz=(320, 1150, 2350),
        duration_s=0.06,
        pulses=0.35,
        hiss=0.03,
        hiss_hz=4500,
        hiss_width_hz=5000,
    ),
    "s": _Sound(
        formants_hz=(350, 1650, 2600),
        duration_s=0.105,
        hiss=0.30,
        hiss_hz=5800,
        hiss_width_hz=2600,
    ),
    "f": _Sound(
        formants_hz=(350, 1100, 2300),
        duration_s=0.095,
        hiss=0.12,
        hiss_hz=4200,
        hiss_width_hz=6000,
    ),
    "h": _Sound(formants_hz=(550, 1550, 2600), duration_s=0.06, breath=0.35),
}

_STOPS: dict[str, tuple[_Sound, ...]] = {
    key: (
        _closure(second_hz, pulses=0.06 if voiced else 0.0),
        _Sound(
            formants_hz=(350, second_hz, 2500),
            duration_s=0.016 if voiced else 0.022,
            hiss=loud,
            hiss_hz=burst_hz,
            hiss_width_hz=width_hz,
        ),
        _Sound(
            formants_hz=(420, second_hz, 2550),
            duration_s=0.012 if voiced else 0.035,
            pulses=0.4 if voiced else 0.0,
            breath=0.1 if voiced else 0.28,
        ),
    )
    for key, second_hz, burst_hz, width_hz, loud, voiced in (
        ("p", 1000, 1100, 1500, 0.25, False),
        ("t", 1750, 4000, 2500, 0.45, False),
        ("k", 1900, 2100, 1000, 0.40, False),
        ("b", 1000, 900, 1200, 0.18, True),
        ("d", 1700, 3500, 2500, 0.25, True),
        ("g", 1900, 1900, 1000, 0.25, True),
    )
}

_NUMBERS = ("en", "to", "tre", "fir@", "fæm", "sæks", "syv", "åt@", "ni", "ti")


@dataclass(frozen=True, slots=True, kw_only=True)
class Voice:
    """Who speaks: pitch, size of the mouth, pace."""

    pitch_hz: float = 190.0
    formant_scale: float = 1.0
    pace: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tracks:
    """What changes from frame to frame, each of shape (frames, ...)."""

    formants_hz: Samples
    pulses: Samples
    breath: Samples
    hiss: Samples
    hiss_hz: Samples
    hiss_width_hz: Samples
    pitch_hz: Samples


def speak(script: str, sample_rate_hz: int, voice: Voice, draws: Draws) -> Samples:
    """Speak a script.

    Parameters
    ----------
    script : str
        Letters of the sound table; ``'`` before a stressed word, a blank between
        words, ``,`` and ``.`` for pauses.
    sample_rate_hz : int
    voice : Voice
    draws : Draws
        Breath noise and the small irregularities of pitch and pace.

    Returns
    -------
    ndarray, shape (frames,)
        Peak 1.0.
    """
    return _render(_articulate(script, voice, draws), sample_rate_hz, draws)


def counting(up_to: int) -> str:
    """Return the script that counts from one, to ten at most: in Danish, near enough."""
    return ", ".join(f"'{number}" for number in _NUMBERS[:up_to]) + "."


def babble(duration_s: float, sample_rate_hz: int, voice: Voice, draws: Draws) -> Samples:
    """Speak random words and pauses for a given time.

    Returns
    -------
    ndarray, shape (frames,)
        Exactly as long as asked for, peak 1.0.
    """
    spoken: list[Samples] = []
    frames = round(duration_s * sample_rate_hz)
    while sum(part.size for part in spoken) < frames:
        words = []
        for _ in range(3 + draws.below(4)):
            word = "".join(
                draws.one_of("bdfghjklmnprstv")
                + draws.one_of("aeiouyæøå")
                + (draws.one_of("lmnrst") if draws.chance(0.3) else "")
                for _ in range(1 + draws.below(3))
            )
            words.append(("'" if draws.chance(0.5) else "") + word)
        ending = draws.one_of([",", ".", "."])
        spoken.append(speak(" ".join(words) + ending, sample_rate_hz, voice, draws))
    sound = np.concatenate(spoken)[:frames]
    fade = min(frames, round(0.02 * sample_rate_hz))
    sound[frames - fade :] *= np.linspace(1.0, 0.0, fade)
    return sound / max(float(np.abs(sound).max()), 1e-12)


def _articulate(script: str, voice: Voice, draws: Draws) -> _Tracks:
    sounds: list[tuple[_Sound, float, float]] = []
    stress = 0.0
    for letter in script:
        if letter == "'":
            stress = 1.0
        elif letter == " ":
            stress = 0.0
        elif letter in ",.":
            silence = _closure(1500, duration_s=0.22 if letter == "," else 0.45)
            sounds.append((silence, 1.0, 0.0))
            stress = 0.0
        else:
            sounds.extend(
                (sound, draws.uniform(0.88, 1.12) * (1.0 + 0.3 * stress), stress)
                for sound in _STOPS.get(letter) or (_SOUNDS[letter],)
            )
    rows: list[Sequence[float]] = []
    stresses: list[float] = []
    for sound, stretch, emphasis in sounds:
        row = (
            *(voice.formant_scale * f for f in sound.formants_hz),
            sound.pulses,
            sound.breath,
            sound.hiss,
            sound.hiss_hz,
            sound.hiss_width_hz,
        )
        count = max(1, round(sound.duration_s * stretch / voice.pace / _FRAME_S))
        rows += [row] * count
        stresses += [emphasis] * count
    table = np.array(rows, dtype=np.float64)
    smooth = _smoothed(table, 5)
    # Bursts would be washed out by the smoothing that the tongue needs.
    smooth[:, 5] = _smoothed(table[:, 5:6], 2)[:, 0]
    smooth[:, 6:] = table[:, 6:]
    frame = np.arange(len(rows))
    fall = 1.08 - 0.20 * frame / max(len(rows), 1)
    lift = 1.0 + 0.14 * _smoothed(np.array(stresses)[:, None], 12)[:, 0]
    unsteady = 1.0 + 0.012 * _smoothed(draws.normals(len(rows))[:, None], 6)[:, 0]
    return _Tracks(
        formants_hz=smooth[:, :3],
        pulses=smooth[:, 3],
        breath=smooth[:, 4],
        hiss=smooth[:, 5],
        hiss_hz=smooth[:, 6],
        hiss_width_hz=smooth[:, 7],
        pitch_hz=voice.pitch_hz * fall * lift * unsteady,
    )


def _smoothed(table: Samples, frames: int) -> Samples:
    weights = np.hanning(frames + 2)[1:-1]
    weights /= weights.sum()
    before = (frames - 1) // 2
    padded = np.pad(table, ((before, frames - 1 - before), (0, 0)), mode="edge")
    return np.stack(
        [np.convolve(padded[:, k], weights, mode="valid") for k in range(table.shape[1])], axis=1
    )


def _render(tracks: _Tracks, sample_rate_hz: int, draws: Draws) -> Samples:
    """Filter pulses and noise frame by frame, and overlap the frames."""
    hop = round(_FRAME_S * sample_rate_hz)
    count = tracks.pulses.size
    length = (count + 3) * hop
    centres = (np.arange(count) + 1.5) * hop
    clock = np.arange(length)
    pitch = np.interp(clock, centres, tracks.pitch_hz)
    phase = np.cumsum(pitch / sample_rate_hz) % 1.0
    # Flow through the glottis: opens over 60 % of the period, shuts at once; the
    # mouth radiates its derivative.
    opening = phase / 0.6
    flow = np.where(opening < 1.0, opening**2 * (1.0 - opening), 0.0)
    pulse = np.diff(flow, prepend=flow[:1]) * sample_rate_hz / pitch
    noise = draws.normals(length)

    size = 1 << (4 * hop - 1).bit_length()
    window = np.hanning(2 * hop + 1)[:-1]
    frequency = np.arange(size // 2 + 1, dtype=np.float64) * (sample_rate_hz / size)
    sound = np.zeros(length + size)
    # Frames are taken some at a time to keep memory small.
    for first in range(0, count, 256):
        rows = np.arange(first, min(first + 256, count))
        index = (rows * hop)[:, None] + np.arange(2 * hop)[None, :]
        mouth = _mouth(frequency, tracks.formants_hz[rows])
        centre = tracks.hiss_hz[rows][:, None]
        width = tracks.hiss_width_hz[rows][:, None]
        teeth = np.exp(-0.5 * ((frequency[None, :] - centre) / width) ** 2)
        voiced = np.fft.rfft(pulse[index] * window * tracks.pulses[rows][:, None], size)
        airy = np.fft.rfft(noise[index] * window, size)
        spectrum = mouth * (voiced + 0.10 * airy * tracks.breath[rows][:, None])
        spectrum += teeth * airy * tracks.hiss[rows][:, None] * 0.6
        for row, frame in zip(rows, np.fft.irfft(spectrum, size), strict=True):
            sound[row * hop : row * hop + size] += frame
    sound = sound[:length]
    return sound / max(float(np.abs(sound).max()), 1e-12)


def _mouth(frequency: Samples, formants_hz: Samples) -> npt.NDArray[np.complex128]:
    """Return the response of formant resonators in cascade, shape (frames, bins)."""
    response = np.ones((formants_hz.shape[0], frequency.size), dtype=np.complex128)
    fixed = np.full((formants_hz.shape[0], 1), 3600.0)
    widths = (80.0, 100.0, 140.0, 220.0)
    for column, width in zip(np.hstack([formants_hz, fixed]).T, widths, strict=True):
        centre = column[:, None]
        response *= centre**2 / (centre**2 - frequency**2 + 1j * frequency * width)
    return response
