"""Listening copies of tones whose speed was changed by a known curve."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from archiver.signal.correction import (
    Correction,
    corrected,
    corrected_blocks,
    from_reproduction,
    from_rotation,
    nothing_to_correct,
    sound_at,
)
from archiver.signal.estimate import cannot_tell, estimate
from archiver.signal.rotation import Rotation
from archiver.signal.speedcurve import SpeedCurve, speed_curve
from tests.signal.demonstrations import demonstration

RATE_HZ = 16_000


def _wobbling() -> tuple[Correction, np.ndarray, np.ndarray]:
    """A tone of 1 kHz recorded right and played with 2 % of wow at 1 Hz, 3 % fast."""
    clock = np.arange(6 * RATE_HZ) / RATE_HZ
    knots = np.arange(0.0, 6.001, 0.005)
    speed = 1.03 + 0.02 * np.cos(2.0 * np.pi * knots)
    source = 1.03 * clock + 0.02 / (2.0 * np.pi) * np.sin(2.0 * np.pi * clock)
    played = np.sin(2.0 * np.pi * 1000.0 * source).astype(np.float32)
    return Correction(time_s=knots, speed=speed, basis="a test"), clock, played


def test_the_copy_of_a_wavering_tone_is_the_tone() -> None:
    correction, _, played = _wobbling()
    copy = corrected(played[:, None], RATE_HZ, correction)[:, 0]
    clock = np.arange(copy.size) / RATE_HZ
    inner = slice(RATE_HZ // 10, -RATE_HZ // 10)
    wanted = np.sin(2.0 * np.pi * 1000.0 * clock)
    # Straight lines between knots of 5 ms leave 1.6e-3 rad at 1 kHz (h^2 f"/12, integrated).
    assert np.max(np.abs(copy - wanted)[inner]) < 4e-3


def test_the_copy_lasts_as_long_as_the_integral_of_the_speed() -> None:
    correction, _, played = _wobbling()
    copy = corrected(played[:, None], RATE_HZ, correction)
    assert copy.shape[0] == pytest.approx(6.0 * 1.03 * RATE_HZ, abs=2)


def test_blocks_join_without_a_seam() -> None:
    correction, _, played = _wobbling()
    whole = corrected(played[:, None], RATE_HZ, correction)
    parts = np.concatenate(list(corrected_blocks(played[:, None], RATE_HZ, correction, 0.37)))
    assert parts.shape == whole.shape
    assert np.max(np.abs(parts - whole)) < 2e-3


def test_a_speed_of_one_changes_no_sample() -> None:
    samples = np.sin(900.0 * np.linspace(-0.5, 0.5, 4000)).astype(np.float32)[:, None]
    same = Correction(time_s=np.array([0.0]), speed=np.array([1.0]), basis="nothing")
    copy = corrected(samples, RATE_HZ, same)
    assert copy.shape == samples.shape
    assert np.max(np.abs(copy - samples)) < 1e-5


def test_times_in_take_and_copy_are_inverse() -> None:
    correction, clock, _ = _wobbling()
    there = correction.corrected_time(clock)
    assert np.max(np.abs(correction.take_time(there) - clock)) < 2e-6
    early = correction.corrected_time(np.array([-1.0]))
    assert early[0] == pytest.approx(-1.05)


def test_slowing_down_a_take_folds_nothing_back() -> None:
    # Read 1.5 times as fast: a tone at 7 kHz would come back at 5.5 kHz.
    clock = np.arange(RATE_HZ) / RATE_HZ
    tone = np.sin(2.0 * np.pi * 7000.0 * clock).astype(np.float32)[:, None]
    read = sound_at(tone, np.arange(100.0, 15_000.0, 1.5))
    assert float(np.sqrt(np.mean(read[200:-200] ** 2))) < 0.01


@pytest.mark.parametrize(
    ("time_s", "speed"),
    [
        ([0.0, 1.0], [1.0]),
        ([1.0, 0.0], [1.0, 1.0]),
        ([0.0], [0.0]),
        ([0.0], [2.0]),
        ([0.0], [float("nan")]),
        ([], []),
    ],
)
def test_a_curve_must_be_whole_rising_and_near_one(time_s: list[float], speed: list[float]) -> None:
    with pytest.raises(ValueError, match=r"equally long|must rise|must lie"):
        Correction(time_s=np.array(time_s), speed=np.array(speed), basis="a test")


def test_what_cannot_be_told_makes_no_correction() -> None:
    nothing = np.empty(0)
    flags = np.empty(0, np.bool_)
    curve = SpeedCurve(
        mean_ratio=cannot_tell("noise", "1"),
        time_s=nothing,
        ratio=nothing,
        uncertainty=nothing,
        told=flags,
        source_s=nothing,
    )
    rotation = Rotation(
        mean_rpm=cannot_tell("noise", "rpm"),
        event_s=nothing,
        heard=flags,
        rpm=nothing,
        rpm_uncertainty=nothing,
        confidence=0.0,
        octave_doubtful=False,
    )
    assert from_reproduction(curve) is None
    assert from_rotation(rotation, 160.0) is None


def a_curve(mean: float, uncertainty: float, ratio: np.ndarray, width: float) -> SpeedCurve:
    clock = np.asarray(0.03 * np.arange(ratio.size), np.float64)
    return SpeedCurve(
        mean_ratio=estimate(mean, uncertainty, "1"),
        time_s=clock,
        ratio=ratio,
        uncertainty=np.full(ratio.size, width),
        told=np.ones(ratio.size, np.bool_),
        source_s=clock,
    )


def test_a_take_that_ran_as_its_performance_did_has_nothing_to_correct() -> None:
    chance = np.random.default_rng(4)
    # Independent errors from one quarter second to the next, as wide as they are said to be.
    errors = np.repeat(chance.standard_normal(60), 8)[:470] * 0.004 / 1.96
    curve = a_curve(1.0004, 0.0013, 1.0 + errors, 0.004)
    assert "1.0004" in nothing_to_correct(curve)
    assert "0.0013" in nothing_to_correct(curve)


def test_a_mean_beyond_its_uncertainty_is_corrected() -> None:
    assert nothing_to_correct(a_curve(1.0014, 0.0013, np.full(400, 1.0014), 0.004)) == ""
    assert nothing_to_correct(a_curve(1.0012, 0.0013, np.full(400, 1.0012), 0.004)) != ""


@pytest.mark.parametrize(("swing", "is_corrected"), [(0.002, False), (0.012, True)])
def test_a_swing_about_the_right_mean_is_corrected_beyond_its_uncertainty(
    swing: float, is_corrected: bool
) -> None:
    clock = 0.03 * np.arange(400)
    curve = a_curve(1.0, 0.0013, 1.0 + swing * np.sin(2.0 * np.pi * 0.5 * clock), 0.004)
    assert (nothing_to_correct(curve) == "") is is_corrected


def test_what_is_not_told_has_no_say_in_what_is_corrected() -> None:
    ratio = np.ones(400)
    ratio[100:300] = 1.05
    told = np.ones(400, np.bool_)
    told[100:300] = False
    curve = dataclasses.replace(a_curve(1.0, 0.0013, ratio, 0.004), told=told)
    assert nothing_to_correct(curve) != ""


@pytest.mark.parametrize("seed", [1, 4])
def test_a_performance_heard_again_is_left_alone_and_a_replay_is_not(seed: int) -> None:
    performance, reproduction, _, _ = demonstration(seed)
    again = speed_curve(performance, performance)
    assert from_reproduction(again) is not None
    assert nothing_to_correct(again) != ""
    # In the simulation of case 4 the mean is near 1, and the speed swings.
    assert nothing_to_correct(speed_curve(performance, reproduction)) == ""


def test_a_rotation_is_corrected_to_the_intended_speed_and_not_by_an_octave() -> None:
    event_s = np.arange(0.0, 6.0, 0.5)
    rotation = Rotation(
        mean_rpm=estimate(120.0, 0.1, "rpm"),
        event_s=event_s,
        heard=np.ones(event_s.size, np.bool_),
        rpm=np.full(event_s.size - 1, 120.0),
        rpm_uncertainty=np.full(event_s.size - 1, 0.1),
        confidence=50.0,
        octave_doubtful=False,
    )
    correction = from_rotation(rotation, 100.0)
    assert correction is not None
    assert np.allclose(correction.speed, 1.2)
    assert from_rotation(rotation, 60.0) is None
