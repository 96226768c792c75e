"""Time the full pass of all meters and digests against FFmpeg's loudness filter.

Makes a file of ten minutes (96 kHz, 24 bits, stereo) in a temporary directory, runs
both sides in turn, each in a process of its own, and prints the median of the
ratios with wall and CPU seconds. Needs the program ``ffmpeg``; says so if it is
not there.

    python benchmarks/measure.py [--minutes 10] [--pairs 5]
"""

from __future__ import annotations

import argparse
import platform
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import wave
from pathlib import Path

RATE = 96_000
HEADER_BYTES = 44

OURS = """
import hashlib, sys
from archiver.signal.samples import SampleFormat, block_frames
from archiver.signal.stream import run_pass
from archiver.signal.take import TakeMeter

fmt = SampleFormat(
    encoding="pcm", container_bits=24, valid_bits=24, channels=2, sample_rate_hz=96_000
)
meter = TakeMeter(fmt)
digests = [hashlib.sha256(), hashlib.md5(usedforsecurity=False)]
size = 4 * block_frames(fmt) * fmt.frame_bytes

def blocks(file):
    file.seek(44)
    while block := file.read(size):
        yield block

with open(sys.argv[1], "rb", buffering=0) as file:
    run_pass(blocks(file), [*(digest.update for digest in digests), *meter.consumers()])
measured = meter.result()
print(f"{measured.integrated_lufs:.1f} LUFS, {measured.true_peak_dbtp:.1f} dBTP")
"""


def make_sound(path: Path, minutes: float) -> None:
    """Write noise whose level moves, so that no meter can take a short cut."""
    import numpy as np  # noqa: PLC0415 - the comparison itself does not need it

    draw = np.random.default_rng(1)
    with wave.open(str(path), "wb") as file:
        file.setnchannels(2)
        file.setsampwidth(3)
        file.setframerate(RATE)
        for second in range(round(60 * minutes)):
            level = 10.0 ** (-(20.0 + 8.0 * np.sin(second / 9.0)) / 20.0)
            sound = np.clip(draw.standard_normal((RATE, 2)) * level, -1.0, 1.0) * (2**23 - 1)
            octets = sound.astype("<i4").reshape(-1, 1).view(np.uint8)
            file.writeframes(octets[:, :3].tobytes())


def timed(command: list[str]) -> tuple[float, float]:
    """Run a command and return its wall and its CPU seconds."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> int:
    """Print the comparison."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--pairs", type=int, default=5)
    options = parser.parse_args()
    ffmpeg = shutil.which("ffmpeg")
    if ffmpeg is None:
        print("ffmpeg is not installed: nothing to compare with")
        return 1
    version = subprocess.run(
        [ffmpeg, "-version"], check=True, capture_output=True, text=True
    ).stdout.split(" Copyright")[0]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sound.wav"
        make_sound(path, options.minutes)
        theirs = [
            ffmpeg,
            "-nostats",
            "-i",
            str(path),
            "-af",
            "ebur128=peak=true",
            "-f",
            "null",
            "-",
        ]
        ours = [sys.executable, "-c", OURS, str(path)]
        for command in (theirs, ours):
            timed(command)
        pairs = [(timed(theirs), timed(ours)) for _ in range(options.pairs)]
    their_wall, their_cpu = (statistics.median(pair[0][k] for pair in pairs) for k in (0, 1))
    our_wall, our_cpu = (statistics.median(pair[1][k] for pair in pairs) for k in (0, 1))
    ratios = sorted(pair[1][0] / pair[0][0] for pair in pairs)
    print(f"{platform.python_implementation()} {platform.python_version()}; {version}")
    print(f"{options.minutes:g} min, {RATE // 1000} kHz, 24 bits, stereo; {options.pairs} pairs")
    print(f"ffmpeg ebur128=peak=true        {their_wall:6.2f} s wall {their_cpu:6.2f} s CPU")
    print(f"all meters, SHA-256 and MD5     {our_wall:6.2f} s wall {our_cpu:6.2f} s CPU")
    print(
        f"ratio of wall times: median {statistics.median(ratios):.2f}, "
        f"{ratios[0]:.2f} to {ratios[-1]:.2f}; ratio of CPU {our_cpu / their_cpu:.2f}"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
