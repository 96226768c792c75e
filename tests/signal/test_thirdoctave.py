"""Third-octave bands against the frequencies of IEC 61260-1."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from archiver.signal.thirdoctave import band_powers, bands

# IEC 61260-1:2014, table of mid-band frequencies: nominal and exact (base ten).
TABLE = {
    20.0: 19.953,
    31.5: 31.623,
    50.0: 50.119,
    100.0: 100.000,
    160.0: 158.489,
    200.0: 199.526,
    250.0: 251.189,
    315.0: 316.228,
    400.0: 398.107,
    500.0: 501.187,
    630.0: 630.957,
    800.0: 794.328,
    1000.0: 1000.000,
    1250.0: 1258.925,
    1600.0: 1584.893,
    2000.0: 1995.262,
    2500.0: 2511.886,
    3150.0: 3162.278,
    4000.0: 3981.072,
    5000.0: 5011.872,
    6300.0: 6309.573,
    8000.0: 7943.282,
    12500.0: 12589.254,
    20000.0: 19952.623,
}


@pytest.mark.parametrize("nominal", TABLE)
def test_centres_are_those_of_the_standard(nominal: float) -> None:
    found = {band.nominal_hz: band.centre_hz for band in bands(96_000)}
    assert found[nominal] == pytest.approx(TABLE[nominal], abs=1e-3)


def test_bands_adjoin_and_are_a_tenth_of_a_decade_wide() -> None:
    every = bands(192_000)
    for lower, upper in itertools.pairwise(every):
        assert upper.low_hz == pytest.approx(lower.high_hz, rel=1e-12)
        assert lower.high_hz / lower.low_hz == pytest.approx(10.0**0.1, rel=1e-12)


@pytest.mark.parametrize(("rate", "highest"), [(8_000, 3_150), (44_100, 16_000), (48_000, 20_000)])
def test_the_last_band_lies_whole_below_half_the_rate(rate: int, highest: float) -> None:
    assert bands(rate)[-1].nominal_hz == highest


def test_even_power_fills_bands_by_their_width() -> None:
    every = bands(48_000)
    powers = band_powers(np.full(2049, 2.0), 48_000 / 4096, every)
    widths = np.array([band.high_hz - band.low_hz for band in every])
    assert powers == pytest.approx(2.0 * widths / (48_000 / 4096), rel=1e-9)
