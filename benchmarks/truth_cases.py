"""What the truth benchmark measures besides demonstrations: played tones, and nothing at all."""

from __future__ import annotations

import pickle
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from archiver.signal.estimate import Reals
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound, reduced
from tests.simulator import Medium, Room, Works, cut, perform, play, random_case
from tests.simulator.draws import Draws
from tests.simulator.horn import Horn
from tests.simulator.rotation import SpeedCurve as Turning
from tests.simulator.rotation import drift, turning, wow
from tests.simulator.tones import hummed, pitch_pipe, random_melody
from tests.simulator.truth import ReproductionTruth
from tests.simulator.voice import Voice, babble

__all__ = [
    "RATE_HZ",
    "Demonstration",
    "Nothing",
    "PlayedTone",
    "Prepared",
    "demonstrated",
    "nothing",
    "played_tone",
    "prepared",
]

RATE_HZ = 48_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Demonstration:
    """A performance and its reproduction, reduced, and what is true of them."""

    programme: str
    recording_drive: str
    reproducing_drive: str
    nominal_rpm: float
    performance: ReducedSound
    reproduction: ReducedSound
    truth: ReproductionTruth


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayedTone:
    """A tone of known pitch before a voice, performed and played."""

    pitch_hz: float
    performance: ReducedSound
    reproduction: ReducedSound
    truth: ReproductionTruth


@dataclass(frozen=True, slots=True, kw_only=True)
class Nothing:
    """Sounds that hold no machine, no performance and, where it is speech, no tone."""

    noise: ReducedSound
    other: ReducedSound
    other_is_speech: bool
    pitch_hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """All that is measured in one case."""

    demonstration: Demonstration
    tone: PlayedTone
    nothing: Nothing


def demonstrated(seed: int, programme: Reals | None = None) -> Demonstration:
    """Simulate a demonstration, of a given programme or of a synthetic one."""
    case = random_case(seed, sample_rate_hz=RATE_HZ, programme=programme)
    return Demonstration(
        programme=case.programme,
        recording_drive=case.recording_drive,
        reproducing_drive=case.reproducing_drive,
        nominal_rpm=case.nominal_rpm,
        performance=reduced(case.performance, RATE_HZ),
        reproduction=reduced(case.reproduction, RATE_HZ),
        truth=case.truth,
    )


def prepared(seed: int, folder: Path | None = None) -> Prepared:
    """Simulate a case, or take it from a folder in which it was kept."""
    kept = None if folder is None else folder / f"{seed}.pickle"
    if kept is not None and kept.exists():
        # Written by this module, in a folder that the caller names.
        found = pickle.loads(kept.read_bytes())  # noqa: S301
        assert isinstance(found, Prepared)
        return found
    case = Prepared(demonstration=demonstrated(seed), tone=played_tone(seed), nothing=nothing(seed))
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(case))
    return case


def played_tone(seed: int) -> PlayedTone:
    """Play a tone on a machine that wavers, 0.5 to 6 Hz of 0.2 to 5 %."""
    draws = Draws(seed, "tone case")
    pitch_hz = draws.one_of([220.0, 261.63, 440.0, 440.0, 523.25, 880.0, 1000.0])
    duration_s = draws.uniform(1.2, 3.0)
    clock = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    rise = np.minimum(1.0, np.minimum(clock, clock[-1] - clock) / 0.05)
    kind = draws.below(3)
    if kind == 0:
        tone = pitch_pipe(pitch_hz, duration_s, RATE_HZ, draws.branch("pipe"))
    elif kind == 1:
        tone = np.sin(2.0 * np.pi * pitch_hz * clock) * np.exp(-clock / 2.0) * rise
    else:
        tone = np.sin(2.0 * np.pi * pitch_hz * clock) * rise
    voice = babble(4.0, RATE_HZ, Voice(pitch_hz=draws.uniform(95.0, 230.0)), draws.branch("voice"))
    quiet = np.zeros(RATE_HZ // 2)
    programme = np.concatenate([quiet, 0.3 * tone, quiet, 0.3 * voice, quiet])
    length_s = (programme.size - 1) / RATE_HZ
    room = Room(seed=seed, noise_dbfs=-70.0)
    recording = turning(length_s, RATE_HZ, rpm=100.0)
    performance, turns = perform(
        programme, RATE_HZ, room=room, works=Works(), curve=recording, draws=draws.branch("cut")
    )
    groove = cut(
        programme,
        RATE_HZ,
        horn=Horn(low_hz=200.0),
        medium=Medium(hiss_db=-draws.uniform(8.0, 26.0)),
        curve=recording,
        turn_times_s=turns,
    )
    rpm = 100.0 * draws.uniform(0.9, 1.1)
    played_s = length_s * 100.0 / rpm + 2.0
    swing = wow(
        played_s,
        RATE_HZ,
        rate_hz=draws.uniform(0.5, 6.0),
        depth=0.002 * 25.0 ** draws.uniform(0.0, 1.0),
    )
    playing: Turning = turning(
        played_s,
        RATE_HZ,
        rpm=rpm,
        relative=[swing, drift(played_s, RATE_HZ, per_minute=draws.uniform(-0.1, 0.1))],
    )
    reproduction, truth = play(
        groove,
        curve=playing,
        horn=Horn(low_hz=180.0),
        works=Works(),
        room=room,
        playings_before=0,
        lowered_s=0.5,
        from_s=0.0,
        level_dbfs=-28.0,
        draws=draws.branch("play"),
        groove_draws=draws.branch("groove"),
    )
    return PlayedTone(
        pitch_hz=pitch_hz,
        performance=reduced(performance, RATE_HZ),
        reproduction=reduced(reproduction, RATE_HZ),
        truth=truth,
    )


def nothing(seed: int) -> Nothing:
    """Make noise, and a voice or a melody that no machine has recorded."""
    draws = Draws(seed, "nothing")
    frames = 20 * REDUCED_RATE_HZ
    noise = 0.1 * draws.normals(frames)
    voice = Voice(pitch_hz=draws.uniform(95.0, 230.0), pace=draws.uniform(0.85, 1.15))
    if seed % 2:
        other = babble(20.0, REDUCED_RATE_HZ, voice, draws)
    else:
        notes = random_melody(20.0, draws.uniform(180.0, 330.0), draws)
        other = hummed(notes, REDUCED_RATE_HZ, draws)
    other = 0.2 * other + 0.001 * draws.normals(other.size)
    return Nothing(
        noise=ReducedSound(samples=noise.astype(np.float32)),
        other=ReducedSound(samples=other.astype(np.float32)),
        other_is_speech=bool(seed % 2),
        pitch_hz=draws.one_of([220.0, 440.0, 880.0]),
    )
