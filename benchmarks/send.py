"""Time sending to a folder against copying by hand as carefully.

    python -m benchmarks.send [--mebibytes 1024] [--pairs 3]

By hand is ``cp``, ``sync`` of the copy, and ``sha256sum`` of both, which promises less: the name
is there before the copy is whole. Both are child processes, so that start-up is counted; the
ratio is of processor seconds, since a disk's own time varies more than what is compared. Ratios
travel between machines, seconds do not.
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
from dataclasses import dataclass
from pathlib import Path

SEND = """
import sys
from pathlib import Path
from archiver import files
from archiver.custody.places import open_place

class File:
    def __init__(self, path):
        self.path, self.name, self.size = path, path.name, path.stat().st_size

    def blocks(self, start=0):
        with files.open_read(self.path, buffering=0) as file:
            file.seek(start)
            while block := file.read(files.BLOCK_BYTES):
                yield block

with open_place(sys.argv[2]) as place:
    place.send(File(Path(sys.argv[1])))
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Took:
    """What a child process took."""

    processor_s: float
    peak_bytes: int


def run(command: list[str]) -> Took:
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Took(processor_s=used, peak_bytes=after.ru_maxrss * 1024)


def by_hand(source: Path, target: Path) -> float:
    return (
        run(["cp", str(source), str(target)]).processor_s
        + run(["sync", str(target)]).processor_s
        + run(["sha256sum", str(source), str(target)]).processor_s
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--mebibytes", type=int, default=1024)
    parser.add_argument("--pairs", type=int, default=3)
    arguments = parser.parse_args()
    ratios, peak = [], 0
    with tempfile.TemporaryDirectory() as folder:
        source, drive = Path(folder, "package.tar"), Path(folder, "drive")
        with source.open("wb") as file:
            for _ in range(arguments.mebibytes):
                file.write(os.urandom(1 << 20))
        for _ in range(arguments.pairs):
            drive.mkdir()
            hand_s = by_hand(source, drive / "by-hand.tar")
            sent = run([sys.executable, "-c", SEND, str(source), str(drive)])
            shutil.rmtree(drive)
            ratios.append(sent.processor_s / hand_s)
            peak = max(peak, sent.peak_bytes)
    print(
        f"send to a folder, {arguments.mebibytes} MiB: {statistics.median(ratios):.2f} of"
        f" cp, sync and sha256sum (from {min(ratios):.2f} to {max(ratios):.2f});"
        f" at most {peak >> 20} MiB of memory"
    )


if __name__ == "__main__":
    main()
