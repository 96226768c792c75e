"""Time the audit of many small bags, and recovery data, against what one would run instead.

    python -m benchmarks.custody [--bags 10000] [--sample 40] [--mebibytes 256] [--pairs 3]

Audit: a store of small bags against the bagit library started once a bag (on a sample, since
that takes long). Both are child processes, so that start-up and memory are counted as a user
meets them. Recovery data: ``archiver protect`` against the same ``par2`` program by hand with
the same plan of blocks. Ratios travel between machines, seconds do not.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from archiver.package import BagBuilder
from archiver.package.recovery import make_recovery, par2_program
from archiver.package.recovery_data import recovery_place

AUDIT = """
import resource, sys
from pathlib import Path
from archiver.custody.audit import AuditVerdict
from archiver.pipeline.audit import AuditPlan, audit_store
outcome = audit_store(AuditPlan(store=sys.argv[1], ledger=Path(sys.argv[2]), jobs=int(sys.argv[3])))
assert dict(outcome.counts) == {AuditVerdict.INTACT: int(sys.argv[4])}, outcome.counts
own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(own, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)
"""


def make_store(root: Path, bags: int, payload_files: int) -> None:
    """Make bags of files of 2 KiB, without bringing each to the medium."""
    for number in range(bags):
        bag = root / f"{number // 1000:03d}" / f"bag-{number:06d}"
        (bag / "data").mkdir(parents=True)
        payload = {f"data/{name:04d}.bin": os.urandom(2048) for name in range(payload_files)}
        tags = {
            "bagit.txt": b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
            "bag-info.txt": f"Payload-Oxum: {2048 * payload_files}.{payload_files}\n".encode(),
        }

        def listed(files: dict[str, bytes]) -> bytes:
            return "".join(
                f"{hashlib.sha256(content).hexdigest()}  {name}\n"
                for name, content in files.items()
            ).encode()

        tags["manifest-sha256.txt"] = listed(payload)
        tags["tagmanifest-sha256.txt"] = listed(tags)
        for name, content in (payload | tags).items():
            (bag / name).write_bytes(content)


def audit(store: Path, ledger: Path, jobs: int, bags: int) -> tuple[float, int, int]:
    """Return seconds, and peak memory in KiB of the process and of its largest child."""
    begun = time.perf_counter()
    said = subprocess.run(
        [sys.executable, "-c", AUDIT, str(store), str(ledger), str(jobs), str(bags)],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    own, child = map(int, said.split())
    return time.perf_counter() - begun, own, child


def audits(folder: Path, bags: int, sample: int) -> None:
    """Compare the audit of a store with a validator process a bag."""
    store = folder / "store"
    make_store(store, bags, 4)
    chosen = sorted(store.glob("*/*"))[:: max(1, bags // sample)][:sample]

    def by_process() -> float:
        begun = time.perf_counter()
        for bag in chosen:
            subprocess.run(
                [sys.executable, "-m", "bagit", "--validate", "--quiet", str(bag)],
                check=True,
                capture_output=True,
            )
        return len(chosen) / (time.perf_counter() - begun)

    for jobs in (1, 2):
        before = by_process()
        seconds, own, child = audit(store, folder / f"ledger-{jobs}.sqlite3", jobs, bags)
        after = by_process()
        theirs = (before + after) / 2
        print(
            f"{bags} bags, {jobs} process(es): {bags / seconds:.0f} bags/s; a bagit process a bag "
            f"{theirs:.1f} bags/s; ratio {bags / seconds / theirs:.1f}"
        )
        print(f"  peak memory: {own / 1024:.0f} MiB, largest child {child / 1024:.0f} MiB")


def recovery(folder: Path, mebibytes: int, pairs: int) -> None:
    """Compare the making of recovery data with the program called by hand."""
    noise = os.urandom(1 << 20)
    with BagBuilder(folder, "bag") as builder:
        with builder.create("data/masters/t01.wav") as file:
            for _ in range(mebibytes):
                file.write(noise)
        builder.adopt("data/masters/t01.wav")
        bag = builder.seal([])
    ratios = []
    for _ in range(pairs):
        begun = time.perf_counter()
        record = make_recovery(bag, replace=True)
        ours = time.perf_counter() - begun
        hand = folder / "hand"
        hand.mkdir()
        begun = time.perf_counter()
        subprocess.run(
            [
                par2_program(), "create", "-q", "-q", "-m128", f"-s{record.block_bytes}",
                f"-c{record.recovery_blocks}", "-R", "-B", bag, hand / "bag.par2", bag,
            ],
            check=True,
            capture_output=True,
        )  # fmt: skip
        subprocess.run(
            [par2_program(), "verify", "-q", "-q", "-m128", "-B", bag, hand / "bag.par2"],
            check=True,
            capture_output=True,
        )
        theirs = time.perf_counter() - begun
        for path in hand.iterdir():
            path.unlink()
        hand.rmdir()
        ratios.append(ours / theirs)
        print(f"recovery data of {mebibytes} MiB: {ours:.2f} s, by hand {theirs:.2f} s")
    held = sum(path.stat().st_size for path in recovery_place(bag).iterdir())
    print(f"  ratio {statistics.median(ratios):.2f}; {held / (mebibytes << 20):.1%} of the bag")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--bags", type=int, default=10_000)
    parser.add_argument("--sample", type=int, default=40)
    parser.add_argument("--mebibytes", type=int, default=256)
    parser.add_argument("--pairs", type=int, default=3)
    parser.add_argument("--dir", type=Path, help="where to make the bags")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.dir) as folder:
        if options.bags:
            audits(Path(folder), options.bags, options.sample)
        if options.mebibytes:
            recovery(Path(folder) / "recovery", options.mebibytes, options.pairs)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    print(f"peak memory of any child: {peak / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
