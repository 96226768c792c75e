"""Noise floor, signal-to-noise, spectrum and bandwidth on signals of known levels."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from archiver.signal.lowend import LowEndMeter
from archiver.signal.noise import NoiseSource, against, with_room_tone
from archiver.signal.spectrum import SpectrumMeter
from archiver.signal.take import ChannelMeasurements
from tests.signal.feeding import measured_floats, metered
from tests.signal.synthesis import Signal, amplitude, faded, noise, tone

RATE = 48_000


def channel(signal: Signal, rate: int = RATE) -> ChannelMeasurements:
    return measured_floats(signal, rate).channels[0]


def audible(level_db: float, rate: int = RATE) -> float:
    """Level of white noise in the third-octave bands from 20 Hz to 20 kHz."""
    width = min(22_387.2, rate / 2.0) - 17.8
    return level_db + 10.0 * float(np.log10(width / (rate / 2.0)))


def with_lead_in(sound: Signal, hiss_db: float, rate: int = RATE) -> Signal:
    """Noise for 3 s, then noise and sound together."""
    silence = np.zeros((1, 3 * rate))
    both = np.concatenate((silence, sound), axis=1)
    both += noise(rate, both.shape[1] / rate, hiss_db, seed=9)[:, : both.shape[1]]
    return both


def test_noise_floor_is_that_of_the_quiet_parts() -> None:
    found = channel(with_lead_in(tone(RATE, [(10, -12)], channels=1), -60.0)).noise
    assert found.source is NoiseSource.QUIET_PARTS
    assert found.noise_floor_dbfs == pytest.approx(audible(-60.0), abs=0.3)


@pytest.mark.parametrize("level", [-40.0, -20.0])
def test_signal_to_noise_of_a_tone_in_noise_is_recovered(level: float) -> None:
    found = channel(with_lead_in(tone(RATE, [(10, level)], channels=1), -60.0)).noise
    assert found.signal_to_noise_db == pytest.approx(level - 3.01 - audible(-60.0), abs=0.5)


def test_noise_alone_has_no_signal_to_noise_ratio() -> None:
    found = channel(noise(RATE, 8.0, -40.0)).noise
    assert found.signal_to_noise_db is None
    assert found.bandwidth is None


@pytest.mark.parametrize("rate", [8_000, 44_100, 96_000])
def test_white_noise_fills_every_band_by_its_width(rate: int) -> None:
    found = channel(noise(rate, 60.0, -20.0), rate).noise
    for band in found.bands:
        width = band.nominal_hz * (10.0**0.05 - 10.0**-0.05)
        expected = -20.0 + 10.0 * np.log10(width / (rate / 2.0))
        # A band of 5 Hz gathers few independent values in a minute.
        assert band.level_dbfs == pytest.approx(expected, abs=1.2 if band.nominal_hz < 100 else 0.6)


@pytest.mark.parametrize("hertz", [31.62, 63.1, 100.0, 251.2, 1000.0, 3981.0, 12_589.0])
def test_a_tone_at_a_band_centre_shows_its_level_there(hertz: float) -> None:
    found = channel(tone(RATE, [(10, -20)], hz=hertz, channels=1)).noise
    strongest = max(found.bands, key=lambda band: band.level_dbfs or -200.0)
    assert strongest.nominal_hz == pytest.approx(hertz, rel=0.03)
    # At 100 Hz the window is as wide as the band, and some of the tone lies beside it.
    assert strongest.level_dbfs == pytest.approx(-23.01, abs=1.0 if hertz == 100.0 else 0.1)


def _between(low: float, high: float, seconds: float, level_db: float) -> Signal:
    """Noise between two frequencies with vertical edges."""
    frames = round(seconds * RATE)
    spectrum = np.fft.rfft(noise(RATE, seconds, 0.0, seed=5)[0])
    frequency = np.fft.rfftfreq(frames, 1.0 / RATE)
    spectrum[(frequency < low) | (frequency > high)] = 0.0
    sound = np.fft.irfft(spectrum, frames)
    return np.asarray(sound * amplitude(level_db) / np.sqrt(np.mean(sound**2)))[np.newaxis]


def test_bandwidth_is_where_the_programme_stands_out_of_the_noise() -> None:
    found = channel(with_lead_in(_between(200.0, 3_200.0, 10.0, -30.0), -60.0)).noise
    assert found.bandwidth is not None
    # Edges of the third-octave bands of 200 and 3150 Hz, which the sound fills in part.
    assert 177.8 <= found.bandwidth.low_hz <= 224.0
    assert 2_818.0 <= found.bandwidth.high_hz <= 3_548.2


def test_room_tone_gives_the_noise_where_the_take_has_no_quiet_part() -> None:
    hiss = noise(RATE, 10.0, -60.0, seed=3)
    take = measured_floats(hiss + tone(RATE, [(10, -20)], channels=1), RATE).channels[0].noise
    room = measured_floats(noise(RATE, 6.0, -60.0, seed=4), RATE).channels[0].noise
    assert take.signal_to_noise_db is None
    found = against(take, room, RATE)
    assert found.source is NoiseSource.ROOM_TONE
    assert found.noise_floor_dbfs == pytest.approx(audible(-60.0), abs=0.2)
    assert found.signal_to_noise_db == pytest.approx(-23.01 - audible(-60.0), abs=0.5)


@pytest.mark.parametrize("hertz", [110.0, 440.0, 3_150.0])
@pytest.mark.parametrize("lead_in_s", [0.0, 0.3])
def test_a_tone_that_never_pauses_is_no_noise_floor(hertz: float, lead_in_s: float) -> None:
    sound = tone(RATE, [(10, -12)], hz=hertz, channels=1)
    sound = np.concatenate((np.zeros((1, round(lead_in_s * RATE))), sound), axis=1)
    hiss = noise(RATE, 11.0, -90.0, seed=3)[:, : sound.shape[1]]
    for each in (sound, sound + hiss):
        found = channel(each).noise
        assert (found.source, found.noise_floor_dbfs, found.bandwidth) == (None, None, None)
        assert found.reason == "the sound is a tone that never pauses"
        assert all(band.noise_dbfs is None for band in found.bands)


def test_a_room_that_never_pauses_is_noise_though_its_mains_hum() -> None:
    room = noise(RATE, 8.0, -50.0) + tone(RATE, [(8, -62)], hz=150.0, channels=1)
    found = channel(room).noise
    assert found.source is NoiseSource.QUIET_PARTS
    assert found.noise_floor_dbfs == pytest.approx(audible(-50.0), abs=0.5)
    assert found.reason == ""


def test_the_noise_of_a_groove_stays_its_own_beside_a_quieter_room() -> None:
    played = with_lead_in(tone(RATE, [(10, -12)], channels=1), -40.0)
    own = channel(played).noise
    room = channel(noise(RATE, 6.0, -70.0, seed=4)).noise
    beside = with_room_tone(own, room, RATE)
    assert beside.source is NoiseSource.QUIET_PARTS
    assert beside.noise_floor_dbfs == own.noise_floor_dbfs
    assert beside.room_tone_dbfs == pytest.approx(audible(-70.0), abs=0.3)


def test_digital_silence_is_no_noise_floor() -> None:
    parts = np.concatenate((np.zeros((1, 4 * RATE)), noise(RATE, 4.0, -50.0)), axis=1)
    assert channel(parts).noise.noise_floor_dbfs == pytest.approx(audible(-50.0), abs=0.3)


@pytest.mark.parametrize("frames", [1, 100, 20_000])
def test_a_take_of_less_than_a_second_has_no_noise_floor(frames: int) -> None:
    found = channel(noise(RATE, 1.0, -30.0)[:, :frames]).noise
    assert (found.source, found.noise_floor_dbfs) == (None, None)


SPLITS = st.lists(st.integers(0, 33_000), min_size=1, max_size=8)


@settings(max_examples=25)
@given(cuts=SPLITS, rate=st.sampled_from([8_000, 11_025]))
def test_any_split_gives_the_same_spectra(cuts: list[int], rate: int) -> None:
    signal = noise(rate, 3.0, -20.0, channels=2)
    whole = metered(SpectrumMeter(rate, 2), signal, (16_000,))
    split = metered(SpectrumMeter(rate, 2), signal, tuple(cuts))
    assert split.bands.k_weighted == pytest.approx(whole.bands.k_weighted, rel=1e-4)
    assert split.correlation == pytest.approx(whole.correlation, abs=1e-5)
    for one, other in zip(split.channels, whole.channels, strict=True):
        assert one.mean() == pytest.approx(other.mean(), rel=1e-3, abs=1e-12)


@settings(max_examples=25)
@given(cuts=SPLITS)
def test_any_split_gives_the_same_low_end(cuts: list[int]) -> None:
    signal = noise(8_000, 4.2, -20.0, channels=2)
    signal += tone(8_000, [(4.2, -20)], hz=50.0)
    whole = metered(LowEndMeter(8_000, 2), signal, (16_000,))
    split = metered(LowEndMeter(8_000, 2), signal, tuple(cuts))
    for one, other in zip(split.spectra, whole.spectra, strict=True):
        assert one.mean() == pytest.approx(other.mean(), rel=1e-3, abs=1e-12)
    for one_hum, other_hum in zip(split.hum, whole.hum, strict=True):
        assert one_hum is not None
        assert other_hum is not None
        assert one_hum.frequency_hz == pytest.approx(other_hum.frequency_hz, abs=1e-4)


@pytest.mark.parametrize("hertz", [200.0, 440.0, 1_000.0])
def test_a_tone_that_begins_and_ends_has_the_band_of_the_tone(hertz: float) -> None:
    clock = np.arange(6 * RATE) / RATE
    sound = faded(0.14 * np.sin(2.0 * np.pi * hertz * clock)[np.newaxis], RATE, 1.0)
    found = channel(with_lead_in(sound, -70.0)).noise.bandwidth
    assert found is not None
    # The window of 100 ms spreads a tone over 20 Hz, and its skirt over the bands beside.
    assert hertz / 2.0 < found.low_hz < hertz < found.high_hz < 2.0 * hertz


def test_bands_of_rounding_are_no_bandwidth() -> None:
    # A tone that never stops, with the first frames of its low spectra a little fainter.
    clock = np.arange(10 * RATE) / RATE
    found = channel(0.1 * np.sin(2.0 * np.pi * 440.0 * clock)[None, :]).noise
    assert found.bandwidth is None
    assert found.signal_to_noise_db is None
