"""Hashing many files: the digests of hashlib itself, and an end that leaves no thread behind."""

from __future__ import annotations

import hashlib
import random
import threading
from pathlib import Path

import pytest

from archiver.package.hashing import HashingStopped, Job, hash_all

SIZES = (0, 1, 5_000, 131_071, 131_072, 131_073, 262_144, 700_001)


def make_files(root: Path) -> list[Job]:
    noise = random.Random(7)  # noqa: S311 - content to hash
    jobs = []
    for number, size in enumerate(SIZES):
        content = noise.randbytes(size)
        (root / f"{number}.bin").write_bytes(content)
        wanted = (("sha256", hashlib.sha256(content).hexdigest()),)
        jobs.append(
            Job(path=f"{number}.bin", size=size, algorithms=("sha256", "md5"), wanted=wanted)
        )
    return jobs


@pytest.mark.parametrize("workers", [1, 2, 5, None])
def test_digests_and_sizes_are_those_of_the_files(tmp_path: Path, workers: int | None) -> None:
    jobs = make_files(tmp_path)
    read: list[int] = []
    done = hash_all(tmp_path, jobs, workers=workers, on_bytes=read.append)
    assert sorted(done) == [job.path for job in jobs]
    for job in jobs:
        content = (tmp_path / job.path).read_bytes()
        assert done[job.path].size == len(content)
        assert done[job.path].digests == {
            "sha256": hashlib.sha256(content).hexdigest(),
            "md5": hashlib.md5(content).hexdigest(),  # noqa: S324 - compared, not trusted
        }
        assert done[job.path].again == {}
    assert sum(read) == sum(SIZES)


@pytest.mark.parametrize("in_main_thread", [True, False])
def test_failure_in_any_thread_stops_all_and_is_the_one_that_is_raised(
    tmp_path: Path, *, in_main_thread: bool
) -> None:
    jobs = make_files(tmp_path) * 20
    fell = threading.Event()

    def fail(count: int) -> None:
        del count
        main = threading.current_thread() is threading.main_thread()
        if main is in_main_thread:
            fell.set()
            raise ArithmeticError("on purpose")
        # The other threads have to be at work when it happens, or nothing would be stopped.
        fell.wait(5)

    with pytest.raises(ArithmeticError, match="on purpose"):
        hash_all(tmp_path, jobs, workers=3, on_bytes=fail)
    assert not [t for t in threading.enumerate() if t.name.startswith("hash-")]


def test_no_file_is_begun_once_the_time_is_up(tmp_path: Path) -> None:
    jobs = make_files(tmp_path)
    read: list[int] = []
    with pytest.raises(HashingStopped):
        hash_all(tmp_path, jobs, workers=2, on_bytes=read.append, until=lambda: len(read) > 2)
    assert 0 < sum(read) < sum(SIZES)


def test_no_more_threads_are_at_work_than_asked_for(tmp_path: Path) -> None:
    jobs = make_files(tmp_path)
    threads: set[int] = set()
    hash_all(tmp_path, jobs, workers=2, on_bytes=lambda _: threads.add(threading.get_ident()))
    assert len(threads) <= 2
