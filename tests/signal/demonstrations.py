"""Simulated demonstrations of one length, made once for all tests of motion."""

from __future__ import annotations

import functools

from archiver.signal.reduced import ReducedSound, reduced
from tests.simulator import random_case
from tests.simulator.truth import ReproductionTruth

__all__ = ["demonstration"]

RATE_HZ = 24_000


@functools.cache
def demonstration(
    seed: int, duration_s: float = 12.0
) -> tuple[ReducedSound, ReducedSound, ReproductionTruth, float]:
    """Return performance, reproduction, truth and nominal speed of a case."""
    case = random_case(seed, sample_rate_hz=RATE_HZ, duration_s=duration_s)
    return (
        reduced(case.performance, RATE_HZ),
        reduced(case.reproduction, RATE_HZ),
        case.truth,
        case.nominal_rpm,
    )
