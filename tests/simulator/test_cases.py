"""Random demonstrations by seed."""

from __future__ import annotations

import numpy as np
import pytest

from tests.simulator.cases import DRIVES, PROGRAMMES, Case, random_case
from tests.simulator.draws import Draws

RATE_HZ = 16_000


@pytest.fixture(scope="module")
def some() -> tuple[Case, ...]:
    return tuple(random_case(seed, sample_rate_hz=RATE_HZ, duration_s=5.0) for seed in range(5))


def test_one_seed_gives_one_case(some: tuple[Case, ...]) -> None:
    again = random_case(2, sample_rate_hz=RATE_HZ, duration_s=5.0)
    assert np.array_equal(again.performance, some[2].performance)
    assert np.array_equal(again.reproduction, some[2].reproduction)
    assert again.truth == some[2].truth


def test_seeds_differ(some: tuple[Case, ...]) -> None:
    assert len({case.truth.mean_ratio for case in some}) == len(some)


def test_nothing_clips_and_nothing_is_silent(some: tuple[Case, ...]) -> None:
    for case in some:
        for sound in (case.performance, case.reproduction):
            assert 0.01 < np.abs(sound).max() < 1.0


def test_the_ratio_of_speeds_is_that_of_the_machines(some: tuple[Case, ...]) -> None:
    for case in some:
        truth = case.truth
        expected = truth.rotation.mean_rpm / truth.recording.mean_rpm
        # The take spans a little less of the groove than the mean of the recording does.
        assert truth.mean_ratio == pytest.approx(expected, rel=0.002)
        assert np.mean(truth.ratio) == pytest.approx(truth.mean_ratio, rel=0.002)


def test_the_nominal_speed_is_near_the_truth_and_is_not_it(some: tuple[Case, ...]) -> None:
    for case in some:
        off = case.truth.recording.mean_rpm / case.nominal_rpm
        assert 0.85 < off < 1.15
        assert off != 1.0


def test_every_drive_and_programme_occurs() -> None:
    chance = [Draws(seed, "case").branch("set-up") for seed in range(60)]
    drawn = set()
    for draws in chance:
        draws.one_of([60.0, 80.0, 100.0, 120.0, 144.0, 160.0])
        drawn.add(draws.one_of(DRIVES))
    assert drawn == set(DRIVES)
    kinds = {Draws(seed, "case").branch("kind").below(len(PROGRAMMES)) for seed in range(60)}
    assert kinds == {0, 1, 2}


def test_a_given_programme_is_performed(some: tuple[Case, ...]) -> None:
    tone = np.sin(2.0 * np.pi * 700.0 * np.arange(4 * RATE_HZ) / RATE_HZ)
    case = random_case(1, sample_rate_hz=RATE_HZ, programme=tone, snr_db=30.0)
    assert case.programme == "given"
    middle = case.performance[2 * RATE_HZ : 4 * RATE_HZ]
    spectrum = np.abs(np.fft.rfft(middle * np.hanning(middle.size)))
    assert spectrum.argmax() / 2.0 == pytest.approx(700.0, abs=0.5)
    assert some[1].truth.recording.mean_rpm != 0.0
