"""Random demonstrations by seed, for judging measurements on many of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.simulator.demonstration import Works, cut, perform, play
from tests.simulator.draws import Draws, Samples
from tests.simulator.horn import Horn, Resonance
from tests.simulator.levels import active_rms
from tests.simulator.medium import Medium, Seam, Wear
from tests.simulator.room import Room
from tests.simulator.rotation import (
    Ripple,
    SpeedCurve,
    drift,
    spring_run_down,
    tiring_arm,
    turning,
    wow,
)
from tests.simulator.tones import hummed, random_melody, whistled
from tests.simulator.truth import ReproductionTruth
from tests.simulator.voice import Voice, babble

__all__ = ["DRIVES", "PROGRAMMES", "Case", "random_case", "random_curve"]

PROGRAMMES = ("speech", "hummed melody", "whistled melody")
DRIVES = ("hand crank", "spring", "motor")


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A performance and its reproduction, both captured, and what is true of them.

    Parameters
    ----------
    seed : int
    sample_rate_hz : int
    programme : str
        What was performed.
    recording_drive, reproducing_drive : str
        What turned the machines.
    nominal_rpm : float
        What the operator would state; the truth lies within 15 % of it.
    performance, reproduction : ndarray, shape (frames,)
    truth : ReproductionTruth
    """

    seed: int
    sample_rate_hz: int
    programme: str
    recording_drive: str
    reproducing_drive: str
    nominal_rpm: float
    performance: Samples
    reproduction: Samples
    truth: ReproductionTruth


def random_case(
    seed: int,
    *,
    sample_rate_hz: int = 48_000,
    duration_s: float = 20.0,
    programme: Samples | None = None,
    snr_db: float | None = None,
) -> Case:
    """Make one random demonstration.

    Parameters
    ----------
    seed : int
        The same seed gives the same case.
    sample_rate_hz : int
    duration_s : float
        Of the programme; ignored when a programme is given.
    programme : ndarray, shape (frames,), optional
        A sound to perform in place of a synthetic one, at ``sample_rate_hz``.
    snr_db : float, optional
        Programme over hiss in the groove; 8 to 26 dB by chance when absent. The truth
        of the case holds what came of it with clicks and room.
    """
    draws = Draws(seed, "case")
    kind = "given"
    if programme is None:
        kind = PROGRAMMES[draws.branch("kind").below(len(PROGRAMMES))]
        programme = _programme(kind, duration_s, sample_rate_hz, draws.branch("programme"))
    quiet = np.zeros(round(0.8 * sample_rate_hz))
    programme = np.concatenate([quiet, programme, quiet])
    programme = programme * (10.0 ** (-22.0 / 20.0) / active_rms(programme, sample_rate_hz))

    chance = draws.branch("set-up")
    nominal_rpm = chance.one_of([60.0, 80.0, 100.0, 120.0, 144.0, 160.0])
    recording_drive = chance.one_of(DRIVES)
    reproducing_drive = chance.one_of(DRIVES)
    medium = _medium(chance, nominal_rpm, snr_db)
    low_hz, high_hz = chance.uniform(180.0, 320.0), chance.uniform(2300.0, 3300.0)
    recording_horn = _horn(chance, low_hz, high_hz)
    playing_horn = _horn(chance, chance.uniform(180.0, 280.0), chance.uniform(2600.0, 3600.0))
    room = Room(
        seed=chance.below(1 << 30),
        distance_m=chance.uniform(0.25, 0.8),
        noise_dbfs=chance.uniform(-78.0, -64.0),
        hum_dbfs=chance.uniform(-96.0, -76.0),
        hum_hz=chance.one_of([50.0, 60.0]) * chance.uniform(0.999, 1.001),
    )
    works = Works(whirr_dbfs=chance.uniform(-68.0, -54.0), thump_dbfs=chance.uniform(-52.0, -38.0))

    length_s = (programme.size - 1) / sample_rate_hz
    recording_rpm = nominal_rpm * chance.uniform(0.92, 1.08)
    recording = random_curve(
        recording_drive, recording_rpm, length_s, sample_rate_hz, draws.branch("recording")
    )
    performance, turn_times_s = perform(
        programme,
        sample_rate_hz,
        room=room,
        works=works,
        curve=recording,
        draws=draws.branch("performance"),
    )
    groove = cut(
        programme,
        sample_rate_hz,
        horn=recording_horn,
        medium=medium,
        curve=recording,
        turn_times_s=turn_times_s,
    )
    playing_rpm = recording_rpm * chance.uniform(0.88, 1.13)
    lowered_s = chance.uniform(0.4, 2.0)
    playing_s = lowered_s + length_s * recording_rpm / playing_rpm + 1.5
    playing = random_curve(
        reproducing_drive, playing_rpm, playing_s, sample_rate_hz, draws.branch("playing")
    )
    reproduction, truth = play(
        groove,
        curve=playing,
        horn=playing_horn,
        works=works,
        room=room,
        playings_before=chance.below(5),
        lowered_s=lowered_s,
        from_s=chance.uniform(0.0, 0.5),
        level_dbfs=chance.uniform(-34.0, -24.0),
        draws=draws.branch("reproduction"),
        groove_draws=draws.branch("groove"),
    )
    return Case(
        seed=seed,
        sample_rate_hz=sample_rate_hz,
        programme=kind,
        recording_drive=recording_drive,
        reproducing_drive=reproducing_drive,
        nominal_rpm=nominal_rpm,
        performance=performance,
        reproduction=reproduction,
        truth=truth,
    )


def random_curve(
    drive: str, rpm: float, duration_s: float, sample_rate_hz: int, draws: Draws
) -> SpeedCurve:
    """Turn a machine as its drive would.

    Parameters
    ----------
    drive : str
        One of :data:`DRIVES`.
    rpm : float
    duration_s : float
    sample_rate_hz : int
    draws : Draws
    """
    eccentric = Ripple(
        per_turn=1, depth=draws.uniform(0.001, 0.008), phase_turns=draws.uniform(0.0, 1.0)
    )
    match drive:
        case "hand crank":
            arm = tiring_arm(
                duration_s,
                sample_rate_hz,
                loss=draws.uniform(0.0, 0.05),
                wander=draws.uniform(0.005, 0.03),
                draws=draws.branch("arm"),
            )
            pushes = Ripple(
                per_turn=2, depth=draws.uniform(0.005, 0.04), phase_turns=draws.uniform(0.0, 1.0)
            )
            return turning(
                duration_s, sample_rate_hz, rpm=rpm, relative=[arm], ripples=[eccentric, pushes]
            )
        case "spring":
            weak = spring_run_down(
                duration_s,
                sample_rate_hz,
                holds_s=draws.uniform(0.3, 0.9) * duration_s,
                loss=draws.uniform(0.0, 0.04),
            )
            hunting = wow(
                duration_s,
                sample_rate_hz,
                rate_hz=draws.uniform(0.5, 6.0),
                depth=0.002 * draws.uniform(1.0, 25.0) ** draws.uniform(0.0, 1.0),
                phase_turns=draws.uniform(0.0, 1.0),
            )
            return turning(
                duration_s, sample_rate_hz, rpm=rpm, relative=[weak, hunting], ripples=[eccentric]
            )
        case _:
            warming = drift(duration_s, sample_rate_hz, per_minute=draws.uniform(-0.03, 0.03))
            return turning(
                duration_s, sample_rate_hz, rpm=rpm, relative=[warming], ripples=[eccentric]
            )


def _programme(kind: str, duration_s: float, sample_rate_hz: int, draws: Draws) -> Samples:
    if kind == "speech":
        deep = draws.chance(0.5)
        voice = Voice(
            pitch_hz=draws.uniform(95.0, 135.0) if deep else draws.uniform(170.0, 230.0),
            formant_scale=0.87 if deep else 1.0,
            pace=draws.uniform(0.85, 1.15),
        )
        return babble(duration_s, sample_rate_hz, voice, draws)
    if kind == "hummed melody":
        notes = random_melody(duration_s, draws.uniform(180.0, 330.0), draws)
        return hummed(notes, sample_rate_hz, draws)
    notes = random_melody(duration_s, draws.uniform(700.0, 1000.0), draws)
    return whistled(notes, sample_rate_hz, draws)


def _medium(chance: Draws, nominal_rpm: float, snr_db: float | None) -> Medium:
    diameter_mm = chance.one_of([55.56, 57.15, 88.9, 101.6])
    speed_mm_s = np.pi * diameter_mm * nominal_rpm / 60.0
    return Medium(
        diameter_mm=diameter_mm,
        # So that 1/e lies between 3 and 8 kHz whatever the surface speed.
        loss_wavelength_um=1000.0 * float(speed_mm_s) / chance.uniform(3000.0, 8000.0),
        curvature=chance.uniform(0.0, 0.35),
        hiss_db=-chance.uniform(8.0, 26.0) if snr_db is None else -snr_db,
        clicks_per_turn=chance.uniform(0.0, 1.5),
        seam=Seam(
            at_turns=chance.uniform(0.0, 1.0),
            level=chance.uniform(0.15, 1.0),
            width_s=chance.uniform(0.0006, 0.003),
            ring_hz=chance.uniform(1000.0, 2600.0),
            missed=chance.uniform(0.0, 0.1),
            uneven=chance.uniform(0.05, 0.3),
        ),
        wear=Wear(
            level_db=chance.uniform(0.2, 1.2),
            wavelength_growth=chance.uniform(0.02, 0.12),
            noise_db=chance.uniform(0.2, 1.2),
        ),
    )


def _horn(chance: Draws, low_hz: float, high_hz: float) -> Horn:
    return Horn(
        low_hz=low_hz,
        high_hz=high_hz,
        resonances=tuple(
            Resonance(
                frequency_hz=centre_hz * chance.uniform(0.85, 1.15),
                gain_db=chance.uniform(1.0, 7.0),
                quality=chance.uniform(1.5, 5.0),
            )
            for centre_hz in (420.0, 850.0, 1700.0)
        ),
    )
