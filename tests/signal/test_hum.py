"""Mains hum on synthesised lines of known frequency."""

from __future__ import annotations

import numpy as np
import pytest

from archiver.signal.hum import Hum
from tests.signal.feeding import measured_floats
from tests.signal.recordings import READINGS, reading
from tests.signal.synthesis import Signal, amplitude, noise


def with_hum(
    rate: int, seconds: float, hertz: float, level_db: float, harmonics: tuple[int, ...] = (1, 3)
) -> Signal:
    """White noise at -50 dBFS and lines of one peak level."""
    sound = noise(rate, seconds, -50.0, seed=7)
    clock = np.arange(sound.shape[1]) / rate
    for harmonic in harmonics:
        sound += amplitude(level_db) * np.sin(2.0 * np.pi * harmonic * hertz * clock + harmonic)
    return sound


def hum(signal: Signal, rate: int) -> Hum | None:
    return measured_floats(signal, rate).channels[0].hum


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("hertz", [49.93, 50.010, 59.98])
def test_frequency_is_found_to_a_hundredth_of_a_hertz(hertz: float, rate: int) -> None:
    found = hum(with_hum(rate, 40.0 if rate < 48_000 else 20.0, hertz, -52.0), rate)
    assert found is not None
    assert found.frequency_hz == pytest.approx(hertz, abs=0.005)
    assert abs(found.frequency_hz - hertz) <= 4.0 * found.frequency_uncertainty_hz + 1e-4
    assert found.nominal_hz == round(hertz, -1)
    assert [line.harmonic for line in found.lines] == [1, 3]


def test_level_of_the_lines_is_their_rms() -> None:
    found = hum(with_hum(48_000, 40.0, 50.02, -46.0, (1,)), 48_000)
    assert found is not None
    assert found.level_dbfs == pytest.approx(-49.01, abs=0.3)


def test_a_short_take_gives_the_frequency_with_a_wider_uncertainty() -> None:
    found = hum(with_hum(48_000, 6.0, 50.02, -72.0), 48_000)
    assert found is not None
    assert found.frequency_hz == pytest.approx(50.02, abs=0.01)
    assert 0.0003 < found.frequency_uncertainty_hz < 0.01


def test_hum_of_a_rectifier_without_fundamental_is_found() -> None:
    found = hum(with_hum(48_000, 20.0, 50.0, -55.0, (2, 4, 6)), 48_000)
    assert found is not None
    assert (found.nominal_hz, [line.harmonic for line in found.lines]) == (50.0, [2, 4, 6])


@pytest.mark.parametrize("seconds", [3.0, 10.0, 40.0])
def test_noise_has_no_hum(seconds: float) -> None:
    for seed in range(4):
        assert hum(noise(8_000, seconds, -30.0, seed=seed), 8_000) is None


@pytest.mark.parametrize("name", READINGS)
def test_a_recorded_voice_is_not_taken_for_hum(name: str) -> None:
    sound, rate = reading(name)
    assert hum(sound, rate) is None


@pytest.mark.parametrize("hertz", [55.0, 110.0, 120.5, 440.0])
def test_a_tone_is_not_taken_for_hum(hertz: float) -> None:
    assert hum(with_hum(48_000, 20.0, hertz, -40.0, (1,)), 48_000) is None


def test_a_note_near_a_multiple_does_not_move_the_mains() -> None:
    signal = with_hum(48_000, 10.0, 60.02, -60.0, (1,)) + with_hum(48_000, 10.0, 361.0, -30.0, (1,))
    found = hum(signal, 48_000)
    assert found is not None
    assert [line.harmonic for line in found.lines] == [1]
    assert found.frequency_hz == pytest.approx(60.02, abs=0.01)


def test_thumps_at_every_turn_are_not_taken_for_hum() -> None:
    # 120 turns a minute: lines at all multiples of 2 Hz, 50 and 60 among them.
    signal = noise(8_000, 20.0, -60.0)
    for start in range(0, signal.shape[1] - 80, 4_000):
        signal[0, start : start + 80] += 0.2 * np.hanning(80)
    assert hum(signal, 8_000) is None
