"""What happened in the sample session, as sound, with the truth of each take.

Nobody spoke and no machine turned: every sample comes from the simulator and a seed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.simulator.demonstration import Groove, Works, cut, perform, play, quantised
from tests.simulator.draws import Draws, Samples
from tests.simulator.horn import Horn, Resonance
from tests.simulator.levels import active_rms
from tests.simulator.medium import Medium, Seam, Wear
from tests.simulator.room import Room
from tests.simulator.rotation import Ripple, drift, spring_run_down, turning, wow
from tests.simulator.tones import pitch_pipe
from tests.simulator.truth import ReproductionTruth, as_json_text
from tests.simulator.voice import Voice, counting, speak

__all__ = ["SAMPLE_RATE_HZ", "Capture", "captures", "truth_text"]

SAMPLE_RATE_HZ = 48_000
_BITS = 24
_SEED = 19_110_417
_PIPE_HZ = 440.0
_NOMINAL_RPM = 100.0

_LETTER = (
    "'dir 's@r, ui 'sænk ju for jur 'let@r åv d@ 'sek@nd. "
    "d@ 'tuelv 'silind@rs uil 'liv 'raunsø ån 'frajdæ."
)
_ANNOUNCEMENT = "'lind@haun, sevn'tins åv åk'tob@r. d@ 'stæm@bog 'bi, and d@ 'pajp."

_HORN_B = Horn(
    low_hz=230.0,
    high_hz=2700.0,
    resonances=(
        Resonance(frequency_hz=410.0, gain_db=5.0, quality=3.0),
        Resonance(frequency_hz=930.0, gain_db=4.0, quality=2.5),
        Resonance(frequency_hz=1750.0, gain_db=3.0, quality=3.0),
    ),
)
_HORN_C = Horn(
    low_hz=270.0,
    high_hz=2900.0,
    resonances=(
        Resonance(frequency_hz=520.0, gain_db=6.0, quality=3.5),
        Resonance(frequency_hz=1180.0, gain_db=3.5, quality=2.5),
        Resonance(frequency_hz=2150.0, gain_db=2.5, quality=3.0),
    ),
)
_CYLINDER = Medium(
    diameter_mm=57.15,
    loss_wavelength_um=62.0,
    curvature=0.20,
    hiss_db=-21.0,
    clicks_per_turn=0.7,
    seam=Seam(at_turns=0.37, level=0.55, width_s=0.0014, ring_hz=1850.0, uneven=0.18),
    wear=Wear(level_db=0.7, wavelength_growth=0.09, noise_db=0.9),
)
_ROOM = Room(seed=_SEED, distance_m=0.4, noise_dbfs=-76.0, hum_dbfs=-88.0, hum_hz=50.012)
_WORKS_B = Works(whirr_dbfs=-62.0, thump_dbfs=-47.0, thump_at_turns=0.15)
_WORKS_C = Works(whirr_dbfs=-60.0, thump_dbfs=-56.0, thump_at_turns=0.60)


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """One captured file.

    Parameters
    ----------
    take : str
        Its identifier on the sheet.
    file : str
        Its path in the session folder.
    samples : ndarray, shape (frames, channels), int32
        24-bit values.
    """

    take: str
    file: str
    samples: npt.NDArray[np.int32]

    @property
    def duration_s(self) -> float:
        """Length of the capture."""
        return float(self.samples.shape[0] / SAMPLE_RATE_HZ)


def captures() -> tuple[tuple[Capture, ...], Mapping[str, object]]:
    """Make every take of the session, and the truth of it.

    Returns
    -------
    captures : tuple of Capture
        In the order of the sheet.
    truth : mapping
        For :func:`truth_text`.
    """
    draws = Draws(_SEED, "sample session")
    groove, performance = _performance(draws.branch("performance"))
    first, first_truth = _first_playing(groove, draws)
    third, third_truth = _third_playing(groove, draws)
    made = (
        _capture("t01", "takes/0001.flac", _room_tone(draws.branch("room tone"))),
        _capture("t02", "takes/0002.wav", [_announcement(draws.branch("announcement"))]),
        _capture("t03", "takes/0003.wav", [performance]),
        _capture("t04", "takes/0004.wav", [first]),
        _capture("t05", "takes/0005.wav", [third]),
    )
    truth = {
        "sample_rate_hz": SAMPLE_RATE_HZ,
        "bit_depth": _BITS,
        "medium": "cyl-07",
        "diameter_mm": _CYLINDER.diameter_mm,
        "pitch_pipe_hz": _PIPE_HZ,
        "mains_hz": _ROOM.hum_hz,
        "takes": {
            capture.take: _take_truth(capture, {"t04": first_truth, "t05": third_truth})
            for capture in made
        },
    }
    return made, truth


def truth_text(truth: Mapping[str, object]) -> str:
    """Write the truth as JSON."""
    return as_json_text(truth)


def _capture(take: str, file: str, channels: list[Samples]) -> Capture:
    return Capture(take=take, file=file, samples=quantised(np.stack(channels, axis=1), _BITS))


def _take_truth(
    capture: Capture, reproductions: Mapping[str, ReproductionTruth]
) -> dict[str, object]:
    facts: dict[str, object] = {
        "file": capture.file,
        "duration_s": capture.duration_s,
        "channels": capture.samples.shape[1],
    }
    if capture.take == "t03":
        facts["playings_before"] = 0
        facts["nominal_rpm"] = _NOMINAL_RPM
        facts["recording"] = reproductions["t04"].recording
    if capture.take in reproductions:
        facts["reproduces"] = "t03"
        facts["playings_before"] = reproductions[capture.take].playings_before
        facts["nominal_rpm"] = _NOMINAL_RPM
        facts["reproduction"] = reproductions[capture.take]
    return facts


def _silence(duration_s: float) -> Samples:
    return np.zeros(round(duration_s * SAMPLE_RATE_HZ))


def _level(sound: Samples, dbfs: float) -> Samples:
    """Bring a sound to a level, pauses left out, in 200-3000 Hz."""
    return np.asarray(sound * (10.0 ** (dbfs / 20.0) / active_rms(sound, SAMPLE_RATE_HZ)))


def _exactly(sound: Samples, duration_s: float) -> Samples:
    frames = round(duration_s * SAMPLE_RATE_HZ)
    return np.pad(sound, (0, max(0, frames - sound.size)))[:frames]


def _performance(draws: Draws) -> tuple[Groove, Samples]:
    ragna = Voice(pitch_hz=196.0, pace=1.15)
    letter = speak(_LETTER, SAMPLE_RATE_HZ, ragna, draws.branch("letter"))
    numbers = speak(counting(5), SAMPLE_RATE_HZ, ragna, draws.branch("numbers"))
    pipe = pitch_pipe(_PIPE_HZ, 1.3, SAMPLE_RATE_HZ, draws.branch("pipe"))
    programme = np.concatenate(
        [
            _silence(0.7),
            _level(pipe, -22.0),
            _silence(0.35),
            _level(letter, -19.0),
            _level(numbers, -19.0),
        ]
    )
    programme = _exactly(programme, 13.0)
    length_s = (programme.size - 1) / SAMPLE_RATE_HZ
    curve = turning(
        length_s,
        SAMPLE_RATE_HZ,
        rpm=97.4,
        relative=[
            drift(length_s, SAMPLE_RATE_HZ, per_minute=-0.012),
            wow(length_s, SAMPLE_RATE_HZ, rate_hz=2.3, depth=0.0035, phase_turns=0.2),
        ],
        ripples=[Ripple(per_turn=1, depth=0.003, phase_turns=0.4)],
    )
    capture, turn_times_s = perform(
        programme,
        SAMPLE_RATE_HZ,
        room=_ROOM,
        works=_WORKS_B,
        curve=curve,
        draws=draws.branch("capture"),
    )
    groove = cut(
        programme,
        SAMPLE_RATE_HZ,
        horn=_HORN_B,
        medium=_CYLINDER,
        curve=curve,
        turn_times_s=turn_times_s,
    )
    return groove, capture


def _first_playing(groove: Groove, draws: Draws) -> tuple[Samples, ReproductionTruth]:
    length_s = 13.4 - 1.0 / SAMPLE_RATE_HZ
    curve = turning(
        length_s,
        SAMPLE_RATE_HZ,
        rpm=99.1,
        relative=[
            spring_run_down(length_s, SAMPLE_RATE_HZ, holds_s=5.0, loss=0.006),
            wow(length_s, SAMPLE_RATE_HZ, rate_hz=2.3, depth=0.0030, phase_turns=0.7),
        ],
        ripples=[Ripple(per_turn=1, depth=0.003, phase_turns=0.9)],
    )
    return play(
        groove,
        curve=curve,
        horn=_HORN_B,
        works=_WORKS_B,
        room=_ROOM,
        playings_before=0,
        lowered_s=0.6,
        from_s=0.25,
        level_dbfs=-28.0,
        draws=draws.branch("first playing"),
        groove_draws=draws.branch("groove"),
    )


def _third_playing(groove: Groove, draws: Draws) -> tuple[Samples, ReproductionTruth]:
    length_s = 13.2 - 1.0 / SAMPLE_RATE_HZ
    curve = turning(
        length_s,
        SAMPLE_RATE_HZ,
        rpm=103.2,
        relative=[
            drift(length_s, SAMPLE_RATE_HZ, per_minute=0.03),
            wow(length_s, SAMPLE_RATE_HZ, rate_hz=0.8, depth=0.004, phase_turns=0.1),
        ],
        ripples=[Ripple(per_turn=1, depth=0.006, phase_turns=0.25)],
    )
    return play(
        groove,
        curve=curve,
        horn=_HORN_C,
        works=_WORKS_C,
        room=_ROOM,
        playings_before=2,
        lowered_s=0.8,
        from_s=0.20,
        level_dbfs=-29.0,
        draws=draws.branch("third playing"),
        groove_draws=draws.branch("groove"),
    )


def _announcement(draws: Draws) -> Samples:
    rene = Voice(pitch_hz=112.0, formant_scale=0.87, pace=1.0)
    spoken = speak(_ANNOUNCEMENT, SAMPLE_RATE_HZ, rene, draws.branch("voice"))
    pipe = pitch_pipe(_PIPE_HZ, 2.2, SAMPLE_RATE_HZ, draws.branch("pipe"))
    sound = np.concatenate(
        [_silence(0.5), _level(spoken, -22.0), _silence(0.4), _level(pipe, -24.0)]
    )
    sound = _exactly(sound, 10.0)
    heard = _ROOM.heard(sound, SAMPLE_RATE_HZ)
    return heard + _ROOM.noise(sound.size, SAMPLE_RATE_HZ, draws.branch("noise"))


def _room_tone(draws: Draws) -> list[Samples]:
    frames = round(10.0 * SAMPLE_RATE_HZ)
    near = _ROOM.noise(frames, SAMPLE_RATE_HZ, draws.branch("near"))
    far = _ROOM.noise(frames, SAMPLE_RATE_HZ, draws.branch("far"))
    # A cart outside: a slow swell of low noise that both microphones hear.
    clock = np.arange(frames) / SAMPLE_RATE_HZ
    swell = np.exp(-0.5 * ((clock - 8.2) / 0.7) ** 2) * 10.0 ** (-66.0 / 20.0)
    rumble = Room(seed=1, noise_dbfs=0.0, hum_dbfs=-200.0).noise(
        frames, SAMPLE_RATE_HZ, draws.branch("cart")
    )
    cart = rumble * swell
    return [near + cart, far + 1.4 * cart]
