"""Whatever fails while packing or unpacking, and whenever: whole under its name, or absent."""

from __future__ import annotations

import errno
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from archiver import files
from archiver.errors import ArchiverError, SurroundingsError
from archiver.package import validate
from archiver.package.form import Form
from archiver.package.parts import SMALLEST_PART_BYTES
from archiver.package.serialising import serialise
from archiver.package.storing import store
from archiver.package.unpacking import unpack
from tests.faults import FaultySeam, ProcessDeathError
from tests.package.hostile_packages import TOP, bag_entries, bag_files, tar_with, zip_of, zstd
from tests.package.small_bags import contents, write_bag

PACKAGES = {"x.tar": tar_with(), "x.tar.zst": zstd(tar_with()), "x.zip": zip_of(bag_entries())}


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    """A bag that makes a package of two parts."""
    return write_bag(tmp_path / TOP, {"a.wav": bytes(SMALLEST_PART_BYTES), "b.txt": b"1"})


def fail_everywhere(work: Callable[[Path], object], tmp_path: Path, number: int) -> int:
    """Fail every call in turn; return how often the failure was told."""
    told = 0
    for n in range(1, 10_000):
        target = tmp_path / f"target-{n}"
        seam = FaultySeam(fail_at=n, errno=number)
        try:
            with files.use(seam):
                work(target)
        except ArchiverError:
            told += 1
            assert seam.injected
            assert not target.exists(), f"call {n}: {seam.calls[n - 1]}"
        else:
            if not seam.injected:
                return told
            # A lock that cannot be removed, a listing that is only looked at: the work is whole.
            assert any(target.iterdir())
        assert seam.open_files == 0, f"call {n}: {seam.calls[n - 1]}"
    raise AssertionError("it never ended")


@pytest.mark.parametrize(
    ("name", "number"),
    [("x.tar", errno.ENOSPC), ("x.tar", errno.EIO), ("x.zip", errno.EACCES)],
    ids=["tar-ENOSPC", "tar-EIO", "zip-EACCES"],
)
def test_an_error_at_any_call_of_unpacking_leaves_nothing_and_is_told(
    tmp_path: Path, name: str, number: int
) -> None:
    package = tmp_path / name
    package.write_bytes(PACKAGES[name])
    assert fail_everywhere(lambda target: unpack(package, target), tmp_path, number) > 40


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO], ids=["ENOSPC", "EIO"])
def test_an_error_at_any_call_of_packing_leaves_nothing_and_is_told(
    tmp_path: Path, bag: Path, number: int
) -> None:
    def pack(target: Path) -> None:
        store(serialise(bag, Form.TAR), target, part_bytes=SMALLEST_PART_BYTES)

    assert fail_everywhere(pack, tmp_path, number) > 40


@pytest.mark.parametrize("name", ["x.tar", "x.zip"])
def test_death_at_any_call_of_unpacking_leaves_the_next_run_able(tmp_path: Path, name: str) -> None:
    package = tmp_path / name
    package.write_bytes(PACKAGES[name])
    died = leftovers = 0
    for n in range(1, 10_000):
        target = tmp_path / f"target-{n}"
        seam = FaultySeam(fail_at=n)
        try:
            with files.use(seam):
                unpack(package, target)
        except ProcessDeathError:
            died += 1
        else:
            break
        if (target / TOP).exists():
            assert contents(target / TOP) == bag_files()
            continue
        leftovers += target.exists() and any(target.glob(f".{TOP}.*.unfinished"))
        with files.use(FaultySeam()):
            unpacked = unpack(package, target)
        assert validate(unpacked.root).valid
        assert [entry.name for entry in target.iterdir()] == [TOP]
    assert died > 40
    assert leftovers > 20


def test_death_at_any_call_of_packing_leaves_the_next_run_able_or_whole_parts(
    tmp_path: Path, bag: Path
) -> None:
    expected = b"".join(serialise(bag, Form.TAR).blocks())
    died = named = 0
    for n in range(1, 10_000):
        target = tmp_path / f"target-{n}"
        seam = FaultySeam(fail_at=n)
        try:
            with files.use(seam):
                store(serialise(bag, Form.TAR), target, part_bytes=SMALLEST_PART_BYTES)
        except ProcessDeathError:
            died += 1
        else:
            break
        parts = sorted(target.glob(f"{TOP}.tar.0*")) if target.exists() else []
        if parts:
            # Some parts had their names already: each is whole, and the list is still missing
            # or whole too.
            named += 1
            for number, part in enumerate(parts):
                begin = number * SMALLEST_PART_BYTES
                assert part.read_bytes() == expected[begin : begin + SMALLEST_PART_BYTES]
            continue
        with files.use(FaultySeam()):
            stored = store(serialise(bag, Form.TAR), target, part_bytes=SMALLEST_PART_BYTES)
        assert sorted(path.name for path in target.iterdir()) == [
            *(part.name for part in stored.listed.parts),
            stored.listed.name,
        ]
    assert died > 40
    assert named


@pytest.mark.parametrize("name", sorted(PACKAGES))
def test_a_full_disk_at_any_size_is_told_and_leaves_nothing(tmp_path: Path, name: str) -> None:
    package = tmp_path / name
    package.write_bytes(PACKAGES[name])
    seam = FaultySeam()
    with files.use(seam):
        unpack(package, tmp_path / "whole")
    needed = seam.written_bytes
    for step in range(16):
        target = tmp_path / f"target-{step}"
        seam = FaultySeam(capacity_bytes=step * needed // 16)
        with files.use(seam), pytest.raises(SurroundingsError, match="the disk is full"):
            unpack(package, target)
        assert seam.injected
        assert not target.exists()


@dataclass(kw_only=True)
class Interrupting(FaultySeam):
    """A person stops the run at the n-th call; as in life, only the main thread notices."""

    interrupt_at: int

    def call(self, operation: str, path: Path) -> None:
        super().call(operation, path)
        main = threading.current_thread() is threading.main_thread()
        if main and not self.injected and len(self.calls) >= self.interrupt_at:
            self.injected += 1
            raise KeyboardInterrupt


@pytest.mark.parametrize("job", ["pack", "unpack"])
def test_an_interrupt_at_any_call_leaves_nothing(tmp_path: Path, bag: Path, job: str) -> None:
    package = tmp_path / "x.tar.zst"
    package.write_bytes(PACKAGES["x.tar.zst"])
    stopped = 0
    for n in range(1, 10_000):
        target = tmp_path / f"target-{n}"
        seam = Interrupting(interrupt_at=n)
        try:
            with files.use(seam):
                if job == "pack":
                    store(serialise(bag, Form.ZIP), target, part_bytes=SMALLEST_PART_BYTES)
                else:
                    unpack(package, target)
        except KeyboardInterrupt:
            stopped += 1
            assert not target.exists(), f"call {n}: {seam.calls[n - 1]}"
            assert seam.open_files == 0, f"call {n}: {seam.calls[n - 1]}"
        else:
            break
    assert stopped > 40
    assert not any(thread.name in {"hash", "settle_0"} for thread in threading.enumerate())
