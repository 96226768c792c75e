"""K-weighting against the printed tables of ITU-R BS.1770 and a plain recursive filter."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import sosfilt

from archiver.signal.kweighting import KWeighting, response, stages
from tests.signal.synthesis import noise

# ITU-R BS.1770, Annex 1, tables 1 and 2: b0, b1, b2, a1, a2 at 48 kHz.
PRINTED_SHELF = (
    1.53512485958697,
    -2.69169618940638,
    1.19839281085285,
    -1.69065929318241,
    0.73248077421585,
)
PRINTED_HIGH_PASS = (1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621)

# Gain of the two printed sections in series, computed from the printed coefficients.
PRINTED_RESPONSE_DB = {
    25: -10.393,
    50: -3.934,
    100: -1.133,
    200: -0.265,
    500: 0.042,
    997: 0.691,
    1000: 0.698,
    2000: 3.071,
    3000: 3.808,
    5000: 4.013,
    10000: 4.042,
}


def response_db(rate: int, hertz: float) -> float:
    return float(20.0 * np.log10(response(rate, np.array([hertz]))[0]))


def test_coefficients_at_48_khz_are_the_printed_ones() -> None:
    shelf, high_pass = stages(48_000)
    assert shelf == pytest.approx(PRINTED_SHELF, abs=1e-14)
    assert high_pass == pytest.approx(PRINTED_HIGH_PASS, abs=1e-14)


@pytest.mark.parametrize("hertz", PRINTED_RESPONSE_DB)
def test_response_at_48_khz_is_that_of_the_printed_sections(hertz: int) -> None:
    assert response_db(48_000, hertz) == pytest.approx(PRINTED_RESPONSE_DB[hertz], abs=6e-4)


# The 48 kHz coefficients used at another rate are off by 0.3 dB at 44.1 kHz (2 kHz) and
# by 2 dB at 96 kHz; the same analogue prototype stays within 0.06 dB.
@pytest.mark.parametrize("rate", [44_100, 88_200, 96_000, 176_400, 192_000])
@pytest.mark.parametrize("hertz", PRINTED_RESPONSE_DB)
def test_response_at_other_rates_is_the_same(rate: int, hertz: int) -> None:
    assert response_db(rate, hertz) == pytest.approx(PRINTED_RESPONSE_DB[hertz], abs=0.06)


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_coefficients_of_48_khz_would_fail_at_another_rate(rate: int) -> None:
    wrong = response_db(48_000, 2000.0 * 48_000 / rate)
    assert abs(wrong - PRINTED_RESPONSE_DB[2000]) > 0.1


@pytest.mark.parametrize("rate", [8_000, 11_025, 44_100, 48_000, 96_000, 192_000, 384_000])
def test_filter_equals_two_plain_recursive_sections(rate: int) -> None:
    # A large constant part is what costs a single-precision filter its precision.
    signal = (noise(rate, 0.7, -20.0, channels=2) + 0.2).astype(np.float32)
    sections = [[*stage[:3], 1.0, *stage[3:]] for stage in stages(rate)]
    expected = sosfilt(sections, signal.astype(np.float64), axis=1)
    filtered = KWeighting(rate, 2).filter(signal)
    assert np.abs(filtered - expected).max() < 3e-7


@given(cuts=st.lists(st.integers(0, 3000), max_size=8))
def test_any_split_gives_the_same_output(cuts: list[int]) -> None:
    signal = noise(48_000, 3000 / 48_000, -20.0, channels=2).astype(np.float32)
    whole = KWeighting(48_000, 2).filter(signal)
    split = KWeighting(48_000, 2)
    edges = sorted({0, 3000, *cuts})
    pieces = [split.filter(signal[:, start:end]).copy() for start, end in itertools.pairwise(edges)]
    assert np.abs(np.concatenate(pieces, axis=1) - whole).max() < 1e-6
