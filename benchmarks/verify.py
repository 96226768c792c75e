"""Time the verification of a bag against what the processor can do.

    python -m benchmarks.verify [--mebibytes 2048] [--files 8] [--small 10000] [--pairs 5]

Baseline: ``openssl dgst -sha256`` over the same files on two processes, which uses the
processor's SHA extensions as hashlib does (``sha256sum`` of some systems does not, and is no
yardstick). Both sides run in one go, alternating, on a warm cache; the figure is the median
of the pair ratios. Beside it: the bagit library with two processes and with one, and a bag of
many small files, where ``sha256sum -c`` is the other yardstick. Ratios travel between machines, seconds do not.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from archiver.package import BagBuilder

# A child process, so that start-up and memory are counted as a user meets them.
OURS = """
import sys, resource
from pathlib import Path
from archiver.custody import verify_bag
verification = verify_bag(Path(sys.argv[1]), workers=2)
assert verification.intact and verification.report.bytes_read == verification.report.bytes_held
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""
JUDGE = """
import sys, bagit
bagit.Bag(sys.argv[1]).validate(processes=2)
"""
JUDGE_ALONE = """
import sys, bagit
bagit.Bag(sys.argv[1]).validate(processes=1)
"""


def make_bag(
    destination: Path, name: str, sizes: Sequence[int], form: str = "data/masters/{:05d}.wav"
) -> Path:
    """Make a bag of noise; the same noise in each file is as hard to hash as any other."""
    noise = os.urandom(1 << 20)
    with BagBuilder(destination, name) as bag:
        for number, size in enumerate(sizes):
            path = form.format(number)
            with bag.create(path) as file:
                left = size
                while left:
                    left -= file.write(noise[: min(left, len(noise))])
            bag.adopt(path)
        return bag.seal([])


def spent(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor seconds of the child processes that the work starts."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.perf_counter()
    work()
    wall = time.perf_counter() - begun
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def openssl(bag: Path) -> None:
    """Hash the payload on two processes, each with half of the bytes."""
    halves: tuple[list[str], list[str]] = ([], [])
    for number, path in enumerate(sorted((bag / "data").glob("*/*"))):
        halves[number % 2].append(str(path))
    running = [
        subprocess.Popen(["openssl", "dgst", "-sha256", *half], stdout=subprocess.DEVNULL)
        for half in halves
        if half
    ]
    assert all(process.wait() == 0 for process in running)


def child(code: str, bag: Path) -> str:
    return subprocess.run(
        [sys.executable, "-c", code, str(bag)], check=True, capture_output=True, text=True
    ).stdout


def compare(bag: Path, pairs: int, label: str) -> None:
    openssl(bag)
    rows: list[tuple[float, float, float, float]] = []
    processor: list[float] = []
    peak = 0

    def ours() -> None:
        nonlocal peak
        peak = max(peak, int(child(OURS, bag)))

    for _ in range(pairs):
        base, base_cpu = spent(lambda: openssl(bag))
        own, own_cpu = spent(ours)
        judge, _ = spent(lambda: child(JUDGE, bag))
        alone, _ = spent(lambda: child(JUDGE_ALONE, bag))
        rows.append((base, own, judge, alone))
        processor.append(own_cpu / base_cpu)
    base, own, judge, alone = (statistics.median(column) for column in zip(*rows, strict=True))
    ratios = [row[1] / row[0] for row in rows]
    print(
        f"{label}: openssl {base:.3f} s, verify {own:.3f} s, bagit library {judge:.3f} s with two "
        f"processes, {alone:.3f} s with one"
    )
    print(
        f"  verify / openssl: {statistics.median(ratios):.3f}"
        f"  ({' '.join(f'{ratio:.3f}' for ratio in ratios)})"
    )
    # A busy machine stretches wall time but not this.
    print(f"  the same in processor seconds: {statistics.median(processor):.3f}")
    print(
        "  verify / bagit library, two processes: "
        f"{statistics.median(row[1] / row[2] for row in rows):.3f}"
    )
    print(
        "  bagit library, one process / verify: "
        f"{statistics.median(row[3] / row[1] for row in rows):.2f}"
    )
    print(f"  peak memory of verify: {peak / 1024:.0f} MiB")


def against_sha256sum(bag: Path, pairs: int) -> None:
    """Compare with ``sha256sum -c``, which knows nothing of bags and stops at no rule."""

    def theirs() -> None:
        command = ["sha256sum", "--quiet", "-c", "manifest-sha256.txt"]
        subprocess.run(command, cwd=bag, check=True)

    rows = [(spent(theirs), spent(lambda: child(OURS, bag))) for _ in range(pairs)]
    wall = statistics.median(own[0] / their[0] for their, own in rows)
    processor = statistics.median(own[1] / their[1] for their, own in rows)
    print(f"  verify / sha256sum -c: {wall:.3f}, in processor seconds {processor:.3f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--mebibytes", type=int, default=2048)
    parser.add_argument("--files", type=int, default=8)
    parser.add_argument("--small", type=int, default=10_000)
    parser.add_argument("--pairs", type=int, default=5)
    parser.add_argument("--dir", type=Path, help="where to make the bags")
    options = parser.parse_args()
    version = subprocess.run(["openssl", "version"], check=True, capture_output=True, text=True)
    print(version.stdout.strip())
    cpu = Path("/proc/cpuinfo")
    if cpu.exists():
        print("sha_ni:", " sha_ni " in cpu.read_text(encoding="utf-8").replace("\n", " "))
    with tempfile.TemporaryDirectory(dir=options.dir) as folder:
        if options.mebibytes:
            each = (options.mebibytes << 20) // options.files
            large = make_bag(Path(folder), "large", [each] * options.files)
            compare(large, options.pairs, f"{options.files} files, {options.mebibytes} MiB")
        if options.small:
            # Small files are no masters, whose sound would be judged beside.
            form = "data/documents/{:05d}.txt"
            small = make_bag(Path(folder), "small", [16_384] * options.small, form)
            compare(small, options.pairs, f"{options.small} files of 16 KiB")
            against_sha256sum(small, options.pairs)


if __name__ == "__main__":
    main()
