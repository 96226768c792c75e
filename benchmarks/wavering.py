"""Judge the figures of wavering on random demonstrations whose speed curves are known.

    python -m benchmarks.wavering [--cases 200] [--first 0] [--jobs 1] [--keep DIR]

What is expected of a curve is the same analysis of the simulator's own curve at the same
times, without noise: the analysis itself is judged by closed forms in the tests, here the
intervals are judged for what measuring adds. Prints, for each kind of curve and each
figure, how many could be told, the error in standard deviations as claimed (1.0 is right,
less is too wide) and how often the 95 % intervals held the truth.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from archiver.signal.estimate import COVERAGE, Estimate, Reals
from archiver.signal.motion import wavering_of
from archiver.signal.rotation import Rotation, find_rotation
from archiver.signal.speedcurve import SpeedCurve, speed_curve
from archiver.signal.tone import Tone, find_tone
from archiver.signal.wavering import Wavering, waver
from benchmarks.truth_cases import Demonstration, PlayedTone, prepared
from tests.simulator.truth import RotationTruth

FIGURES = (
    "drift_percent_per_minute",
    "wow_rms_percent",
    "wow_peak_percent",
    "flutter_rms_percent",
    "flutter_peak_percent",
    "weighted_percent",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One figure of one curve; ``expected`` is None where the true curve gives none."""

    seed: int
    curve: str
    figure: str
    found: Estimate
    expected: float | None


def _turned(truth: RotationTruth, event_s: Reals) -> Reals:
    time_s, rpm = np.array(truth.time_s), np.array(truth.rpm)
    steps = (rpm[1:] + rpm[:-1]) / 2.0 * np.diff(time_s) / 60.0
    return np.asarray(np.interp(event_s, time_s, np.concatenate([[0.0], np.cumsum(steps)])))


def _true(found: Wavering, time_s: Reals, speed: Reals, event_s: Reals | None) -> Wavering:
    return waver(
        time_s,
        speed,
        noise=0.0,
        highest_hz=found.highest_hz,
        carrier=found.carrier,
        event_s=event_s,
    )


def _compared(seed: int, curve: str, found: Wavering, true: Wavering) -> Iterator[Judged]:
    for figure in FIGURES:
        mine, wanted = getattr(found, figure), getattr(true, figure)
        yield Judged(seed=seed, curve=curve, figure=figure, found=mine, expected=wanted.value)
    for figure in ("rate_hz", "peak_percent"):
        mine, wanted = getattr(found.dominant, figure), getattr(true.dominant, figure)
        yield Judged(
            seed=seed, curve=curve, figure=f"dominant {figure}", found=mine, expected=wanted.value
        )
    for mine, wanted in zip(found.harmonics, true.harmonics, strict=True):
        yield Judged(
            seed=seed,
            curve=curve,
            figure=f"harmonic {mine.per_turn}",
            found=mine.peak_percent,
            expected=wanted.peak_percent.value,
        )


def judge(
    seed: int,
    case: Demonstration,
    rotation: Rotation,
    curve: SpeedCurve,
    tone: Tone,
    of: PlayedTone,
) -> list[Judged]:
    """Compare what was found on the three kinds of curves with the simulator's own."""
    judged: list[Judged] = []
    events = rotation.event_s if rotation.event_s.size else None
    for found in wavering_of(rotation, None, curve):
        if found.carrier == "marks once a turn":
            turns = np.diff(_turned(case.truth.rotation, rotation.event_s))
            speed = 60.0 * turns / np.diff(rotation.event_s)
            true = _true(found, rotation.time_s, speed, events)
            judged += _compared(seed, "marks", found, true)
        else:
            times = np.array(case.truth.time_s)
            told = curve.told
            inside = (curve.time_s[told] >= times[0]) & (curve.time_s[told] <= times[-1])
            if not inside.all():
                continue
            ratio = np.interp(curve.time_s[told], times, case.truth.ratio)
            judged += _compared(
                seed, "reproduction", found, _true(found, curve.time_s[told], ratio, events)
            )
    for found in wavering_of(None, tone, None):
        assert tone.curve is not None
        ratio = np.interp(tone.curve.time_s, of.truth.time_s, of.truth.ratio)
        judged += _compared(seed, "tone", found, _true(found, tone.curve.time_s, ratio, None))
    return judged


def measured(seed: int, keep: Path | None) -> list[Judged]:
    """Measure one case and judge it."""
    whole = prepared(seed, keep)
    case = whole.demonstration
    rotation = find_rotation(case.reproduction, case.nominal_rpm)
    curve = speed_curve(case.performance, case.reproduction, rotation)
    tone = find_tone(whole.tone.reproduction, whole.tone.pitch_hz)
    return judge(seed, case, rotation, curve, tone, whole.tone)


def report(judged: Sequence[Judged]) -> None:
    print(
        f"{'curve':13} {'figure':25} {'told':>9} {'median':>8} {'error':>8} {'z rms':>6} "
        f"{'z mid':>6} {'held':>7}"
    )
    kinds = sorted({(item.curve, item.figure) for item in judged})
    for curve, figure in kinds:
        rows = [item for item in judged if (item.curve, item.figure) == (curve, figure)]
        both = [item for item in rows if item.found.value is not None and item.expected is not None]
        if not both:
            print(f"{curve:13} {figure:25} {f'0/{len(rows)}':>9}")
            continue
        value = np.array([item.found.value for item in both], np.float64)
        half = np.array([item.found.uncertainty for item in both], np.float64)
        off = value - np.array([item.expected for item in both], np.float64)
        z = np.abs(off) / np.maximum(half / COVERAGE, 1e-12)
        print(
            f"{curve:13} {figure:25} {f'{len(both)}/{len(rows)}':>9} {np.median(value):8.3f} "
            f"{np.sqrt(np.mean(off**2)):8.3f} {np.sqrt(np.mean(z**2)):6.2f} "
            f"{np.median(z) / 0.6745:6.2f} {100 * np.mean(np.abs(off) <= half):6.1f}%"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for the simulated sounds")
    arguments = parser.parse_args()
    seeds = range(arguments.first, arguments.first + arguments.cases)
    judged: list[Judged] = []
    with ProcessPoolExecutor(arguments.jobs) as pool:
        for found in pool.map(measured, seeds, [arguments.keep] * len(seeds)):
            judged += found
    report(judged)


if __name__ == "__main__":
    main()
