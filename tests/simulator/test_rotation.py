"""Speed curves and the angles that they turn through."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.simulator.draws import Draws
from tests.simulator.rotation import Ripple, drift, spring_run_down, tiring_arm, turning, wow

RATE_HZ = 8000.0


def test_a_constant_speed_turns_evenly() -> None:
    curve = turning(10.0, RATE_HZ, rpm=120.0)
    assert curve.turns[-1] == pytest.approx(20.0, abs=1e-9)


def test_drift_turns_through_its_integral() -> None:
    # The integral of 2(1 + 0.06 t/60) over 30 s is 60 + 0.9 turns.
    curve = turning(30.0, RATE_HZ, rpm=120.0, relative=[drift(30.0, RATE_HZ, per_minute=0.06)])
    assert curve.turns[-1] == pytest.approx(60.9, abs=1e-7)
    assert curve.rpm[-1] == pytest.approx(120.0 * 1.03)


def test_wow_turns_through_its_integral() -> None:
    swing = wow(7.3, RATE_HZ, rate_hz=3.0, depth=0.05)
    curve = turning(7.3, RATE_HZ, rpm=90.0, relative=[swing])
    clock = np.arange(curve.rpm.size) / RATE_HZ
    exact = 1.5 * (clock + 0.05 * np.sin(2.0 * np.pi * 3.0 * clock) / (2.0 * np.pi * 3.0))
    assert np.abs(curve.turns - exact).max() < 1e-6


def test_the_pushes_of_a_crank_come_at_the_same_angles_every_turn() -> None:
    pushes = Ripple(per_turn=2, depth=0.04, phase_turns=0.1)
    curve = turning(
        20.0,
        RATE_HZ,
        rpm=80.0,
        relative=[drift(20.0, RATE_HZ, per_minute=-0.09)],
        ripples=[pushes],
    )
    fast = curve.rpm > np.interp(np.arange(curve.rpm.size), [0, 160_000], [80.0, 77.6]) * 1.0399
    angles = (2.0 * (curve.turns[fast] - 0.1) + 0.5) % 1.0
    assert np.abs(angles - 0.5).max() < 0.05
    assert curve.rpm.max() / curve.rpm.min() == pytest.approx(1.04 / (0.96 * 0.97), rel=0.002)


@settings(max_examples=30, deadline=None)
@given(
    rpm=st.floats(40.0, 300.0),
    depth=st.floats(0.0, 0.08),
    per_turn=st.integers(1, 4),
    rate_hz=st.floats(0.3, 6.0),
)
def test_speed_is_the_slope_of_the_angle(
    rpm: float, depth: float, per_turn: int, rate_hz: float
) -> None:
    curve = turning(
        4.0,
        RATE_HZ,
        rpm=rpm,
        relative=[wow(4.0, RATE_HZ, rate_hz=rate_hz, depth=0.02)],
        ripples=[Ripple(per_turn=per_turn, depth=depth, phase_turns=0.3)],
    )
    slope = 60.0 * (curve.turns[16:] - curve.turns[:-16]) / 16.0 * RATE_HZ
    assert np.abs(slope / curve.rpm[8:-8] - 1.0).max() < 1e-3


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 1000))
def test_the_time_of_an_angle_is_the_inverse_of_the_angle_at_a_time(seed: int) -> None:
    arm = tiring_arm(6.0, RATE_HZ, loss=0.05, wander=0.03, draws=Draws(seed))
    curve = turning(6.0, RATE_HZ, rpm=70.0, relative=[arm])
    times = Draws(seed, "times").uniforms(50, 0.0, 6.0)
    assert np.abs(curve.time_of(curve.turns_at(times)) - times).max() < 1e-9


def test_the_governor_holds_until_the_spring_is_weak() -> None:
    relative = spring_run_down(10.0, RATE_HZ, holds_s=6.0, loss=0.04)
    assert np.all(relative[: int(6.0 * RATE_HZ)] == 1.0)
    assert relative[-1] == pytest.approx(0.96)
    assert np.all(np.diff(relative) <= 0.0)


def test_the_mean_speed_is_turns_over_time() -> None:
    curve = turning(30.0, RATE_HZ, rpm=100.0, relative=[drift(30.0, RATE_HZ, per_minute=0.1)])
    # Halfway between 100 at the start and 105 at 30 s.
    assert curve.mean_rpm(0.0, 30.0) == pytest.approx(102.5, abs=1e-6)
