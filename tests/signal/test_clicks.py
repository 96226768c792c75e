"""Clicks at known places, and the rate of false ones on sound without clicks."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import butter, sosfilt

from archiver.signal.clicks import ClickMeter
from tests.signal.feeding import metered
from tests.signal.recordings import READINGS, reading
from tests.signal.synthesis import Signal, noise, tone
from tests.simulator import Draws, Voice, babble


def count(signal: Signal, rate: int, cuts: tuple[int, ...] = ()) -> int:
    return metered(ClickMeter(rate, len(signal)), signal, cuts)[0].count


def clicks(rate: int, seconds: float, times: list[float]) -> Signal:
    """Clicks as a horn passes them on: bursts between 300 and 3000 Hz, peak 1."""
    impulses = np.zeros((1, round(seconds * rate)))
    impulses[0, [round(time * rate) for time in times]] = 1.0
    horn = butter(2, (300.0, 3000.0), "bandpass", fs=rate, output="sos")
    heard = sosfilt(horn, impulses, axis=1)
    return np.asarray(heard / np.abs(heard).max())


@pytest.mark.parametrize("rate", [8_000, 16_000, 44_100, 48_000, 96_000, 192_000])
def test_clicks_of_a_horn_in_hiss_are_all_counted(rate: int) -> None:
    times = [0.5 + 0.31 * k for k in range(14)]
    horn = butter(2, (300.0, 3000.0), "bandpass", fs=rate, output="sos")
    hiss = np.asarray(sosfilt(horn, noise(rate, 5.0, -40.0), axis=1))
    assert count(hiss + 0.25 * clicks(rate, 5.0, times), rate) == len(times)


def test_single_bad_samples_are_counted() -> None:
    signal = noise(48_000, 4.0, -60.0)
    signal[0, 10_000:190_000:20_000] += 0.3
    assert count(signal, 48_000) == 9


def test_most_clicks_in_a_voice_are_counted() -> None:
    voice = babble(10.0, 48_000, Voice(), Draws(4, "voice"))[np.newaxis]
    voice = voice[:, :480_000] * 0.1 / np.sqrt(np.mean(voice**2))
    times = [0.4 + 0.37 * k for k in range(25)]
    found = count(voice + 0.8 * clicks(48_000, 10.0, times), 48_000)
    assert 22 <= found <= 26


@pytest.mark.parametrize("rate", [8_000, 48_000, 96_000])
def test_noise_and_tones_have_no_clicks(rate: int) -> None:
    assert count(noise(rate, 10.0, -20.0), rate) == 0
    assert count(tone(rate, [(5.0, -10)], channels=1), rate) == 0


def test_a_synthetic_voice_has_no_clicks() -> None:
    voice = babble(12.0, 48_000, Voice(), Draws(5, "voice"))[np.newaxis]
    assert count(voice * 0.1 + noise(48_000, voice.shape[1] / 48_000, -70.0), 48_000) <= 1


@pytest.mark.parametrize("name", READINGS)
def test_a_clean_recorded_voice_has_at_most_one_false_click_in_two_seconds(name: str) -> None:
    sound, rate = reading(name)
    assert count(sound, rate) / (sound.shape[1] / rate) < 0.5


def test_silence_has_no_clicks() -> None:
    assert count(np.zeros((1, 48_000)), 48_000) == 0


@given(cuts=st.lists(st.integers(0, 48_000), min_size=1, max_size=10))
def test_any_split_gives_the_same_count(cuts: list[int]) -> None:
    signal = noise(16_000, 3.0, -50.0) + 0.1 * clicks(16_000, 3.0, [0.001, 0.3, 1.1, 2.2, 2.99])
    assert count(signal, 16_000, tuple(cuts)) == count(signal, 16_000)
