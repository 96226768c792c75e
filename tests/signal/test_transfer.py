"""Bands that came through filters and noise of known size."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from archiver.signal.estimate import estimate
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound
from archiver.signal.rotation import find_rotation
from archiver.signal.speedcurve import SpeedCurve, speed_curve
from archiver.signal.transfer import (
    BAND_IMPORTANCE,
    Transfer,
    band_index,
    coherent_share,
    transfer,
)
from tests.signal.demonstrations import demonstration
from tests.simulator.draws import Draws
from tests.simulator.voice import Voice, babble


def _diagonal(duration_s: float) -> SpeedCurve:
    clock = np.arange(0.0, duration_s, 0.03)
    return SpeedCurve(
        mean_ratio=estimate(1.0, 0.0, "1"),
        time_s=clock,
        ratio=np.ones(clock.size),
        uncertainty=np.zeros(clock.size),
        told=np.ones(clock.size, np.bool_),
        source_s=clock,
    )


def _compared(one: np.ndarray, other: np.ndarray) -> Transfer:
    takes = [ReducedSound(samples=sound.astype(np.float32)) for sound in (one, other)]
    return transfer(takes[0], takes[1], _diagonal(one.size / REDUCED_RATE_HZ - 0.1))


def test_importance_of_the_bands_sums_to_one() -> None:
    # ANSI S3.5-1997, table 3; the partial sum of 200 to 3150 Hz is that of a horn's band.
    weights = dict(BAND_IMPORTANCE)
    assert sum(weights.values()) == pytest.approx(1.0, abs=1e-9)
    inside = sum(weight for hz, weight in weights.items() if 200 <= hz <= 3150)
    assert inside == pytest.approx(0.807, abs=1e-9)


@pytest.mark.parametrize(("snr_db", "index"), [(15.0, 1.0), (0.0, 0.5), (-15.0, 0.0)])
def test_index_is_linear_from_minus_15_to_plus_15_db(snr_db: float, index: float) -> None:
    assert band_index(np.full(18, snr_db)) == pytest.approx(index, abs=1e-9)


def test_what_was_not_measured_counts_nothing_in_the_index() -> None:
    assert band_index(np.full(18, np.nan)) == 0.0


def test_coherence_of_unrelated_noise_has_no_bias_left() -> None:
    draws = Draws(1, "coherence")
    frames = 30
    one = draws.normals(2 * frames * 500).view(np.complex128).reshape(frames, 500)
    other = draws.normals(2 * frames * 500).view(np.complex128).reshape(frames, 500)
    share = coherent_share(
        (one.conj() * other).sum(axis=0),
        (np.abs(one) ** 2).sum(axis=0),
        (np.abs(other) ** 2).sum(axis=0),
        frames,
    )
    assert float(np.mean(share)) < 0.02


def test_signal_over_noise_of_a_steady_mixture_is_recovered_by_coherence() -> None:
    draws = Draws(2, "mixture")
    one = 0.1 * draws.normals(20 * REDUCED_RATE_HZ)
    # Coherence 0.9 is 0.9/0.1: 9.54 dB.
    other = one + 0.1 / 3.0 * draws.normals(one.size)
    found = _compared(one, other)
    assert [band.nominal_hz for band in found.bands] == [hz for hz, _ in BAND_IMPORTANCE]
    band = next(band for band in found.bands if band.nominal_hz == 1000)
    assert band.method == "coherence"
    assert band.snr_db.value == pytest.approx(9.54, abs=0.5)


def test_a_horn_of_300_to_2500_hz_gives_its_band_and_its_slope() -> None:
    draws = Draws(3, "horn")
    one = 0.2 * babble(12.0, REDUCED_RATE_HZ, Voice(pitch_hz=110.0), draws)
    horn = signal.butter(4, (300.0, 2500.0), "bandpass", fs=REDUCED_RATE_HZ, output="sos")
    through = np.asarray(signal.sosfilt(horn, one))
    other = through + 0.01 * float(np.std(through)) * draws.normals(one.size)
    found = _compared(one, other)
    # A Butterworth band-pass of this order is 10 dB down at 241 and 3110 Hz.
    _, response = signal.freqz_sos(horn, worN=np.array([241.0, 3110.0]), fs=REDUCED_RATE_HZ)
    assert 20.0 * np.log10(np.abs(response)) == pytest.approx([-10.0, -10.0], abs=1.5)
    assert found.response_low_hz.value == pytest.approx(241.0, rel=0.2)
    assert found.response_high_hz.value == pytest.approx(3110.0, rel=0.2)
    assert found.low_hz.value is not None
    assert found.low_hz.value < 300.0
    gains = {b.nominal_hz: b.gain_db.value for b in found.bands if b.gain_db.value is not None}
    assert gains[1000] == pytest.approx(0.0, abs=1.5)
    assert gains[200] < -8.0


def test_unrelated_noise_carries_no_band() -> None:
    draws = Draws(4, "unrelated")
    one = 0.2 * babble(12.0, REDUCED_RATE_HZ, Voice(), draws)
    found = _compared(one, 0.1 * draws.normals(one.size))
    assert found.low_hz.value is None
    assert found.index.value is not None
    assert found.index.value < 0.2


@pytest.mark.parametrize("seed", [2000, 2002])
def test_bands_of_a_simulated_reproduction_lie_in_the_response_of_its_horns(seed: int) -> None:
    performance, reproduction, truth, nominal_rpm = demonstration(seed)
    curve = speed_curve(performance, reproduction, find_rotation(reproduction, nominal_rpm))
    found = transfer(performance, reproduction, curve)
    assert found.low_hz.value is not None
    assert found.high_hz.value is not None
    assert found.high_hz.uncertainty is not None
    # Half an octave: a band and a half beyond the points of -10 dB may still be heard.
    assert found.low_hz.value > truth.band_low_hz / 1.42
    assert found.high_hz.value < truth.band_high_hz * 1.42
    assert found.high_hz.value > 1000.0


def test_without_a_curve_the_reason_is_the_curve_s() -> None:
    take = ReducedSound(samples=np.zeros(4 * REDUCED_RATE_HZ, np.float32))
    found = transfer(take, take, speed_curve(take, take))
    assert "silent" in found.reason
    assert found.bands == ()
