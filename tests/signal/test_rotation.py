"""Rotation found in simulated demonstrations whose turns are known, and in bare clicks."""

from __future__ import annotations

import numpy as np
import pytest

from archiver.signal.estimate import Reals
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound, reduced
from archiver.signal.rotation import Rotation, find_rotation
from tests.signal.demonstrations import demonstration
from tests.simulator import random_case
from tests.simulator.draws import Draws
from tests.simulator.tones import hummed, random_melody
from tests.simulator.truth import RotationTruth
from tests.simulator.voice import Voice, babble


def _take(sound: Reals) -> ReducedSound:
    return ReducedSound(samples=np.asarray(sound, np.float32))


def _clicks(
    times_s: Reals, sizes: Reals, duration_s: float, noise: float, draws: Draws
) -> ReducedSound:
    sound = noise * draws.normals(round(duration_s * REDUCED_RATE_HZ))
    since_s = np.arange(64) / REDUCED_RATE_HZ
    shape = np.exp(-since_s / 0.001) * np.cos(2.0 * np.pi * 2000.0 * since_s)
    for time_s, size in zip(times_s, sizes, strict=True):
        first = round(time_s * REDUCED_RATE_HZ)
        sound[first : first + 64] += size * shape[: max(0, min(64, sound.size - first))]
    return _take(sound)


def _turned(truth: RotationTruth, event_s: Reals) -> Reals:
    """Turns of the simulated machine at given times."""
    time_s, rpm = np.array(truth.time_s), np.array(truth.rpm)
    steps = (rpm[1:] + rpm[:-1]) / 2.0 * np.diff(time_s) / 60.0
    return np.asarray(np.interp(event_s, time_s, np.concatenate([[0.0], np.cumsum(steps)])))


def _true_speeds(truth: RotationTruth, found: Rotation) -> tuple[float, Reals]:
    turns = np.diff(_turned(truth, found.event_s))
    each = 60.0 * turns / np.diff(found.event_s)
    return 60.0 * float(turns.sum()) / float(found.event_s[-1] - found.event_s[0]), each


@pytest.mark.parametrize("seed", [2000, 2002, 2003])
def test_seam_gives_the_mean_within_a_fifth_of_a_percent_and_each_turn_within_one(
    seed: int,
) -> None:
    _, reproduction, truth, nominal_rpm = demonstration(seed)
    found = find_rotation(reproduction, nominal_rpm)
    mean, each = _true_speeds(truth.rotation, found)
    assert found.mean_rpm.value == pytest.approx(mean, rel=0.002)
    assert float(np.sqrt(np.mean((found.rpm / each - 1.0) ** 2))) < 0.01
    assert np.mean(np.abs(found.rpm - each) <= found.rpm_uncertainty) >= 0.85


@pytest.mark.parametrize("seed", [3109, 3124, 3274])
def test_seam_and_thump_close_in_phase_keep_each_turn_within_one_percent(seed: int) -> None:
    # Cases in which the one was once taken for the other: 2.7, 1.7 and 1.0 % RMS.
    case = random_case(seed, sample_rate_hz=48_000)
    found = find_rotation(reduced(case.reproduction, 48_000), case.nominal_rpm)
    mean, each = _true_speeds(case.truth.rotation, found)
    assert found.mean_rpm.value == pytest.approx(mean, rel=0.002)
    assert float(np.sqrt(np.mean((found.rpm / each - 1.0) ** 2))) < 0.01


def test_a_thump_of_works_that_swing_every_other_turn_is_placed_turn_by_turn() -> None:
    # A wow of 2 % at 0.55 of the rate of the turn, once smoothed to 1.1 % RMS.
    performance, _, truth, nominal_rpm = demonstration(192, 20.0)
    found = find_rotation(performance, nominal_rpm)
    mean, each = _true_speeds(truth.recording, found)
    assert found.mean_rpm.value == pytest.approx(mean, rel=0.002)
    assert float(np.sqrt(np.mean((found.rpm / each - 1.0) ** 2))) < 0.01
    assert np.mean(np.abs(found.rpm - each) <= found.rpm_uncertainty) >= 0.85


def test_every_tenth_click_missed_at_120_rpm_is_neither_60_nor_240() -> None:
    draws = Draws(7, "missed")
    times = 0.3 + 0.5 * np.arange(50, dtype=np.float64)
    kept = draws.uniforms(50) > 0.1
    found = find_rotation(
        _clicks(times[kept], np.full(int(kept.sum()), 0.2, np.float64), 26.0, 0.01, draws)
    )
    assert found.mean_rpm.value == pytest.approx(120.0, rel=0.01)


def test_alternate_clicks_6_db_weaker_are_still_one_turn_each() -> None:
    draws = Draws(8, "alternate")
    times = 0.3 + 0.5 * np.arange(50, dtype=np.float64)
    sizes = np.where(np.arange(50) % 2, 0.1, 0.2)
    found = find_rotation(_clicks(times, sizes, 26.0, 0.01, draws), 120.0)
    assert found.mean_rpm.value == pytest.approx(120.0, rel=0.01)


@pytest.mark.parametrize("nominal_rpm", [100.0, 130.0, 90.0])
def test_a_stated_speed_is_never_the_answer(nominal_rpm: float) -> None:
    times = 0.3 + 60.0 / 113.0 * np.arange(45, dtype=np.float64)
    found = find_rotation(
        _clicks(times, np.full(45, 0.2, np.float64), 25.0, 0.01, Draws(9, "prior")), nominal_rpm
    )
    assert found.mean_rpm.value == pytest.approx(113.0, rel=1e-3)


def test_a_drifting_hand_is_followed_turn_by_turn() -> None:
    # The angle of a speed that falls evenly from 100 to 80 rpm in 30 s.
    turns = np.arange(44, dtype=np.float64)
    slope = (80.0 - 100.0) / 60.0 / 30.0
    times = (-100.0 / 60.0 + np.sqrt((100.0 / 60.0) ** 2 + 2.0 * slope * turns)) / slope
    found = find_rotation(
        _clicks(0.2 + times, np.full(44, 0.2, np.float64), 30.0, 0.01, Draws(10, "hand"))
    )
    expected = 100.0 - 20.0 * (found.time_s - 0.2) / 30.0
    assert np.max(np.abs(found.rpm / expected - 1.0)) < 0.01


@pytest.mark.parametrize("seed", [21, 22, 23, 24])
def test_noise_speech_and_melodies_without_a_machine_give_no_rotation(seed: int) -> None:
    draws = Draws(seed, "nothing")
    frames = 15 * REDUCED_RATE_HZ
    sounds = {
        21: draws.normals(frames),
        22: babble(15.0, REDUCED_RATE_HZ, Voice(), draws),
        23: hummed(random_melody(15.0, 220.0, draws), REDUCED_RATE_HZ, draws),
        24: np.zeros(frames),
    }
    found = find_rotation(_take(0.2 * sounds[seed] + 0.001 * draws.normals(frames)), 100.0)
    assert found.mean_rpm.reason
    assert found.event_s.size == 0


def test_a_short_take_says_so() -> None:
    assert "shorter than 5 s" in find_rotation(_take(np.zeros(1600))).mean_rpm.reason


def test_no_event_lies_outside_the_take() -> None:
    times = 0.02 + 0.5 * np.arange(40, dtype=np.float64)
    found = find_rotation(
        _clicks(times, np.full(40, 0.2, np.float64), 19.6, 0.01, Draws(11, "edges"))
    )
    assert found.mean_rpm.value == pytest.approx(120.0, rel=1e-3)
    assert found.event_s[0] >= 0.0
    assert found.event_s[-1] <= 19.6
