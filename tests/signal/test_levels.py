"""Levels of signals whose levels follow from arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.signal.levels import ChannelLevels, LevelMeter
from archiver.signal.samples import decode_block
from tests.signal.feeding import floats, integers, interleaved, metered
from tests.signal.synthesis import Signal, noise, pcm, tone


def levels(signal: Signal, cuts: tuple[int, ...] = ()) -> ChannelLevels:
    return metered(LevelMeter(len(signal)), signal, cuts)[0]


def test_full_scale_sine_has_minus_3_01_dbfs_and_a_crest_of_3_01_db() -> None:
    found = levels(tone(48_000, [(2, 0)], hz=997.0, channels=1))
    assert found.sample_peak_dbfs == pytest.approx(0.0, abs=0.001)
    assert found.rms_dbfs == pytest.approx(-3.0103, abs=0.001)
    assert found.crest_factor_db == pytest.approx(3.0103, abs=0.002)


def test_noise_of_known_level() -> None:
    assert levels(noise(48_000, 4.0, -26.0)).rms_dbfs == pytest.approx(-26.0, abs=0.05)


def test_offset_of_a_thousandth_is_minus_60_dbfs() -> None:
    found = levels(noise(48_000, 5.0, -40.0) * 0.0 + 0.001)
    assert found.dc_offset == pytest.approx(0.001, rel=1e-4)
    assert found.dc_offset_dbfs == pytest.approx(-60.0, abs=0.01)


def test_a_small_offset_under_loud_sound_is_found() -> None:
    found = levels(tone(48_000, [(2, -1)], hz=1000.0, channels=1) + 1e-5)
    assert found.dc_offset == pytest.approx(1e-5, abs=2e-7)


def test_silence_has_no_levels() -> None:
    found = levels(np.zeros((1, 1_000)))
    assert (found.sample_peak_dbfs, found.rms_dbfs, found.crest_factor_db) == (None, None, None)
    assert (found.dc_offset, found.dc_offset_dbfs, found.bits_used) == (0.0, None, None)


@pytest.mark.parametrize("depth", [8, 12, 16, 20, 24])
def test_bits_in_use_are_counted_from_the_finest_step(depth: int) -> None:
    coarse = np.rint(noise(48_000, 0.1, -12.0) * 2.0 ** (depth - 1)) / 2.0 ** (depth - 1)
    meter = LevelMeter(1)
    meter.feed(decode_block(pcm(coarse, 24), integers(48_000, 24)))
    assert meter.result()[0].bits_used == depth


def test_values_that_are_no_number_are_counted_and_left_out() -> None:
    signal = np.full((1, 1_000), 0.25)
    signal[0, 100:200] = np.nan
    meter = LevelMeter(1)
    meter.feed(decode_block(interleaved(signal), floats(48_000)))
    found = meter.result()[0]
    assert found.invalid_samples == 100
    assert found.rms_dbfs == pytest.approx(-12.04, abs=0.01)
    assert found.dc_offset == pytest.approx(0.25, abs=1e-6)


@given(cuts=st.lists(st.integers(0, 20_000), min_size=1, max_size=8))
def test_any_split_gives_the_same_levels(cuts: list[int]) -> None:
    signal = noise(48_000, 20_000 / 48_000, -20.0) + 0.01
    whole, split = levels(signal), levels(signal, tuple(cuts))
    assert split.sample_peak_dbfs == whole.sample_peak_dbfs
    assert split.rms_dbfs == pytest.approx(whole.rms_dbfs, abs=1e-5)
    assert split.dc_offset == pytest.approx(whole.dc_offset, abs=1e-7)
