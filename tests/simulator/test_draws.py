"""Random numbers: the same everywhere, and distributed as they say."""

from __future__ import annotations

import numpy as np
from scipy import stats

from tests.simulator.draws import Draws


def test_one_seed_gives_one_stream() -> None:
    assert np.array_equal(Draws(7, "a").normals(1000), Draws(7, "a").normals(1000))


def test_streams_of_different_purposes_are_independent() -> None:
    one, other = Draws(7).branch("hiss").normals(20_000), Draws(7).branch("click").normals(20_000)
    # Three standard deviations of the correlation of independent series.
    assert abs(float(np.corrcoef(one, other)[0, 1])) < 3.0 / np.sqrt(20_000)


def test_uniform_numbers_are_the_upper_53_bits_of_the_generator() -> None:
    # NumPy keeps the raw stream of a bit generator stable (NEP 19).
    draws = Draws(3, "raw")
    raw = Draws(3, "raw")._bits.random_raw(5)
    assert [float(int(word) >> 11) / 2**53 for word in raw] == list(draws.uniforms(5))


def test_uniform_numbers_are_uniform() -> None:
    # Judge: Kolmogorov-Smirnov test of scipy.stats.
    assert stats.kstest(Draws(11).uniforms(50_000), "uniform").pvalue > 0.01


def test_normal_numbers_are_normal() -> None:
    assert stats.kstest(Draws(11).normals(50_001), "norm").pvalue > 0.01


def test_whole_numbers_reach_every_value_below_the_bound() -> None:
    draws = Draws(5)
    assert {draws.below(6) for _ in range(300)} == set(range(6))
