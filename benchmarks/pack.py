"""Time serialising a bag to tar and hashing what comes out.

    python -m benchmarks.pack [--mebibytes 2048] [--files 8] [--pairs 3] [--small 10000]

Baselines, run alternating with ours on a warm cache: ``tar cf - BAG | sha256sum``, which some
systems run without the processor's SHA extensions, and ``tar cf - BAG | openssl dgst -sha256``,
which uses them as hashlib does and is the honest yardstick. Ours is measured twice: alone, and
with every file compared with the bag's manifests on the way, which is a second SHA-256 of
every byte that neither baseline computes. Ratios travel between machines, seconds do not.
"""

from __future__ import annotations

import argparse
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from benchmarks.verify import make_bag

OURS = """
import resource, sys
from pathlib import Path
from archiver.package.form import Form
from archiver.package.hashing_beside import HashingBeside
from archiver.package.serialising import serialise
compare = sys.argv[2] == "compared"
packed = serialise(Path(sys.argv[1]), Form.TAR, compare=compare)
with HashingBeside() as hashing:
    hashing.begin("sha256", packed.size)
    for block in packed.blocks():
        hashing.update(block)
    hashing.digest()
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def spent(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor seconds of the child processes that the work starts."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begun = time.perf_counter()
    work()
    wall = time.perf_counter() - begun
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def piped(bag: Path, *hasher: str) -> None:
    """Run tar into a program that hashes."""
    tar = subprocess.Popen(
        ["tar", "cf", "-", "-C", str(bag.parent), bag.name], stdout=subprocess.PIPE
    )
    subprocess.run(hasher, stdin=tar.stdout, stdout=subprocess.DEVNULL, check=True)
    assert tar.wait() == 0


def ours(bag: Path, how: str) -> int:
    """Serialise and hash; return the most memory in KiB."""
    command = [sys.executable, "-c", OURS, str(bag), how]
    return int(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def compare(bag: Path, pairs: int, label: str) -> None:
    runs: dict[str, Callable[[], object]] = {
        "tar | sha256sum": lambda: piped(bag, "sha256sum"),
        "tar | openssl": lambda: piped(bag, "openssl", "dgst", "-sha256"),
        "ours": lambda: ours(bag, "alone"),
        "ours, compared with manifests": lambda: ours(bag, "compared"),
    }
    runs["tar | openssl"]()
    rows = [{name: spent(run) for name, run in runs.items()} for _ in range(pairs)]
    print(label)
    print(f"  peak memory of ours: {ours(bag, 'compared') / 1024:.0f} MiB")
    for name in runs:
        wall = statistics.median(row[name][0] for row in rows)
        processor = statistics.median(row[name][1] for row in rows)
        print(f"  {name}: {wall:.3f} s, {processor:.3f} processor seconds")
    for name in ("ours", "ours, compared with manifests"):
        for yardstick in ("tar | sha256sum", "tar | openssl"):
            walls = statistics.median(row[name][0] / row[yardstick][0] for row in rows)
            processors = statistics.median(row[name][1] / row[yardstick][1] for row in rows)
            print(f"  {name} / {yardstick}: {walls:.3f}, in processor seconds {processors:.3f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--mebibytes", type=int, default=2048)
    parser.add_argument("--files", type=int, default=8)
    parser.add_argument("--small", type=int, default=10_000)
    parser.add_argument("--pairs", type=int, default=3)
    parser.add_argument("--dir", type=Path, help="where to make the bags")
    options = parser.parse_args()
    print(
        subprocess.run(
            ["tar", "--version"], check=True, capture_output=True, text=True
        ).stdout.splitlines()[0]
    )
    print(
        subprocess.run(
            ["openssl", "version"], check=True, capture_output=True, text=True
        ).stdout.strip()
    )
    with tempfile.TemporaryDirectory(dir=options.dir) as folder:
        if options.mebibytes:
            each = (options.mebibytes << 20) // options.files
            large = make_bag(Path(folder), "large", [each] * options.files)
            compare(large, options.pairs, f"{options.files} files, {options.mebibytes} MiB")
        if options.small:
            form = "data/documents/{:05d}.txt"
            small = make_bag(Path(folder), "small", [16_384] * options.small, form)
            compare(small, options.pairs, f"{options.small} files of 16 KiB")


if __name__ == "__main__":
    main()
