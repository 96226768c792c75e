"""Time the analysis of motion: a 3-minute performance and its 3-minute reproduction.

    python -m benchmarks.motion [--minutes 3] [--rate 96000]

Prints the time of each step on one core, and the whole as a share of real time. The
sound is decoded already; reading it from the disk is part of the archive benchmark.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from typing import TypeVar

# Keeps the algebra library to one thread, as every run does; threads that wait for each other
# would be counted as work.
import archiver.cli.run  # noqa: F401
from archiver.findings import Where
from archiver.signal.motion import MotionTake, TakeKind, measure_motion
from archiver.signal.reduced import ReducedSound, reduced
from archiver.signal.rotation import find_rotation
from archiver.signal.speedcurve import speed_curve
from archiver.signal.tone import find_tone
from archiver.signal.transfer import transfer
from tests.simulator import random_case

T = TypeVar("T")


def timed(name: str, work: Callable[[], T]) -> tuple[T, float]:
    begun = time.process_time()
    result = work()
    seconds = time.process_time() - begun
    print(f"{name:44} {seconds:8.2f} s of processor")
    return result, seconds


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=3.0)
    parser.add_argument("--rate", type=int, default=96_000)
    parser.add_argument("--seed", type=int, default=5)
    arguments = parser.parse_args()
    case = random_case(
        arguments.seed, sample_rate_hz=arguments.rate, duration_s=60.0 * arguments.minutes
    )
    length_s = (case.performance.size + case.reproduction.size) / arguments.rate
    total = 0.0

    def step(name: str, work: Callable[[], T]) -> T:
        nonlocal total
        result, seconds = timed(name, work)
        total += seconds
        return result

    one: ReducedSound = step(
        "reduce the performance", lambda: reduced(case.performance, arguments.rate)
    )
    other = step("reduce the reproduction", lambda: reduced(case.reproduction, arguments.rate))
    step("rotation of the performance", lambda: find_rotation(one, case.nominal_rpm))
    turns = step("rotation of the reproduction", lambda: find_rotation(other, case.nominal_rpm))
    step("tone in the performance", lambda: find_tone(one, 440.0))
    curve = step("speed curve", lambda: speed_curve(one, other, turns))
    step("transfer", lambda: transfer(one, other, curve))
    print(
        f"{'sum':44} {total:8.2f} s for {length_s:.0f} s of sound: {total / length_s:.3f} x real time"
    )
    print(
        f"ratio {curve.mean_ratio.value} ± {curve.mean_ratio.uncertainty}; truth {case.truth.mean_ratio}"
    )
    takes = [
        MotionTake(
            identifier="t1", kind=TakeKind.PERFORMANCE, where=Where(file="-"), load=lambda: one
        ),
        MotionTake(
            identifier="t2",
            kind=TakeKind.REPRODUCTION,
            where=Where(file="-"),
            load=lambda: other,
            reproduces="t1",
        ),
    ]
    _, seconds = timed("the report, all of it", lambda: measure_motion(takes))
    print(f"the report alone: {seconds / length_s:.3f} x real time")


if __name__ == "__main__":
    main()
