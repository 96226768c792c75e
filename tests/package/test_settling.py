"""Bringing files to the medium beside the work: what goes wrong, and an interrupt, get out."""

from __future__ import annotations

import errno
import os
import signal
import threading
import time
from pathlib import Path
from typing import BinaryIO

import pytest

from archiver import files
from archiver.errors import SurroundingsError
from archiver.package.settling import Settler
from tests.faults import FaultySeam


class InterruptingSeam(FaultySeam):
    """While it flushes, the person at the keyboard loses patience."""

    def fsync(self, file: BinaryIO) -> None:
        signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
        time.sleep(0.2)
        super().fsync(file)


@pytest.mark.skipif(os.name == "nt", reason="a thread that waits is not interrupted there")
def test_an_interrupt_while_the_flushes_are_waited_for_ends_the_run(tmp_path: Path) -> None:
    file = files.create(tmp_path / "a")

    def write() -> None:
        with files.use(InterruptingSeam()), Settler() as settler:
            settler.settle(file, tmp_path / "a", None)
            settler.finish()

    # What a command line that ran here before does with interrupts is not what is tried.
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with pytest.raises(KeyboardInterrupt):
            write()
    finally:
        signal.signal(signal.SIGINT, before)
    assert file.closed


def test_a_file_whose_turn_is_interrupted_is_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Windows could not remove it otherwise, and it would be left behind."""

    def interrupted(semaphore: threading.Semaphore) -> bool:
        del semaphore
        raise KeyboardInterrupt

    file = files.create(tmp_path / "a")
    with Settler() as settler, monkeypatch.context() as patch:
        patch.setattr(threading.BoundedSemaphore, "acquire", interrupted)
        with pytest.raises(KeyboardInterrupt):
            settler.settle(file, tmp_path / "a", None)
    assert file.closed


def test_a_flush_that_fails_is_told_at_the_end(tmp_path: Path) -> None:
    seam = FaultySeam(errno=errno.EIO, refused={("fsync", "a")})
    with files.use(seam), Settler() as settler:
        for name in ("a", "b"):
            settler.settle(files.create(tmp_path / name), tmp_path / name, None)
        with pytest.raises(SurroundingsError, match="flushed"):
            settler.finish()
    assert seam.injected == 1
