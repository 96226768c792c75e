"""Judge every measurement of motion on random demonstrations whose truth is known.

    python -m benchmarks.truth [--cases 200] [--first 0] [--jobs 1] [--speech FILE ...]

Prints one table: how many could be told, how far off, and how often the 95 % intervals
held the truth. Cases are kept by seed. With ``--speech`` recorded human speech (any file
that soundfile reads) is performed in the simulator in place of synthetic programmes.
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

from archiver.signal.alignment import align_spectra, log_spectra
from archiver.signal.estimate import Reals
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound, reduced
from archiver.signal.rotation import find_rotation
from archiver.signal.speedcurve import SpeedCurve, speed_curve
from archiver.signal.tone import find_tone
from archiver.signal.transfer import transfer
from tests.simulator import Medium, Room, Works, cut, perform, play, random_case
from tests.simulator.cases import Case
from tests.simulator.draws import Draws
from tests.simulator.horn import Horn
from tests.simulator.rotation import SpeedCurve as Turning
from tests.simulator.rotation import drift, turning, wow
from tests.simulator.tones import hummed, pitch_pipe, random_melody
from tests.simulator.truth import RotationTruth
from tests.simulator.voice import Voice, babble

RATE_HZ = 48_000


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


def _rotation_rows(
    prefix: str, take: ReducedSound, truth: RotationTruth, nominal: float
) -> list[Row]:
    found = find_rotation(take, nominal)
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


def _curve_rows(prefix: str, curve: SpeedCurve, case: Case) -> list[Row]:
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


def _tone_rows(seed: int) -> list[Row]:
    draws = Draws(seed, "tone case")
    pitch_hz = draws.one_of([220.0, 261.63, 440.0, 440.0, 523.25, 880.0, 1000.0])
    duration_s = draws.uniform(1.2, 3.0)
    clock = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    rise = np.minimum(1.0, np.minimum(clock, clock[-1] - clock) / 0.05)
    kind = draws.below(3)
    if kind == 0:
        tone = pitch_pipe(pitch_hz, duration_s, RATE_HZ, draws.branch("pipe"))
    elif kind == 1:
        tone = np.sin(2.0 * np.pi * pitch_hz * clock) * np.exp(-clock / 2.0) * rise
    else:
        tone = np.sin(2.0 * np.pi * pitch_hz * clock) * rise
    voice = babble(4.0, RATE_HZ, Voice(pitch_hz=draws.uniform(95.0, 230.0)), draws.branch("voice"))
    quiet = np.zeros(RATE_HZ // 2)
    programme = np.concatenate([quiet, 0.3 * tone, quiet, 0.3 * voice, quiet])
    length_s = (programme.size - 1) / RATE_HZ
    room = Room(seed=seed, noise_dbfs=-70.0)
    recording = turning(length_s, RATE_HZ, rpm=100.0)
    performance, turns = perform(
        programme, RATE_HZ, room=room, works=Works(), curve=recording, draws=draws.branch("cut")
    )
    groove = cut(
        programme,
        RATE_HZ,
        horn=Horn(low_hz=200.0),
        medium=Medium(hiss_db=-draws.uniform(8.0, 26.0)),
        curve=recording,
        turn_times_s=turns,
    )
    rpm = 100.0 * draws.uniform(0.9, 1.1)
    played_s = length_s * 100.0 / rpm + 2.0
    swing = wow(
        played_s,
        RATE_HZ,
        rate_hz=draws.uniform(0.5, 6.0),
        depth=0.002 * 25.0 ** draws.uniform(0.0, 1.0),
    )
    playing: Turning = turning(
        played_s,
        RATE_HZ,
        rpm=rpm,
        relative=[swing, drift(played_s, RATE_HZ, per_minute=draws.uniform(-0.1, 0.1))],
    )
    reproduction, truth = play(
        groove,
        curve=playing,
        horn=Horn(low_hz=180.0),
        works=Works(),
        room=room,
        playings_before=0,
        lowered_s=0.5,
        from_s=0.0,
        level_dbfs=-28.0,
        draws=draws.branch("play"),
        groove_draws=draws.branch("groove"),
    )
    rows = []
    for name, sound in (("tone, performance", performance), ("tone, reproduction", reproduction)):
        found = find_tone(reduced(sound, RATE_HZ), pitch_hz)
        if found.speed.value is None or found.speed.uncertainty is None:
            rows.append(Row(name, told=False))
            continue
        expected = 1.0
        if "reproduction" in name:
            assert found.start_s is not None
            assert found.end_s is not None
            source = np.interp([found.start_s, found.end_s], truth.time_s, truth.performance_time_s)
            expected = float(source[1] - source[0]) / (found.end_s - found.start_s)
        off = found.speed.value - expected
        rows.append(Row(name, True, off / expected, float(abs(off) <= found.speed.uncertainty)))
    return rows


def _nothing_rows(seed: int, performance: ReducedSound) -> list[Row]:
    """Feed what holds nothing; ``told`` is then a false answer."""
    draws = Draws(seed, "nothing")
    frames = 20 * REDUCED_RATE_HZ
    noise = 0.1 * draws.normals(frames)
    voice = Voice(pitch_hz=draws.uniform(95.0, 230.0), pace=draws.uniform(0.85, 1.15))
    if seed % 2:
        other = babble(20.0, REDUCED_RATE_HZ, voice, draws)
    else:
        notes = random_melody(20.0, draws.uniform(180.0, 330.0), draws)
        other = hummed(notes, REDUCED_RATE_HZ, draws)
    other = 0.2 * other + 0.001 * draws.normals(other.size)
    pitch_hz = draws.one_of([220.0, 440.0, 880.0])
    rows = []
    for name, sound in (("noise", noise), ("unrelated sound", other)):
        take = ReducedSound(samples=sound.astype(np.float32))
        rows.append(
            Row(f"{name}: a rotation", find_rotation(take, 100.0).mean_rpm.value is not None)
        )
        curve = speed_curve(performance, take)
        rows.append(Row(f"{name}: a speed ratio", curve.mean_ratio.value is not None))
        if name == "noise" or seed % 2:
            # A note of a melody near the stated pitch is a tone, so speech only.
            tone = find_tone(take, pitch_hz)
            rows.append(Row(f"{name}: a tone", tone.frequency_hz.value is not None))
    return rows


def judge(seed: int, programme: Reals | None = None, label: str = "") -> Result:
    """Measure one case."""
    case = random_case(seed, sample_rate_hz=RATE_HZ, programme=programme)
    result = Result(seed=seed)
    performance = reduced(case.performance, RATE_HZ)
    reproduction = reduced(case.reproduction, RATE_HZ)
    kind = label or case.programme
    begun = time.perf_counter()
    rotation = find_rotation(reproduction, case.nominal_rpm)
    curve = speed_curve(performance, reproduction, rotation)
    transfer(performance, reproduction, curve)
    result.seconds = time.perf_counter() - begun
    result.rows += _rotation_rows("seam,", reproduction, case.truth.rotation, case.nominal_rpm)
    result.rows += _rotation_rows("thump,", performance, case.truth.recording, case.nominal_rpm)
    result.rows += _curve_rows("all,", curve, case)
    result.rows += _curve_rows(f"{kind},", curve, case)
    if programme is None:
        result.rows += _tone_rows(seed)
        result.rows += _nothing_rows(seed, performance)
    spectra = log_spectra(performance.samples), log_spectra(reproduction.samples)
    found = align_spectra(*spectra)
    score = "" if found is None else f"score {found.score:.2f} contrast {found.contrast:.0f}"
    result.note = (
        f"{seed} {kind}, {case.recording_drive} / {case.reproducing_drive}, "
        f"{case.truth.snr_db:.0f} dB, {score}"
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


def _one(work: tuple[int, Reals | None, str]) -> Result:
    seed, programme, label = work
    result = judge(seed, programme, label)
    print(f"{result.note}", file=sys.stderr, flush=True)
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--speech", type=Path, nargs="*", default=[])
    arguments = parser.parse_args()
    programmes = [_speech(path) for path in arguments.speech]
    seeds = range(arguments.first, arguments.first + arguments.cases)
    work = [
        (seed, programmes[seed % len(programmes)], "recorded speech")
        if programmes
        else (seed, None, "")
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
