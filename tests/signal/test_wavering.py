"""Wavering of curves whose swing is known in closed form.

A sine of peak p has RMS p/sqrt(2), and exceeds sin(0.475 pi) p = 0.9969 p for 5 % of
the time. Weighted expectations come from the weighting table itself.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from archiver.signal.estimate import Reals
from archiver.signal.motion import wavering_of
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound
from archiver.signal.tone import find_tone
from archiver.signal.wavering import WEIGHTING_DB, Locked, Wavering, waver, weighting_gain
from tests.simulator.draws import Draws


def _curve(rate_hz: float, depth: float, duration_s: float = 20.0) -> tuple[Reals, Reals]:
    clock = np.arange(0.0, duration_s, 0.004)
    return clock, 100.0 * (1.0 + depth * np.cos(2.0 * np.pi * rate_hz * clock))


def _wavering(time_s: Reals, speed: Reals, noise: float = 0.0) -> Wavering:
    return waver(time_s, speed, noise=noise, highest_hz=120.0, carrier="test tone")


def test_the_weighting_meets_its_table_at_every_node_and_is_zero_at_rest() -> None:
    rates = np.array([rate for rate, _ in WEIGHTING_DB])
    levels = 20.0 * np.log10(weighting_gain(rates))
    assert np.allclose(levels, [level for _, level in WEIGHTING_DB], atol=1e-9)
    assert weighting_gain(np.array([0.0]))[0] == 0.0


def test_at_4_hz_weighted_equals_unweighted() -> None:
    found = _wavering(*_curve(4.0, 0.01))
    assert found.wow_rms_percent.value == pytest.approx(0.7071, rel=0.01)
    assert found.wow_peak_percent.value == pytest.approx(0.9969, rel=0.01)
    assert found.weighted_percent.value == pytest.approx(0.9969, rel=0.01)
    assert found.dominant.rate_hz.value == pytest.approx(4.0, abs=0.05)


@pytest.mark.parametrize(
    ("rate_hz", "depth", "expected_percent"),
    # 1 Hz -4.2 dB of 1 %, 20 Hz -5.9 dB of 0.5 %, as peak; two-sigma reads 0.9969 of it.
    [(1.0, 0.01, 0.617), (20.0, 0.005, 0.254)],
)
def test_weighted_reading_follows_the_table(
    rate_hz: float, depth: float, expected_percent: float
) -> None:
    found = _wavering(*_curve(rate_hz, depth))
    assert found.weighted_percent.value == pytest.approx(0.9969 * expected_percent, rel=0.03)


def test_the_whole_chain_from_a_tone_of_one_kilohertz_reads_its_swing() -> None:
    clock = np.arange(10 * REDUCED_RATE_HZ) / REDUCED_RATE_HZ
    swing = 1000.0 * 0.01 / 4.0 * np.sin(2.0 * np.pi * 4.0 * clock)
    take = ReducedSound(
        samples=(0.3 * np.sin(2.0 * np.pi * 1000.0 * clock + swing)).astype(np.float32)
    )
    curve = find_tone(take, 1000.0).curve
    assert curve is not None
    found = waver(
        curve.time_s, curve.frequency_hz, noise=0.0, highest_hz=25.0, carrier="tone of 1000 Hz"
    )
    assert found.wow_rms_percent.value == pytest.approx(0.7071, rel=0.01)
    assert found.weighted_percent.value == pytest.approx(0.9969, rel=0.01)


@pytest.mark.parametrize("pitch_hz", [440.0, 1000.0])
@pytest.mark.parametrize("rate_hz", [8.0, 16.0])
def test_flutter_is_told_from_a_tone_of_three_seconds(rate_hz: float, pitch_hz: float) -> None:
    clock = np.arange(3 * REDUCED_RATE_HZ) / REDUCED_RATE_HZ
    swing = pitch_hz * 0.003 / rate_hz * np.sin(2.0 * np.pi * rate_hz * clock)
    take = ReducedSound(
        samples=(0.3 * np.sin(2.0 * np.pi * pitch_hz * clock + swing)).astype(np.float32)
    )
    (found,) = wavering_of(None, find_tone(take, pitch_hz), None)
    # 0.3 % / sqrt(2)
    assert found.flutter_rms_percent.value == pytest.approx(0.2121, rel=0.02)
    assert "5 s are needed" in found.wow_rms_percent.reason


def test_a_low_tone_shows_no_flutter_that_its_filter_does_not_pass() -> None:
    clock = np.arange(8 * REDUCED_RATE_HZ) / REDUCED_RATE_HZ
    take = ReducedSound(samples=(0.3 * np.sin(2.0 * np.pi * 70.0 * clock)).astype(np.float32))
    (found,) = wavering_of(None, find_tone(take, 70.0), None)
    assert "nothing faster than" in found.flutter_rms_percent.reason


@pytest.mark.parametrize("rate_hz", [1.0, 3.0, 5.0])
def test_what_a_window_takes_from_a_swing_is_given_back(rate_hz: float) -> None:
    # A bell of deviation s leaves exp(-2 (pi f s)^2) of a sine of f.
    clock, speed = _curve(rate_hz, 0.01)
    seen = 100.0 + (speed - 100.0) * math.exp(-2.0 * (math.pi * rate_hz * 0.0165) ** 2)
    found = waver(clock, seen, noise=0.001, highest_hz=6.0, carrier="windows", window_s=0.0165)
    assert found.wow_rms_percent.value == pytest.approx(0.7071, rel=0.01)
    assert found.dominant.peak_percent.value == pytest.approx(1.0, rel=0.02)


def test_noise_of_the_measurement_is_in_the_interval_of_the_drift() -> None:
    clock = np.arange(0.0, 60.0, 0.05)
    held = 0
    for seed in range(40):
        speed = 100.0 + clock / 60.0 + Draws(seed, "drift").normals(clock.size)
        found = waver(clock, speed, noise=0.01, highest_hz=10.0, carrier="noisy")
        interval = found.drift_percent_per_minute.interval
        assert interval is not None
        # 1 in a minute of a mean of 100.5.
        held += interval[0] <= 100.0 / 100.5 <= interval[1]
    # 95 % of 40 are 38; fewer than 34 by chance once in some thousand.
    assert held >= 34


def test_a_steady_curve_shows_no_wow_and_no_rate() -> None:
    clock = np.arange(0.0, 20.0, 0.01)
    found = _wavering(clock, np.full(clock.size, 160.0))
    assert found.wow_rms_percent.value == pytest.approx(0.0, abs=1e-9)
    assert found.drift_percent_per_minute.value == pytest.approx(0.0, abs=1e-9)
    assert found.dominant.locked is Locked.NONE


def test_an_even_rise_of_2_percent_in_a_minute_is_drift_and_no_wow() -> None:
    # 3000 to 3060 Hz over 60 s: 60/3030 of the mean a minute.
    clock = np.arange(0.0, 60.0, 0.01)
    found = _wavering(clock, 3000.0 + clock)
    assert found.drift_percent_per_minute.value == pytest.approx(100.0 * 60.0 / 3030.0, abs=0.01)
    assert found.wow_rms_percent.value == pytest.approx(0.0, abs=0.002)


def test_noise_of_the_measurement_is_taken_off_the_reading() -> None:
    clock, speed = _curve(2.0, 0.01)
    noisy = speed * (1.0 + 0.01 * Draws(3, "noise").normals(clock.size))
    found = _wavering(clock, noisy, noise=0.01)
    assert found.wow_rms_percent.value == pytest.approx(0.7071, rel=0.05)


@pytest.mark.parametrize(("per_turn", "locked"), [(1, Locked.TURN), (2, Locked.CRANK)])
def test_a_swing_that_follows_the_turn_is_told_from_one_of_its_own_rate(
    per_turn: int, locked: Locked
) -> None:
    clock = np.arange(0.0, 30.0, 0.02)
    # Turning slows down by a tenth, and the swing with it.
    turns = 1.5 * clock - 0.0025 * clock**2
    speed = 90.0 * (1.0 + 0.01 * np.cos(2.0 * np.pi * per_turn * (turns - 0.2)))
    event_s = np.interp(np.arange(int(turns[-1])), turns, clock)
    found = waver(clock, speed, noise=1e-4, highest_hz=25.0, carrier="alignment", event_s=event_s)
    assert found.dominant.locked is locked
    harmonic = found.harmonics[per_turn - 1]
    assert harmonic.peak_percent.value == pytest.approx(1.0, rel=0.05)
    assert harmonic.phase_turns is not None
    assert math.cos(2.0 * math.pi * per_turn * (harmonic.phase_turns - 0.2)) > 0.99


def test_a_swing_beside_the_turn_is_its_own_and_a_slow_one_wanders() -> None:
    clock = np.arange(0.0, 30.0, 0.02)
    event_s = np.arange(0.0, 30.0, 60.0 / 90.0)
    for rate_hz, locked in ((2.2, Locked.OWN_RATE), (0.2, Locked.WANDERS)):
        speed = 90.0 * (1.0 + 0.01 * np.cos(2.0 * np.pi * rate_hz * clock))
        found = waver(
            clock, speed, noise=1e-4, highest_hz=25.0, carrier="alignment", event_s=event_s
        )
        assert found.dominant.locked is locked


def test_one_value_a_turn_says_nothing_of_what_is_locked_to_the_turn() -> None:
    event_s = np.arange(0.0, 30.0, 0.6)
    middles = (event_s[1:] + event_s[:-1]) / 2.0
    found = waver(
        middles,
        np.full(middles.size, 100.0) + np.sin(middles),
        noise=1e-4,
        highest_hz=0.8,
        carrier="once a turn",
        event_s=event_s,
    )
    assert "too coarse" in found.harmonics[0].peak_percent.reason
    assert "nothing faster" in found.flutter_rms_percent.reason


def test_a_short_curve_gives_a_reason_everywhere() -> None:
    found = _wavering(np.arange(10) / 10.0, np.ones(10))
    assert "5 s are needed" in found.weighted_percent.reason
