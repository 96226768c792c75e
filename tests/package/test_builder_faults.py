"""Whatever fails, and whenever: the final name is absent or a valid bag.

Judges: our validator and the bagit library (Library of Congress) in every state.
"""

from __future__ import annotations

import errno
import random
import subprocess
import sys
import time
from pathlib import Path

import bagit
import pytest

from archiver import files
from archiver.errors import ArchiverError, SurroundingsError
from archiver.package import BagBuilder, validate
from tests.faults import FaultySeam, ProcessDeathError
from tests.package.small_bags import PHOTOGRAPH, make_bag, sources

REPOSITORY = Path(__file__).resolve().parents[2]
NAME = "lhm-2026-04-18"


@pytest.fixture
def photograph(tmp_path: Path) -> Path:
    return sources(tmp_path / "session")


def assert_absent_or_valid(bag: Path) -> None:
    if bag.exists():
        assert validate(bag).valid
        assert bagit.Bag(str(bag)).validate()


@pytest.mark.parametrize(
    "number", [errno.ENOSPC, errno.EIO, errno.EACCES], ids=["ENOSPC", "EIO", "EACCES"]
)
def test_error_at_any_call_leaves_nothing_and_is_told(
    tmp_path: Path, photograph: Path, number: int
) -> None:
    told: list[str] = []
    for n in range(1, 10_000):
        destination = tmp_path / f"archive-{n}"
        seam = FaultySeam(fail_at=n, errno=number)
        try:
            with files.use(seam):
                bag = make_bag(destination, photograph)
        except ArchiverError as error:
            told.append(str(error))
            assert not destination.exists(), f"call {n}: {seam.calls[n - 1]}"
        else:
            assert_absent_or_valid(bag)
            if not seam.injected:
                break
            pytest.fail(f"call {n} failed without a word: {seam.calls[n - 1]}")
        assert seam.injected == 1
        assert seam.open_files == 0
        assert photograph.read_bytes() == PHOTOGRAPH
    # Eight files, each at least created, written, flushed and read back.
    assert len(told) > 60
    assert all(str(tmp_path) in sentence for sentence in told)


def test_death_at_any_call_leaves_the_next_run_able(tmp_path: Path, photograph: Path) -> None:
    died = whole = leftovers = 0
    for n in range(1, 10_000):
        destination = tmp_path / f"archive-{n}"
        seam = FaultySeam(fail_at=n)
        try:
            with files.use(seam):
                make_bag(destination, photograph)
        except ProcessDeathError:
            died += 1
        else:
            assert not seam.injected
            break
        assert seam.dead
        assert photograph.read_bytes() == PHOTOGRAPH
        assert_absent_or_valid(destination / NAME)
        if (destination / NAME).exists():
            whole += 1
            continue
        leftovers += any(destination.glob(f".{NAME}.*.unfinished")) if destination.exists() else 0
        with files.use(FaultySeam()):
            bag = make_bag(destination, photograph)
        assert validate(bag).valid
        assert [entry.name for entry in destination.iterdir()] == [NAME]
    assert died > 60
    assert leftovers > 40
    # After the rename only the parent is left to be flushed.
    assert whole == 1


def test_full_disk_at_any_size_is_told_and_leaves_nothing(tmp_path: Path, photograph: Path) -> None:
    seam = FaultySeam()
    with files.use(seam):
        make_bag(tmp_path / "whole", photograph)
    needed = seam.written_bytes
    for step in range(64):
        destination = tmp_path / f"archive-{step}"
        seam = FaultySeam(capacity_bytes=step * needed // 64)
        with files.use(seam), pytest.raises(SurroundingsError, match="the disk is full"):
            make_bag(destination, photograph)
        assert seam.injected
        assert not destination.exists()
    with files.use(FaultySeam(capacity_bytes=needed)):
        assert validate(make_bag(tmp_path / "enough", photograph)).valid


@pytest.mark.parametrize(
    ("operation", "name"),
    [
        ("open_read", "horn.png"),
        ("mkdir", "archive"),
        ("lock", f".{NAME}.lock"),
        ("mkdir", "data"),
        ("create", "bagit.txt"),
        ("rename", NAME),
    ],
)
@pytest.mark.parametrize("number", [errno.EROFS, errno.EACCES], ids=["EROFS", "EACCES"])
def test_refused_permission_is_told_with_the_place(
    tmp_path: Path, photograph: Path, operation: str, name: str, number: int
) -> None:
    seam = FaultySeam(errno=number, refused={(operation, name)})
    told = "read-only" if number == errno.EROFS else "permissions"
    with files.use(seam), pytest.raises(SurroundingsError, match=told) as caught:
        make_bag(tmp_path / "archive", photograph)
    assert name in caught.value.where
    assert seam.injected
    assert not (tmp_path / "archive").exists()


def test_failed_flush_is_final_even_if_the_next_would_succeed(
    tmp_path: Path, photograph: Path
) -> None:
    seam = FaultySeam()
    with files.use(seam):
        make_bag(tmp_path / "whole", photograph)
    flushes = [i for i, call in enumerate(seam.calls, 1) if call.operation == "fsync"]
    failing = FaultySeam(fail_at=flushes[0], errno=errno.EIO)
    with files.use(failing), pytest.raises(SurroundingsError, match="could not be flushed"):
        make_bag(tmp_path / "archive", photograph)
    assert failing.injected == 1
    assert not (tmp_path / "archive").exists()


CHILD = """
import sys
from pathlib import Path
from archiver.package import BagBuilder
destination, photograph = Path(sys.argv[1]), Path(sys.argv[2])
sys.stdin.readline()
with BagBuilder(destination, "lhm-2026-04-18") as bag:
    sys.stdout.write("begun\\n")
    sys.stdout.flush()
    for number in range(30):
        bag.copy(photograph, f"data/photographs/{number}.png")
    bag.seal([("Source-Organization", "Lillehavn Museum of Machines")])
"""


def child(destination: Path, photograph: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", CHILD, str(destination), str(photograph)],
        cwd=REPOSITORY,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )


def test_killed_runs_leave_the_next_run_able(tmp_path: Path, photograph: Path) -> None:
    seed = 20261125
    chance = random.Random(seed)  # noqa: S311 - repeatable times, no secrets
    whole_s = 0.0
    unfinished = 0
    # One process is started while the one before works, since starting takes longest.
    waiting = child(tmp_path / "archive-0", photograph)
    for round_ in range(20):
        destination = tmp_path / f"archive-{round_}"
        running, waiting = waiting, child(tmp_path / f"archive-{round_ + 1}", photograph)
        with running:
            assert running.stdin is not None
            assert running.stdout is not None
            running.stdin.write("go\n")
            running.stdin.flush()
            assert running.stdout.readline() == "begun\n"
            begun = time.monotonic()
            if round_ == 0:
                running.wait(60)
                whole_s = time.monotonic() - begun
            else:
                time.sleep(whole_s * chance.random())
                running.kill()
                running.wait(60)
        assert photograph.read_bytes() == PHOTOGRAPH
        bag = destination / NAME
        assert_absent_or_valid(bag)
        if bag.exists():
            continue
        unfinished += any(destination.glob(f".{NAME}.*.unfinished"))
        make_bag(destination, photograph)
        assert [entry.name for entry in destination.iterdir()] == [NAME], f"seed {seed}"
    waiting.kill()
    waiting.communicate()
    assert unfinished > 0, "no kill hit a run"


RACER = """
import sys, time
from pathlib import Path
from archiver.errors import MisuseError
from archiver.package import BagBuilder
destination, photograph = Path(sys.argv[1]), Path(sys.argv[2])
for line in sys.stdin:
    try:
        with BagBuilder(destination, line.strip()) as bag:
            bag.copy(photograph, "data/horn.png")
            bag.seal([])
        answer = "made"
    except MisuseError as error:
        answer = "refused " + error.found
    sys.stdout.write(answer + "\\n")
    sys.stdout.flush()
"""


def test_of_eight_runs_at_once_exactly_one_makes_the_bag(tmp_path: Path, photograph: Path) -> None:
    destination = tmp_path / "archive"
    racers = [
        subprocess.Popen(
            [sys.executable, "-c", RACER, str(destination), str(photograph)],
            cwd=REPOSITORY,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        )
        for _ in range(8)
    ]
    answers: list[list[str]] = []
    for round_ in range(10):
        for racer in racers:
            assert racer.stdin is not None
            racer.stdin.write(f"bag-{round_}\n")
            racer.stdin.flush()
        answers.append([racer.stdout.readline().strip() for racer in racers if racer.stdout])
    for racer in racers:
        racer.communicate()
    for round_, said in enumerate(answers):
        assert said.count("made") == 1
        refused = [answer for answer in said if answer != "made"]
        assert all("another run" in a or "exists already" in a for a in refused)
        assert validate(destination / f"bag-{round_}").valid
    assert sorted(entry.name for entry in destination.iterdir()) == sorted(
        f"bag-{round_}" for round_ in range(10)
    )


def test_verifying_an_unfinished_bag_is_not_possible_by_its_name(
    tmp_path: Path, photograph: Path
) -> None:
    with BagBuilder(tmp_path, NAME) as bag:
        bag.copy(photograph, "data/horn.png")
        with pytest.raises(SurroundingsError, match="does not exist"):
            validate(tmp_path / NAME)
