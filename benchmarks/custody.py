"""Time the audit of many small bags, and recovery data, against what one would run instead.

    python -m benchmarks.custody [--bags 10000] [--payload-files 4] [--sample 40]
                                 [--mebibytes 256] [--pairs 3]

Audit: ``archiver audit``, with one process and with two in turn, over a store of small bags,
against the bagit library started once a bag (on a sample, since that takes long). All are
child processes, so that start-up and memory are counted as a user meets them. A million files
are ``--bags 10000 --payload-files 100``. Recovery data: ``archiver protect`` against the same ``par2`` program by hand with
the same plan of blocks. Ratios travel between machines, seconds do not.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from archiver.package import BagBuilder
from archiver.package.recovery import make_recovery, par2_program
from archiver.package.recovery_data import recovery_place

# The program as the command line starts it, which then says what it took.
AUDIT = """
import resource, sys
from archiver.cli import main
try:
    main()
finally:
    own, children = map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    used = [u.ru_utime + u.ru_stime for u in (own, children)]
    print(own.ru_maxrss, children.ru_maxrss, sum(used), file=sys.stderr)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Audited:
    """What an audit took; the memory of its largest process."""

    wall_s: float
    processor_s: float
    peak_bytes: int


def audit(store: Path, ledger: Path, jobs: int, bags: int) -> Audited:
    command = ["audit", str(store), "--ledger", str(ledger), "--jobs", str(jobs), "--json"]
    begun = time.perf_counter()
    ran = subprocess.run(
        [sys.executable, "-c", AUDIT, *command], check=True, capture_output=True, text=True
    )
    wall = time.perf_counter() - begun
    assert json.loads(ran.stdout)["verdicts"] == {"intact": bags}
    own, child, processor = ran.stderr.split()
    return Audited(
        wall_s=wall, processor_s=float(processor), peak_bytes=max(int(own), int(child)) * 1024
    )


def bar(words: str, found: float, limit: float, *, most: bool) -> None:
    met = found < limit if most else found >= limit
    sign = "< " if most else ">="
    print(f"  {words:52} {sign} {limit:<6g} {found:8.2f}  {'met' if met else 'MISSED'}")


def audits(folder: Path, bags: int, payload_files: int, sample: int, rounds: int) -> None:
    """Compare the audit of a store with a validator process a bag, and two processes with one."""
    store = folder / "store"
    make_store(store, bags, payload_files)
    chosen = sorted(store.glob("*/*"))[:: max(1, bags // sample)][:sample]

    def by_process() -> float:
        begun = time.perf_counter()
        for bag in chosen:
            subprocess.run(
                [sys.executable, "-m", "bagit", "--validate", "--quiet", str(bag)],
                check=True,
                capture_output=True,
            )
        return (time.perf_counter() - begun) / len(chosen)

    by_process()
    # The first audit fills the caches of the system and is not counted.
    audit(store, folder / "first.sqlite3", 2, bags)
    theirs_s: list[float] = []
    ours: dict[int, list[Audited]] = {1: [], 2: []}
    for number in range(rounds):
        theirs_s.append(by_process())
        for jobs, audited in ours.items():
            ledger = folder / f"ledger-{number}-{jobs}.sqlite3"
            audited.append(audit(store, ledger, jobs, bags))
    files = bags * (payload_files + 4)
    for jobs, audited in ours.items():
        wall = statistics.median(one.wall_s for one in audited)
        used = statistics.median(one.processor_s for one in audited)
        print(
            f"  {bags} bags, {files} files, {jobs} process(es): {wall:.1f} s, {used:.1f} processor "
            f"s; {bags / wall:.0f} bags/s, {files / wall:.0f} files/s"
        )
    print(f"  a bagit process a bag: {1 / statistics.median(theirs_s):.1f} bags/s")
    rate = [their * bags / own.wall_s for their, own in zip(theirs_s, ours[1], strict=True)]
    bar("audit / a bagit process a bag, rate", statistics.median(rate), 5, most=False)
    gain = [one.wall_s / two.wall_s for one, two in zip(ours[1], ours[2], strict=True)]
    bar("gain of a second process", statistics.median(gain), 1.5, most=False)
    peak = max(one.peak_bytes for audited in ours.values() for one in audited)
    bar("peak memory of any process, MiB", peak / (1 << 20), 150, most=True)


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
    print(f"  {held / (mebibytes << 20):.1%} of the bag")
    bar("protect / the same program by hand", statistics.median(ratios), 1.05, most=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--bags", type=int, default=10_000)
    parser.add_argument("--payload-files", type=int, default=4)
    parser.add_argument("--sample", type=int, default=40)
    parser.add_argument("--mebibytes", type=int, default=256)
    parser.add_argument("--pairs", type=int, default=3)
    parser.add_argument("--dir", type=Path, help="where to make the bags")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.dir) as folder:
        # Installed programs are compiled.
        os.environ["PYTHONPYCACHEPREFIX"] = str(Path(folder) / "compiled")
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        if options.bags:
            audits(Path(folder), options.bags, options.payload_files, options.sample, options.pairs)
        if options.mebibytes:
            recovery(Path(folder) / "recovery", options.mebibytes, options.pairs)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    print(f"peak memory of any child: {peak / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
