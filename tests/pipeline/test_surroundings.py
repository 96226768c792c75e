"""The whole job on a machine that fails: nothing partial, nothing changed, the next run succeeds."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import bagit
import pytest

from archiver import files
from archiver.errors import ArchiverError
from archiver.pipeline.archive import archive_session
from tests.faults import FaultySeam, ProcessDeathError
from tests.pipeline.making import make_session, make_session_with_machine, snapshot


def calls_of_a_run(folder: Path, to: Path) -> int:
    """Count the calls of a run that nothing disturbs."""
    seam = FaultySeam()
    with files.use(seam):
        assert archive_session(folder, to).bag is not None
    return len(seam.calls)


def absent_or_valid(to: Path) -> None:
    """Judge: the registry's bagit library."""
    bag = to / "trial-1"
    if bag.exists():
        assert bagit.Bag(str(bag)).validate()


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO, errno.EACCES, errno.EROFS])
def test_a_failing_call_anywhere_leaves_nothing_and_the_next_run_succeeds(
    tmp_path: Path, number: int
) -> None:
    folder = make_session(tmp_path / "s", 0.2)
    before = snapshot(folder)
    total = calls_of_a_run(folder, tmp_path / "undisturbed")
    sentences: list[str] = []
    for at in range(1, total, max(1, total // 12)):
        to = tmp_path / f"to{at}"
        seam = FaultySeam(fail_at=at, errno=number)
        with files.use(seam):
            try:
                outcome = archive_session(folder, to)
            except ArchiverError as error:
                sentences.append(str(error))
            else:
                sentences += [str(finding.message) for finding in outcome.findings]
        assert seam.injected == 1
        absent_or_valid(to)
        assert not list(tmp_path.rglob("*.unfinished"))
        assert archive_session(folder, tmp_path / f"again{at}").bag is not None
    assert len(sentences) > 5
    assert all(sentences)
    assert snapshot(folder) == before


def test_death_anywhere_leaves_no_final_name_and_needs_no_manual_step(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s", 0.2)
    before = snapshot(folder)
    total = calls_of_a_run(folder, tmp_path / "undisturbed")
    for at in range(1, total, max(1, total // 12)):
        to = tmp_path / f"to{at}"
        seam = FaultySeam(fail_at=at)
        with files.use(seam), pytest.raises(ProcessDeathError):
            archive_session(folder, to)
        assert seam.dead
        absent_or_valid(to)
        if not (to / "trial-1").exists():
            assert archive_session(folder, to).bag is not None
        assert [p.name for p in to.iterdir() if p.is_dir()] == ["trial-1"]
    assert snapshot(folder) == before


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9, 0.99])
def test_a_full_disk_is_told_as_such(tmp_path: Path, share: float) -> None:
    folder = make_session(tmp_path / "s", 0.5)
    measuring = FaultySeam()
    with files.use(measuring):
        archive_session(folder, tmp_path / "whole")
    seam = FaultySeam(capacity_bytes=int(measuring.written_bytes * share))
    with files.use(seam), pytest.raises(ArchiverError) as stopped:
        archive_session(folder, tmp_path / "to")
    assert stopped.value.exit_status == 4
    assert "full" in str(stopped.value)
    assert not (tmp_path / "to").exists()


@pytest.mark.parametrize("share", [0.3, 0.7, 0.95])
def test_a_disk_that_fills_up_under_the_access_copies_leaves_nothing(
    tmp_path: Path, share: float
) -> None:
    folder = make_session_with_machine(tmp_path / "s")
    measuring = FaultySeam()
    with files.use(measuring):
        archive_session(folder, tmp_path / "whole", access=["flac", "opus"])
    seam = FaultySeam(capacity_bytes=int(measuring.written_bytes * share))
    with files.use(seam), pytest.raises(ArchiverError) as stopped:
        archive_session(folder, tmp_path / "to", access=["flac", "opus"])
    assert stopped.value.exit_status == 4
    assert not (tmp_path / "to").exists()


def test_too_little_space_is_told_before_anything_is_written(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s", 0.5)
    seam = FaultySeam(free=1000)
    with files.use(seam), pytest.raises(ArchiverError, match="1000 are free") as stopped:
        archive_session(folder, tmp_path / "to")
    assert stopped.value.exit_status == 4
    assert seam.written_bytes == 0


def test_a_capture_that_fails_under_the_reader_stops_the_run(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s", 3.0)
    seam = FaultySeam(unreadable_from={"t1.wav": 200_000})
    with files.use(seam), pytest.raises(ArchiverError) as stopped:
        archive_session(folder, tmp_path / "to")
    assert "t1.wav" in str(stopped.value)
    assert not (tmp_path / "to").exists()


def while_it_runs(folder: Path, to: Path, act: Callable[[subprocess.Popen[bytes]], None]) -> int:
    """Start the command in a process of its own, act on it, and return its status."""
    script = "from archiver.cli import main; main()"
    process = subprocess.Popen(
        [sys.executable, "-c", script, "archive", str(folder), "--to", str(to)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    act(process)
    process.communicate(timeout=60)
    return process.returncode


@pytest.mark.skipif(os.name == "nt", reason="Windows has neither of these signals")
@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGKILL, -9)]
)
def test_an_interrupt_ends_soon_and_leaves_no_final_name(
    tmp_path: Path, number: signal.Signals, status: int
) -> None:
    folder = make_session(tmp_path / "s", 60.0)
    to = tmp_path / "to"

    def interrupt(process: subprocess.Popen[bytes]) -> None:
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline and not list(to.glob(".trial-1.*.unfinished/data/*/*")):
            time.sleep(0.002)
        process.send_signal(number)

    ended = while_it_runs(folder, to, interrupt)
    if (to / "trial-1").exists():  # the run was faster than the signal
        assert ended in {0, -number}
        return
    assert ended == status
    if number is not signal.SIGKILL:
        assert not to.exists() or not [p for p in to.iterdir() if p.is_dir()]
    assert archive_session(folder, to).bag is not None
    assert [p.name for p in to.iterdir() if p.is_dir()] == ["trial-1"]
