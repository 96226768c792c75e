"""Where an interrupt may be raised and where it has to wait."""

from __future__ import annotations

import os
import queue
import signal
import subprocess
import sys

import pytest

from archiver.cli.interrupts import StoppedRun, _is_busy, _Watch


def test_inside_a_queue_of_the_standard_library_an_interrupt_waits() -> None:
    seen: list[bool] = []

    class Looking(queue.Queue[int]):
        def _put(self, item: int) -> None:
            seen.append(_is_busy(sys._getframe()))
            super()._put(item)

    Looking().put(1)
    assert seen == [True]
    assert not _is_busy(sys._getframe())


def test_the_first_interrupt_is_raised_and_the_next_are_passed_over() -> None:
    watch = _Watch()
    with pytest.raises(StoppedRun) as stopped:
        watch.handle(signal.SIGTERM, None)
    assert stopped.value.exit_status == 143
    watch.handle(signal.SIGTERM, None)


@pytest.mark.skipif(os.name == "nt", reason="Windows cannot send this signal to another process")
def test_an_interrupt_at_a_bad_moment_is_brought_up_again() -> None:
    """The first signal comes while a queue is busy for half a second."""
    script = """
import os, queue, signal, time
from archiver.cli.interrupts import StoppedRun, watch_for_interrupts

class Slow(queue.Queue):
    def _put(self, item):
        os.kill(os.getpid(), signal.SIGINT)
        end = time.monotonic() + 0.5
        while time.monotonic() < end:
            pass
        print("put", flush=True)

watch_for_interrupts()
try:
    Slow().put(1)
    while True:
        pass
except StoppedRun as stopped:
    print(stopped.exit_status)
"""
    ran = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=20, check=False
    )
    assert ran.stdout.split() == ["put", "130"], ran.stderr
