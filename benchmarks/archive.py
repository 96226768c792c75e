"""Time archiving one long take against the stock tools a person would run instead.

    python -m benchmarks.archive [--minutes 10] [--pairs 5]

Baseline, one after another on the same file: ``cp``, ``sha256sum``, ``md5sum`` and
FFmpeg's ``ebur128`` filter with true peak. Both sides run in one go, alternating,
on a warm cache; the figure is the median of the pair ratios. Neither side's copy is
waited for on the medium by the baseline, while ours flushes: the ratio is against us.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import wave
from collections.abc import Sequence
from pathlib import Path

import numpy as np

RATE_HZ = 96_000
SHEET = """\
schema: session 1
session:
  identifier: bench-1
  title: One long take
  start: 2026-01-01T10:00:00+00:00
  place: Nowhere
  purpose: Timing
  summary: Noise of a known level.
  language: en
  subjects: [timing]
  rights: {statement: Free to use, holder: Nobody}
organisation: {name: Bench, country: DK, code: BNC}
operators:
  - id: op
    name: Operator
    role: recording engineer
    consent: {given: yes, date: 2026-01-01, scope: any}
chains:
  - id: main
    microphones:
      - {id: m1, maker: A, model: B, serial: "1", position: front, distance: 1 m, channel: 1}
    recorder: {maker: A, model: C, serial: "2"}
    sample_rate: 96 kHz
    bit_depth: 24
    channel_layout: stereo
    channels: [left, right]
takes:
  - {id: t1, file: takes/t1.wav, kind: room tone, title: Noise, start: 2026-01-01T10:00:00+00:00}
"""


def make_session(folder: Path, seconds: int) -> Path:
    """Write a session with one take of noise at -22 dBFS; return the take."""
    (folder / "takes").mkdir(parents=True)
    (folder / "machines").mkdir()
    (folder / "session.yaml").write_text(SHEET, encoding="utf-8")
    take = folder / "takes" / "t1.wav"
    random = np.random.Generator(np.random.PCG64(1))
    with wave.open(str(take), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(3)
        file.setframerate(RATE_HZ)
        for _ in range(seconds):
            noise = random.standard_normal((RATE_HZ, 2)) * 10 ** (-22 / 20) * 2**23
            words = np.clip(noise, -(2**23), 2**23 - 1).astype("<i4")
            file.writeframesraw(words.view(np.uint8).reshape(-1, 4)[:, :3].tobytes())
    return take


def timed(commands: Sequence[Sequence[str]]) -> tuple[float, float]:
    """Run commands one after another; return wall and processor seconds."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    for command in commands:
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> int:
    """Print the pair ratios and their median."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--pairs", type=int, default=5)
    options = parser.parse_args()
    missing = [name for name in ("cp", "sha256sum", "md5sum", "ffmpeg") if not shutil.which(name)]
    if missing:
        print(f"needs {', '.join(missing)} for the baseline")
        return 2
    program = Path(sys.executable).with_name("archiver")
    with tempfile.TemporaryDirectory() as place:
        root = Path(place)
        # Installed programs are compiled, whatever this environment says of its own.
        os.environ["PYTHONPYCACHEPREFIX"] = str(root / "compiled")
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        take = make_session(root / "session", round(options.minutes * 60))
        baseline = [
            ["cp", str(take), str(root / "copy.wav")],
            ["sha256sum", str(take)],
            ["md5sum", str(take)],
            ["ffmpeg", "-nostdin", "-i", str(take), "-af", "ebur128=peak=true", "-f", "null", "-"],
        ]
        ratios = []
        for pair in range(options.pairs + 1):
            (root / "copy.wav").unlink(missing_ok=True)
            theirs = timed(baseline)
            bag_home = root / f"bags{pair}"
            ours = timed([[str(program), "archive", str(root / "session"), "--to", str(bag_home)]])
            shutil.rmtree(bag_home)
            if pair == 0:
                continue  # fills the cache and compiles the modules
            ratios.append(ours[0] / theirs[0])
            print(
                f"pair {pair}: tools {theirs[0]:.2f} s wall {theirs[1]:.2f} s cpu, "
                f"archive {ours[0]:.2f} s wall {ours[1]:.2f} s cpu, ratio {ratios[-1]:.3f}"
            )
        print(
            f"median ratio {statistics.median(ratios):.3f} over {len(ratios)} pairs, "
            f"{take.stat().st_size / 1e6:.0f} MB, {os.cpu_count()} cores"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
