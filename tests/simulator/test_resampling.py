"""Reading a sound between its samples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from tests.simulator.draws import Draws
from tests.simulator.resampling import sound_at


@pytest.mark.parametrize("share_of_rate", [0.001, 0.02, 0.1, 0.25, 0.4])
def test_a_sine_is_read_exactly_at_any_time(share_of_rate: float) -> None:
    clock = np.arange(4000)
    tone = np.sin(2.0 * np.pi * share_of_rate * clock + 0.4)
    times = Draws(1).uniforms(3000, 100.0, 3900.0)
    exact = np.sin(2.0 * np.pi * share_of_rate * times + 0.4)
    assert np.abs(sound_at(tone, times) - exact).max() < 2e-6


def test_whole_positions_give_the_samples_back() -> None:
    noise = Draws(2).normals(500)
    assert np.abs(sound_at(noise, np.arange(500.0)) - noise).max() < 1e-12


def test_doubling_the_rate_agrees_with_fourier_resampling() -> None:
    # Judge: scipy.signal.resample, exact for a periodic band-limited sound.
    clock = np.arange(2048)
    sound = sum(
        np.cos(2.0 * np.pi * k * clock / 2048 + k) / (1 + k / 200) for k in range(3, 700, 41)
    )
    judged = signal.resample(sound, 4096)
    found = sound_at(np.asarray(sound), np.arange(4096) / 2.0)
    middle = slice(200, -200)
    assert np.abs(found - judged)[middle].max() < 1e-4 * np.abs(judged).max()


def test_a_varying_step_turns_a_sine_into_the_chirp_it_should() -> None:
    clock = np.arange(48_000)
    tone = np.sin(2.0 * np.pi * 1000.0 * clock / 48_000)
    warped = 200.0 + 0.9 * clock + 2e-6 * clock**2
    exact = np.sin(2.0 * np.pi * 1000.0 * warped / 48_000)
    inside = warped < 47_900
    assert np.abs(sound_at(tone, warped) - exact)[inside].max() < 2e-6


def test_silence_lies_on_either_side() -> None:
    assert np.all(sound_at(np.ones(10), np.array([-30.0, -1.0, 40.0])) == 0.0)


def test_several_sounds_are_read_at_once_as_one_by_one() -> None:
    both = Draws(4).normals(2000).reshape(2, 1000)
    times = Draws(5).uniforms(300, 0.0, 999.0)
    together = sound_at(both, times)
    assert np.array_equal(together, np.stack([sound_at(row, times) for row in both]))
