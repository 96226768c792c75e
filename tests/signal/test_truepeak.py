"""True peak against EBU Tech 3341, a long resampler and libebur128."""

from __future__ import annotations

import math

import numpy as np
import pyebur128
import pytest
import soxr
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import firwin, lfilter

from archiver.signal.truepeak import TruePeakMeter, interpolator, oversampling
from tests.signal.feeding import metered
from tests.signal.synthesis import Signal, band_limited, faded, noise

RATES = [44_100, 48_000, 96_000, 192_000]


def peak_db(signal: Signal, rate: int, cuts: tuple[int, ...] = ()) -> float:
    return 20.0 * math.log10(max(metered(TruePeakMeter(rate, len(signal)), signal, cuts)))


# EBU Tech 3341, table 1, signals 15 to 19: divisor of the rate, amplitude, phase, dBTP.
@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(
    ("divisor", "level", "degrees", "expected"),
    [
        (4, 0.50, 0.0, -6.0),
        (4, 0.50, 45.0, -6.0),
        (6, 0.50, 60.0, -6.0),
        (8, 0.50, 67.5, -6.0),
        (4, 1.41, 45.0, 3.0),
    ],
)
def test_3341_true_peak_of_tones(
    divisor: int, level: float, degrees: float, expected: float, rate: int
) -> None:
    if rate == 192_000:
        # No oversampling at this rate: the standard's 48 kHz signal, on the finer grid.
        divisor *= 4
    phase = 2.0 * np.pi / divisor * np.arange(rate) + math.radians(degrees)
    found = peak_db(faded(level * np.sin(phase)[np.newaxis], rate), rate)
    assert expected - 0.4 <= found <= expected + 0.2


def _spliced(rate: int) -> Signal:
    """One period of a quarter of the rate inside a sixth of it, made at four times the rate."""
    slow, fast = 2.0 * np.pi / 24, 2.0 * np.pi / 16
    steps = np.full(rate * 2, slow)
    middle = rate - rate % 24
    steps[middle : middle + 16] = fast
    phase = np.concatenate(([0.0], np.cumsum(steps)[:-1]))
    gain = np.full(len(steps), 0.5)
    gain[middle : middle + 16] = 1.0
    signal = faded((gain * np.sin(phase))[np.newaxis], rate * 4)
    return np.asarray(lfilter(firwin(511, 0.45 / 2.0), 1.0, signal, axis=1))


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("offset", range(4))
def test_3341_cases_20_to_23_peak_between_samples(offset: int, rate: int) -> None:
    found = peak_db(_spliced(rate)[:, offset::4], rate)
    assert -0.4 <= found <= 0.2


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_agrees_with_a_long_resampler_below_045_of_the_rate(rate: int) -> None:
    signal = band_limited(rate, 2.0, -20.0, highest=0.43)
    factor = oversampling(rate)
    reference = soxr.resample(signal[0], rate, rate * factor, quality="VHQ")
    expected = 20.0 * math.log10(max(np.abs(reference).max(), np.abs(signal).max()))
    assert peak_db(signal, rate) == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_agrees_with_libebur128(rate: int) -> None:
    signal = band_limited(rate, 2.0, -20.0, highest=0.25)
    state = pyebur128.R128State(1, rate, pyebur128.MeasurementMode.MODE_TRUE_PEAK)
    state.add_frames(np.ascontiguousarray(signal[0], dtype=np.float32), signal.shape[1])
    expected = 20.0 * math.log10(pyebur128.get_true_peak(state, 0))
    assert peak_db(signal, rate) == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("phases", [2, 4])
def test_interpolator_is_flat_up_to_045_of_the_rate(phases: int) -> None:
    taps = interpolator(phases)
    frequency = np.linspace(0.0, 0.45, 200)
    response = np.abs(taps @ np.exp(-2j * np.pi * np.outer(np.arange(taps.shape[1]), frequency)))
    assert np.abs(20.0 * np.log10(response)).max() < 0.045


@pytest.mark.parametrize("rate", RATES)
def test_is_never_below_the_sample_peak(rate: int) -> None:
    signal = noise(rate, 0.2, -12.0, channels=2)
    assert peak_db(signal, rate) >= 20.0 * math.log10(np.abs(signal).max()) - 1e-6


def test_a_peak_in_the_last_samples_counts() -> None:
    signal = np.zeros((1, 5_000))
    signal[0, -2:] = 0.5
    assert peak_db(signal, 48_000) > -5.0


def test_quiet_stretches_do_not_change_the_peak_of_loud_ones() -> None:
    quiet = noise(48_000, 0.5, -60.0, seed=3)
    loud = band_limited(48_000, 0.5, -12.0, highest=0.4, seed=4)
    together = np.concatenate((quiet, loud, quiet), axis=1)
    assert peak_db(together, 48_000) == pytest.approx(peak_db(loud, 48_000), abs=1e-3)


def test_one_sample_has_its_own_peak() -> None:
    assert peak_db(np.array([[0.5]]), 48_000) == pytest.approx(-6.02, abs=0.01)


@given(cuts=st.lists(st.integers(0, 9_000), max_size=6))
def test_any_split_gives_the_same_peak(cuts: list[int]) -> None:
    signal = noise(48_000, 9_000 / 48_000, -12.0)
    signal[:, 2_000:7_000] *= 0.1
    assert peak_db(signal, 48_000, tuple(cuts)) == pytest.approx(peak_db(signal, 48_000), abs=1e-5)
