"""Time the verification of a bag against what the processor can do, and against others.

    python -m benchmarks.verify [--mebibytes 2048] [--files 8] [--small 10000] [--rounds 5]

What is timed is ``archiver verify BAG`` as a user types it, start-up included. Beside it run,
in turn, on the same files and a warm cache:

* ``openssl dgst -sha256`` on two processes with half of the bytes each, which uses the
  processor's SHA instructions as hashlib does;
* hashlib alone on two threads, the least that a Python program can take;
* ``sha256sum`` on two processes, and ``sha256sum -c`` for many small files;
* the bagit library with two processes and with one.

A ratio is the median of the ratios within each round. Ratios travel between machines, seconds
do not. Other work on the machine stretches wall time but hardly processor time, so both are
told, and how busy others were. Each program runs compiled, as installing leaves it.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from archiver.package import BagBuilder

BARE = """
import hashlib, sys, threading
paths = iter(sys.argv[1:])
mutex = threading.Lock()
def work():
    buffer = bytearray(1 << 17)
    view = memoryview(buffer)
    while True:
        with mutex:
            path = next(paths, None)
        if path is None:
            return
        digest = hashlib.sha256()
        with open(path, "rb", buffering=0) as file:
            while count := file.readinto(buffer):
                digest.update(view[:count])
        digest.hexdigest()
other = threading.Thread(target=work)
other.start()
work()
other.join()
"""
BAGIT = "import sys, bagit; assert bagit.Bag(sys.argv[1]).validate(processes=int(sys.argv[2]))"

Command = Sequence[str | Path]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spent:
    """What processes side by side took, from the start of the first to the end of the last."""

    wall_s: float
    processor_s: float
    peak_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """What is asked for: one program against another, or a quantity."""

    words: str
    limit: float
    met: Callable[[float, float], bool]
    sign: str

    def line(self, found: float, processor: float | None = None) -> str:
        """Say what was asked for, what was found, and whether it is enough."""
        beside = "" if processor is None else f"{processor:9.3f}"
        verdict = "met" if self.met(found, self.limit) else "MISSED"
        return f"  {self.words:44} {self.sign} {self.limit:<6g} {found:9.3f} {beside:9} {verdict}"


def at_most(words: str, limit: float) -> Bar:
    return Bar(words=words, limit=limit, met=lambda found, most: found <= most, sign="<=")


def below(words: str, limit: float) -> Bar:
    return Bar(words=words, limit=limit, met=lambda found, most: found < most, sign="< ")


def at_least(words: str, limit: float) -> Bar:
    return Bar(words=words, limit=limit, met=lambda found, least: found >= least, sign=">=")


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


class Racing:
    """Runs programs in turn, and knows how busy the machine was with other things."""

    def __init__(self, cache: Path) -> None:
        environment = dict(os.environ, PYTHONPYCACHEPREFIX=str(cache))
        environment.pop("PYTHONDONTWRITEBYTECODE", None)
        self._environment = environment
        self.strange_s = 0.0
        self.wall_s = 0.0

    def run(self, *commands: Command, folder: Path | None = None) -> Spent:
        """Run commands side by side."""
        busy = _busy_s()
        begun = time.perf_counter()
        running = [
            subprocess.Popen(
                [str(word) for word in command],
                stdout=subprocess.DEVNULL,
                cwd=folder,
                env=self._environment,
            )
            for command in commands
        ]
        processor = 0.0
        peak = 0
        for process, command in zip(running, commands, strict=True):
            _, status, usage = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
            assert process.returncode == 0, command[:4]
            processor += usage.ru_utime + usage.ru_stime
            peak = max(peak, usage.ru_maxrss * 1024)
        wall = time.perf_counter() - begun
        self.wall_s += wall
        self.strange_s += max(0.0, _busy_s() - busy - processor)
        return Spent(wall_s=wall, processor_s=processor, peak_bytes=peak)

    def rounds(
        self, contestants: dict[str, Callable[[], Spent]], count: int
    ) -> dict[str, list[Spent]]:
        """Run all contestants in turn, that many times; once more before, for the cache."""
        for contestant in contestants.values():
            contestant()
        self.strange_s = self.wall_s = 0.0
        rows: dict[str, list[Spent]] = {name: [] for name in contestants}
        for _ in range(count):
            for name, contestant in contestants.items():
                rows[name].append(contestant())
        return rows

    def strangers(self) -> str:
        """Say how busy the machine was with what is not ours."""
        share = self.strange_s / (self.wall_s * (os.cpu_count() or 1))
        doubt = "; wall time says little" if share > 0.04 else ""
        return f"  others had {share:.0%} of the processors{doubt}"


def _busy_s() -> float:
    """Seconds that all processors have worked since the start of the machine."""
    try:
        text = Path("/proc/stat").read_text(encoding="ascii")
    except OSError:
        return 0.0
    user, nice, system, _, _, irq, softirq, *_ = map(int, text.split("\n")[0].split()[1:])
    return (user + nice + system + irq + softirq) / os.sysconf("SC_CLK_TCK")


def halves(bag: Path) -> tuple[list[Path], list[Path]]:
    """Divide the payload for two processes."""
    paths = sorted((bag / "data").glob("*/*"))
    return paths[::2], paths[1::2]


def archiver() -> Path:
    return Path(sys.executable).with_name("archiver")


def bagit(racing: Racing, bag: Path, processes: int) -> Spent:
    return racing.run([sys.executable, "-c", BAGIT, bag, str(processes)])


def show(rows: dict[str, list[Spent]]) -> None:
    for name, spent in rows.items():
        wall = statistics.median(one.wall_s for one in spent)
        processor = statistics.median(one.processor_s for one in spent)
        print(f"  {name:34} {wall:7.3f} s {processor:7.3f} processor s")


def ratio(rows: dict[str, list[Spent]], one: str, other: str) -> tuple[float, float]:
    """Median of the ratios within rounds: of wall time, and of processor time."""
    pairs = list(zip(rows[one], rows[other], strict=True))
    return (
        statistics.median(a.wall_s / b.wall_s for a, b in pairs),
        statistics.median(a.processor_s / b.processor_s for a, b in pairs),
    )


HEAD = f"  {'bar':44} {'asked for':9} {'found':>9} {'processor':>9}"


def large(racing: Racing, bag: Path, rounds: int) -> None:
    first, second = halves(bag)
    digest = ("openssl", "dgst", "-sha256")
    contestants: dict[str, Callable[[], Spent]] = {
        "openssl, two processes": lambda: racing.run([*digest, *first], [*digest, *second]),
        "hashlib alone, two threads": lambda: racing.run(
            [sys.executable, "-c", BARE, *sorted((*first, *second))]
        ),
        "archiver verify": lambda: racing.run([archiver(), "verify", bag]),
        "bagit, two processes": lambda: bagit(racing, bag, 2),
        "bagit, one process": lambda: bagit(racing, bag, 1),
        "sha256sum, two processes": lambda: racing.run(
            ["sha256sum", *first], ["sha256sum", *second]
        ),
    }
    rows = racing.rounds(contestants, rounds)
    show(rows)
    print(racing.strangers())
    print(HEAD)
    ours = "archiver verify"
    for bar, one, other in (
        (at_most("verify / openssl, two processes", 1.05), ours, "openssl, two processes"),
        (at_most("verify / sha256sum, two processes", 0.4), ours, "sha256sum, two processes"),
        (below("verify / bagit, two processes", 1), ours, "bagit, two processes"),
        (at_least("bagit, one process / verify", 1.8), "bagit, one process", ours),
    ):
        print(bar.line(*ratio(rows, one, other)))
    peak = max(spent.peak_bytes for spent in rows[ours]) / (1 << 20)
    print(below("peak memory of verify, MiB", 150).line(peak))
    print("  limit of this machine for the last ratio of times:")
    for other in ("openssl, two processes", "hashlib alone, two threads"):
        wall, _ = ratio(rows, "bagit, one process", other)
        print(f"    bagit, one process / {other}: {wall:.3f}")


def small(racing: Racing, bag: Path, rounds: int) -> None:
    first, second = halves(bag)
    digest = ("openssl", "dgst", "-sha256")
    ours, theirs = "archiver verify", "sha256sum -c"
    rows = racing.rounds(
        {
            "openssl, two processes": lambda: racing.run([*digest, *first], [*digest, *second]),
            ours: lambda: racing.run([archiver(), "verify", bag]),
            theirs: lambda: racing.run(
                ["sha256sum", "--quiet", "-c", "manifest-sha256.txt"], folder=bag
            ),
            "bagit, two processes": lambda: bagit(racing, bag, 2),
            "bagit, one process": lambda: bagit(racing, bag, 1),
        },
        rounds,
    )
    show(rows)
    print(racing.strangers())
    print(HEAD)
    print(below("verify / sha256sum -c", 1).line(*ratio(rows, ours, theirs)))
    print(
        below("verify / bagit, two processes", 1).line(*ratio(rows, ours, "bagit, two processes"))
    )
    peak = max(spent.peak_bytes for spent in rows[ours]) / (1 << 20)
    print(below("peak memory of verify, MiB", 150).line(peak))


def start(racing: Racing, bag: Path, rounds: int) -> None:
    rows = racing.rounds(
        {
            "archiver verify": lambda: racing.run([archiver(), "verify", bag]),
            "python": lambda: racing.run([sys.executable, "-c", "pass"]),
        },
        3 * rounds,
    )
    show(rows)
    print(racing.strangers())
    print(HEAD)
    pairs = list(zip(*rows.values(), strict=True))
    wall = statistics.median(own.wall_s - bare.wall_s for own, bare in pairs)
    processor = statistics.median(own.processor_s - bare.processor_s for own, bare in pairs)
    print(at_most("verify of a tiny bag above bare python, s", 0.1).line(wall, processor))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--mebibytes", type=int, default=2048)
    parser.add_argument("--files", type=int, default=8)
    parser.add_argument("--small", type=int, default=10_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--dir", type=Path, help="where to make the bags")
    options = parser.parse_args()
    version = subprocess.run(["openssl", "version"], check=True, capture_output=True, text=True)
    cpu = Path("/proc/cpuinfo")
    sha = cpu.exists() and " sha_ni " in cpu.read_text(encoding="utf-8").replace("\n", " ")
    if hasattr(os, "sched_setaffinity"):
        # The bars are about two processors; children inherit this.
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:2])
    print(f"{version.stdout.strip()}; sha_ni: {sha}; {os.cpu_count()} processors, two used")
    with tempfile.TemporaryDirectory(dir=options.dir) as name:
        folder = Path(name)
        racing = Racing(folder / "compiled")
        print("start")
        start(racing, make_bag(folder, "tiny", [1000], "data/{:d}.txt"), options.rounds)
        if options.mebibytes:
            print(f"{options.files} files, {options.mebibytes} MiB")
            each = (options.mebibytes << 20) // options.files
            large(racing, make_bag(folder, "large", [each] * options.files), options.rounds)
        if options.small:
            print(f"{options.small} files of 16 KiB")
            # Small files are no masters, whose sound would be judged beside.
            form = "data/documents/{:05d}.txt"
            bag = make_bag(folder, "small", [16_384] * options.small, form)
            small(racing, bag, options.rounds)


if __name__ == "__main__":
    main()
