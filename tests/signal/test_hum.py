"""Mains hum on synthesised lines of known frequency."""

from __future__ import annotations

import numpy as np
import pytest

from archiver.signal.hum import Hum, most_of_rounding
from archiver.signal.take import TakeMeasurements
from tests.signal.feeding import measured_floats, measured_pcm
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


# Pure tones: nothing but the tone and the rounding of its samples. Notes of equal temperament
# at 440 Hz, test tones of whole hertz, and every kind of multiple of both mains.
TONES = (50.0, 60.0, 97.0, 100.0, 110.0, 120.0, 130.0, 150.0, 180.0, 200.0, 240.0, 250.0, 261.626,
         300.0, 350.0, 360.0, 370.0, 430.0, 440.0, 442.5, 450.0, 480.0, 523.251, 600.0, 997.0,
         1000.0)  # fmt: skip


def of_pcm(signal: Signal, rate: int, bits: int) -> TakeMeasurements:
    return measured_pcm(signal, rate, bits)


def sines(rate: int, seconds: float, level_db: float, *hertz: float) -> Signal:
    clock = np.arange(round(rate * seconds)) / rate
    found = np.zeros(clock.size)
    for one in hertz:
        found += amplitude(level_db) * np.sin(2.0 * np.pi * one * clock)
    return found[None, :]


@pytest.mark.parametrize(("rate", "bits"), [(44_100, 16), (48_000, 16), (48_000, 24), (96_000, 16)])
def test_a_pure_tone_is_never_hum_and_has_no_bandwidth(rate: int, bits: int) -> None:
    for hertz in TONES if rate < 96_000 else TONES[::4]:
        (channel,) = of_pcm(sines(rate, 4.2, -18.0, hertz), rate, bits).channels
        assert channel.hum is None, hertz
        # A sound that never stops cannot be told from noise.
        assert channel.noise.bandwidth is None, hertz
        assert channel.noise.signal_to_noise_db is None, hertz


@pytest.mark.parametrize("bits", [16, 24])
@pytest.mark.parametrize("hertz", [(200.0, 250.0, 300.0), (150.0, 300.0), (100.0, 150.0, 200.0),
                                   (440.0, 550.0, 660.0), (120.0, 180.0), (100.0, 200.0)])  # fmt: skip
def test_a_chord_of_pure_tones_is_not_hum(hertz: tuple[float, ...], bits: int) -> None:
    (channel,) = of_pcm(sines(48_000, 6.0, -24.0, *hertz), 48_000, bits).channels
    assert channel.hum is None


@pytest.mark.parametrize("hertz", [100.0, 120.0, 150.0, 200.0, 250.0, 350.0, 450.0])
def test_a_single_multiple_of_the_mains_in_noise_is_not_hum(hertz: float) -> None:
    signal = noise(48_000, 10.0, -50.0, seed=3) + sines(48_000, 10.0, -30.0, hertz)
    assert hum(signal, 48_000) is None


@pytest.mark.parametrize(
    ("rate", "bits", "level_db"),
    [(44_100, 16, -40.0), (48_000, 16, -60.0), (48_000, 24, -75.0), (96_000, 24, -60.0)],
)
@pytest.mark.parametrize(
    ("mains", "harmonics"), [(50.0, (1,)), (50.03, (1, 2, 3)), (59.97, (2, 4))]
)
def test_hum_beside_a_tone_is_found(
    mains: float, harmonics: tuple[int, ...], level_db: float, bits: int, rate: int
) -> None:
    signal = noise(rate, 6.0, -70.0, seed=5) + sines(rate, 6.0, -18.0, 440.0)
    signal += sines(rate, 6.0, level_db, *(mains * one for one in harmonics))
    (channel,) = of_pcm(signal, rate, bits).channels
    assert channel.hum is not None
    assert channel.hum.frequency_hz == pytest.approx(mains, abs=0.02)
    assert [line.harmonic for line in channel.hum.lines] == list(harmonics)
    # The RMS of so many sines of one peak level.
    expected = level_db - 3.01 + 10.0 * np.log10(len(harmonics))
    assert channel.hum.level_dbfs == pytest.approx(expected, abs=0.5)


def test_hum_that_is_all_there_is_needs_its_harmonics() -> None:
    alone = sines(48_000, 10.0, -40.0, 50.0)
    assert of_pcm(alone, 48_000, 24).channels[0].hum is None
    buzz = sines(48_000, 10.0, -40.0, 50.0, 150.0, 250.0)
    found = of_pcm(buzz, 48_000, 24).channels[0].hum
    assert found is not None
    assert [line.harmonic for line in found.lines] == [1, 3, 5]


def test_a_sweep_is_not_hum() -> None:
    rate, seconds = 48_000, 20.0
    clock = np.arange(round(rate * seconds)) / rate
    ratio = np.log(20_000.0 / 20.0)
    phase = 2.0 * np.pi * 20.0 * seconds / ratio * (np.exp(clock / seconds * ratio) - 1.0)
    assert of_pcm(0.3 * np.sin(phase)[None, :], rate, 16).channels[0].hum is None


@pytest.mark.parametrize("seed", range(4))
def test_noise_in_syllables_is_not_hum(seed: int) -> None:
    rate, seconds = 48_000, 12.0
    clock = np.arange(round(rate * seconds)) / rate
    # About four syllables a second, as in speech (common practice).
    shape = np.clip(np.sin(2.0 * np.pi * 4.1 * clock + seed), 0.0, None) ** 2
    signal = noise(rate, seconds, -20.0, seed=seed) * shape + noise(rate, seconds, -70.0, seed=9)
    assert of_pcm(signal, rate, 16).channels[0].hum is None


def test_the_most_of_rounding_is_half_a_step_at_every_sample() -> None:
    assert most_of_rounding(16, None) == pytest.approx((0.5 * 2.0**-15) ** 2)
    assert most_of_rounding(24, 0.9) == pytest.approx((0.5 * 2.0**-23) ** 2)
    # 16 bits with a gain: one in 256 of the values of 24 bits occurs.
    assert most_of_rounding(24, 1 / 256) == pytest.approx((0.5 * 2.0**-15) ** 2)
    assert most_of_rounding(None, None) == most_of_rounding(16, None)
