"""Speed curves of simulated reproductions against the simulator's own."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound
from archiver.signal.rotation import find_rotation
from archiver.signal.speedcurve import SpeedCurve, speed_curve
from tests.signal.demonstrations import demonstration
from tests.simulator.draws import Draws
from tests.simulator.resampling import sound_at
from tests.simulator.voice import Voice, babble


def _take(sound: np.ndarray) -> ReducedSound:
    return ReducedSound(samples=np.asarray(sound, np.float32))


def _speech(seed: int, duration_s: float = 8.0) -> np.ndarray:
    draws = Draws(seed, "speech")
    sound = 0.2 * babble(duration_s, REDUCED_RATE_HZ, Voice(), draws)
    return np.asarray(sound + 0.001 * draws.normals(sound.size))


@pytest.fixture(scope="module", params=[2000, 2001, 2002])
def measured(request: pytest.FixtureRequest) -> tuple[SpeedCurve, np.ndarray]:
    performance, reproduction, truth, nominal_rpm = demonstration(request.param)
    curve = speed_curve(performance, reproduction, find_rotation(reproduction, nominal_rpm))
    told = curve.told & (curve.time_s > truth.time_s[0]) & (curve.time_s < truth.time_s[-1])
    # Means over a quarter of a second: eight steps of 30 ms.
    expected = ndimage.uniform_filter1d(np.interp(curve.time_s, truth.time_s, truth.ratio), 8)
    found = ndimage.uniform_filter1d(curve.ratio, 8)
    span = curve.span_s
    assert span is not None
    times = np.clip(np.array(span), truth.time_s[0], truth.time_s[-1])
    source = np.interp(times, truth.time_s, truth.performance_time_s)
    mean = float((source[1] - source[0]) / (times[1] - times[0]))
    assert curve.mean_ratio.value == pytest.approx(mean, rel=0.002)
    return curve, np.array([found[told] / expected[told] - 1.0, curve.uncertainty[told]])


def test_curve_is_within_0_7_percent_rms_at_a_quarter_second(
    measured: tuple[SpeedCurve, np.ndarray],
) -> None:
    _, errors = measured
    assert float(np.sqrt(np.mean(errors[0] ** 2))) < 0.007


def test_intervals_hold_the_truth_for_most_of_the_time(
    measured: tuple[SpeedCurve, np.ndarray],
) -> None:
    _, errors = measured
    assert float(np.mean(np.abs(errors[0]) <= errors[1])) > 0.85


def test_most_of_the_reproduction_is_told(measured: tuple[SpeedCurve, np.ndarray]) -> None:
    curve, _ = measured
    assert np.count_nonzero(curve.told) * 0.03 > 8.0


def test_a_take_against_itself_runs_at_exactly_its_own_speed() -> None:
    take = _take(_speech(1))
    curve = speed_curve(take, take)
    assert curve.mean_ratio.value == pytest.approx(1.0, abs=2e-4)
    assert np.all(np.abs(curve.ratio - 1.0)[curve.told] <= curve.uncertainty[curve.told])


def test_a_take_resampled_by_1_03_against_itself_reads_1_03() -> None:
    sound = _speech(3)
    faster = sound_at(sound, np.arange(0.0, sound.size - 1.0, 1.03))
    curve = speed_curve(_take(sound), _take(faster))
    assert curve.mean_ratio.value == pytest.approx(1.03, abs=0.0005)
    assert float(np.max(np.abs(curve.ratio[curve.told] - 1.03))) < 0.005


def test_unrelated_speech_noise_and_silence_give_a_reason() -> None:
    performance = _take(_speech(4))
    noise = _take(0.1 * Draws(5, "noise").normals(8 * REDUCED_RATE_HZ))
    for other, reason in (
        (_take(_speech(6)), "does not sound like"),
        (noise, "does not sound like"),
        (_take(np.zeros(REDUCED_RATE_HZ * 8)), "is silent"),
        (_take(_speech(4, 1.0)), "shorter than 3 s"),
    ):
        curve = speed_curve(performance, other)
        assert reason in curve.mean_ratio.reason
        assert curve.time_s.size == 0
        assert curve.span_s is None


def test_of_longer_takes_the_beginning_is_compared(monkeypatch: pytest.MonkeyPatch) -> None:
    # Ten minutes, made six seconds.
    monkeypatch.setattr("archiver.signal.speedcurve.LONGEST_S", 6.0)
    take = _take(_speech(1))
    curve = speed_curve(take, take)
    assert curve.mean_ratio.value == pytest.approx(1.0, abs=3e-4)
    assert curve.span_s is not None
    assert curve.span_s[1] <= 6.0


@pytest.mark.parametrize("frames", [0, 1, 1000, 30_000])
def test_a_take_of_any_short_length_gives_a_reason_and_no_error(frames: int) -> None:
    take = _take(_speech(7)[:frames])
    assert speed_curve(take, take).mean_ratio.reason
    assert find_rotation(take).mean_rpm.reason


def test_a_mean_is_taken_over_one_stretch_and_never_over_a_long_guess() -> None:
    speech = _speech(8, 26.0)
    middle = slice(6 * REDUCED_RATE_HZ, 18 * REDUCED_RATE_HZ)
    played = speech.copy()
    played[middle] = 0.02 * Draws(9, "lost").normals(12 * REDUCED_RATE_HZ)
    curve = speed_curve(_take(speech), _take(played))
    assert curve.span_s is not None
    begin, end = curve.span_s
    assert end <= 7.0 or begin >= 17.0
    assert curve.mean_ratio.value == pytest.approx(1.0, abs=1e-3)


def test_a_tune_whose_path_slips_in_pauses_keeps_its_mean_speed() -> None:
    # A whistled tune: path and speeds disagree by half a percent over the whole of it.
    performance, reproduction, truth, _ = demonstration(45, 20.0)
    curve = speed_curve(performance, reproduction)
    assert curve.mean_ratio.value is not None
    assert curve.mean_ratio.uncertainty is not None
    assert curve.span_s is not None
    times = np.clip(np.array(curve.span_s), truth.time_s[0], truth.time_s[-1])
    source = np.interp(times, truth.time_s, truth.performance_time_s)
    mean = float((source[1] - source[0]) / (times[1] - times[0]))
    assert curve.mean_ratio.value == pytest.approx(mean, rel=0.002)
    assert abs(curve.mean_ratio.value - mean) <= curve.mean_ratio.uncertainty
