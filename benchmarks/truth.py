"""Judge every measurement of motion on random demonstrations whose truth is known.

    python -m benchmarks.truth [--cases 200] [--first 0] [--jobs 1] [--keep DIR]
                             [--speech FILE ...]

Prints one table: how many could be told, how far off, and how often the 95 % intervals
held the truth. Cases are told by their seed; ``--keep`` saves simulating them again.
With ``--speech`` recorded human speech (any file that soundfile reads) is performed in
the simulator in place of synthetic programmes.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
import soxr
from scipy import ndimage

from archiver.signal.estimate import Reals
from archiver.signal.reduced import ReducedSound
from archiver.signal.rotation import Rotation, find_rotation
from archiver.signal.speedcurve import SpeedCurve, speed_curve
from archiver.signal.tone import find_tone
from archiver.signal.transfer import transfer
from benchmarks.truth_cases import (
    RATE_HZ,
    Demonstration,
    Nothing,
    PlayedTone,
    Prepared,
    demonstrated,
    prepared,
)
from tests.simulator.truth import RotationTruth


@dataclass(slots=True)
class Row:
    """One kind of measurement on one case."""

    name: str
    told: bool
    error: float = 0.0
    within: float = 0.0
    share: float = 1.0


@dataclass(slots=True)
class Result:
    seed: int
    rows: list[Row] = field(default_factory=list)
    seconds: float = 0.0
    note: str = ""


def _turned(truth: RotationTruth, event_s: Reals) -> Reals:
    time_s, rpm = np.array(truth.time_s), np.array(truth.rpm)
    steps = (rpm[1:] + rpm[:-1]) / 2.0 * np.diff(time_s) / 60.0
    return np.asarray(np.interp(event_s, time_s, np.concatenate([[0.0], np.cumsum(steps)])))


def _rotation_rows(prefix: str, found: Rotation, truth: RotationTruth) -> list[Row]:
    if found.mean_rpm.value is None or found.mean_rpm.uncertainty is None:
        return [Row(f"{prefix} mean speed", told=False), Row(f"{prefix} turn by turn", told=False)]
    turns = np.diff(_turned(truth, found.event_s))
    each = 60.0 * turns / np.diff(found.event_s)
    mean = 60.0 * float(turns.sum()) / float(found.event_s[-1] - found.event_s[0])
    held = abs(found.mean_rpm.value - mean) <= found.mean_rpm.uncertainty
    return [
        Row(f"{prefix} mean speed", True, found.mean_rpm.value / mean - 1.0, float(held)),
        Row(
            f"{prefix} turn by turn",
            True,
            float(np.sqrt(np.mean((found.rpm / each - 1.0) ** 2))),
            float(np.mean(np.abs(found.rpm - each) <= found.rpm_uncertainty)),
        ),
    ]


def _curve_rows(prefix: str, curve: SpeedCurve, case: Demonstration) -> list[Row]:
    names = (f"{prefix} mean ratio", f"{prefix} curve")
    if curve.mean_ratio.value is None or curve.mean_ratio.uncertainty is None:
        return [Row(name, told=False) for name in names]
    truth = case.truth
    span = curve.span_s
    assert span is not None
    times = np.clip(np.array(span), truth.time_s[0], truth.time_s[-1])
    source = np.interp(times, truth.time_s, truth.performance_time_s)
    mean = float((source[1] - source[0]) / (times[1] - times[0]))
    sounding = (curve.time_s > truth.time_s[0]) & (curve.time_s < truth.time_s[-1])
    told = curve.told & sounding
    ratio = np.interp(curve.time_s, truth.time_s, truth.ratio)
    expected = ndimage.uniform_filter1d(ratio, 8, mode="nearest")
    found = ndimage.uniform_filter1d(curve.ratio, 8, mode="nearest")
    off = found[told] - expected[told]
    return [
        Row(
            names[0],
            True,
            curve.mean_ratio.value / mean - 1.0,
            float(abs(curve.mean_ratio.value - mean) <= curve.mean_ratio.uncertainty),
        ),
        Row(
            names[1],
            True,
            float(np.sqrt(np.mean((off / expected[told]) ** 2))),
            float(np.mean(np.abs(off) <= curve.uncertainty[told])),
            float(told.sum() / max(sounding.sum(), 1)),
        ),
    ]


def _tone_rows(case: PlayedTone) -> list[Row]:
    rows = []
    for name, sound in (
        ("tone, performance", case.performance),
        ("tone, reproduction", case.reproduction),
    ):
        found = find_tone(sound, case.pitch_hz)
        if found.speed.value is None or found.speed.uncertainty is None:
            rows.append(Row(name, told=False))
            continue
        expected = 1.0
        if "reproduction" in name:
            assert found.start_s is not None
            assert found.end_s is not None
            truth = case.truth
            source = np.interp([found.start_s, found.end_s], truth.time_s, truth.performance_time_s)
            expected = float(source[1] - source[0]) / (found.end_s - found.start_s)
        off = found.speed.value - expected
        rows.append(Row(name, True, off / expected, float(abs(off) <= found.speed.uncertainty)))
    return rows


def _nothing_rows(empty: Nothing, performance: ReducedSound) -> list[Row]:
    """Feed what holds nothing; ``told`` is then a false answer."""
    rows = []
    for name, take in (("noise", empty.noise), ("unrelated sound", empty.other)):
        rows.append(
            Row(f"{name}: a rotation", find_rotation(take, 100.0).mean_rpm.value is not None)
        )
        curve = speed_curve(performance, take)
        rows.append(Row(f"{name}: a speed ratio", curve.mean_ratio.value is not None))
        if name == "noise" or empty.other_is_speech:
            # A note of a melody near the stated pitch is a tone, so speech only.
            tone = find_tone(take, empty.pitch_hz)
            rows.append(Row(f"{name}: a tone", tone.frequency_hz.value is not None))
    return rows


def judge(
    case: Demonstration, seed: int, label: str = "", others: Prepared | None = None
) -> Result:
    """Measure one case."""
    result = Result(seed=seed)
    kind = label or case.programme
    begun = time.process_time()
    rotation = find_rotation(case.reproduction, case.nominal_rpm)
    curve = speed_curve(case.performance, case.reproduction, rotation)
    transfer(case.performance, case.reproduction, curve)
    result.seconds = time.process_time() - begun
    result.rows += _rotation_rows("seam,", rotation, case.truth.rotation)
    thumps = find_rotation(case.performance, case.nominal_rpm)
    result.rows += _rotation_rows("thump,", thumps, case.truth.recording)
    result.rows += _curve_rows("all,", curve, case)
    result.rows += _curve_rows(f"{kind},", curve, case)
    if others is not None:
        result.rows += _tone_rows(others.tone)
        result.rows += _nothing_rows(others.nothing, case.performance)
    result.note = (
        f"{seed} {kind}, {case.recording_drive} / {case.reproducing_drive}, "
        f"{case.truth.snr_db:.0f} dB, score {curve.score:.2f} contrast {curve.contrast:.0f}"
    )
    return result


BARS = {
    "mean speed": 0.002,
    "turn by turn": 0.01,
    "mean ratio": 0.002,
    "curve": 0.007,
    "performance": 0.0005,
    "reproduction": 0.0005,
}


def _report(results: Sequence[Result]) -> None:
    names: dict[str, list[Row]] = {}
    for result in results:
        for row in result.rows:
            names.setdefault(row.name, []).append(row)
    print(
        f"{'measurement':34} {'told':>9} {'rms %':>7} {'worst %':>8} {'bar %':>6} "
        f"{'in bar':>7} {'held':>6} {'share':>6}"
    )
    for name, rows in sorted(names.items()):
        told = [row for row in rows if row.told]
        count = f"{len(told)}/{len(rows)}"
        bar = next((bar for key, bar in BARS.items() if name.endswith(key)), None)
        if bar is None or not told:
            print(f"{name:34} {count:>9}")
            continue
        error = np.array([row.error for row in told])
        print(
            f"{name:34} {count:>9} {100 * np.sqrt(np.mean(error**2)):7.3f} "
            f"{100 * np.max(np.abs(error)):8.3f} {100 * bar:6.2f} "
            f"{100 * np.mean(np.abs(error) <= bar):6.1f}% "
            f"{100 * np.mean([row.within for row in told]):5.1f}% "
            f"{100 * np.mean([row.share for row in told]):5.1f}%"
        )
    print(
        f"analysis: {np.mean([result.seconds for result in results]):.2f} s a case of 20 s + 20 s"
    )
    for result in results:
        for row in result.rows:
            bar = next((bar for key, bar in BARS.items() if row.name.endswith(key)), None)
            if bar is not None and row.told and abs(row.error) > bar and row.name[:3] != "all":
                print(f"  over the bar: {row.name} {100 * row.error:.3f} %  ({result.note})")
            if bar is None and row.told:
                print(f"  false answer: {row.name} (seed {result.seed})")


def _speech(path: Path) -> Reals:
    sound, rate_hz = soundfile.read(str(path), always_2d=True)
    mono = np.asarray(sound.mean(axis=1), np.float64)
    return np.asarray(soxr.resample(mono, rate_hz, RATE_HZ), np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    seed: int
    keep: Path | None
    speech: Reals | None = None


def _one(work: _Work) -> Result:
    if work.speech is None:
        case = prepared(work.seed, work.keep)
        result = judge(case.demonstration, work.seed, others=case)
    else:
        result = judge(demonstrated(work.seed, work.speech), work.seed, "recorded speech")
    print(f"{result.note}", file=sys.stderr, flush=True)
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="folder for the simulated sounds")
    parser.add_argument("--speech", type=Path, nargs="*", default=[])
    arguments = parser.parse_args()
    programmes = [_speech(path) for path in arguments.speech]
    seeds = range(arguments.first, arguments.first + arguments.cases)
    work = [
        _Work(
            seed=seed,
            keep=arguments.keep,
            speech=programmes[seed % len(programmes)] if programmes else None,
        )
        for seed in seeds
    ]
    if arguments.jobs > 1:
        with ProcessPoolExecutor(arguments.jobs) as pool:
            results = list(pool.map(_one, work))
    else:
        results = [_one(item) for item in work]
    _report(results)


if __name__ == "__main__":
    main()
