"""Ctrl-C and termination: the run ends soon, at a place where nothing is half done.

Python raises an interrupt between any two instructions, also while a queue or a lock of
the standard library is half way through its work; the threads that share it then wait
for ever. So the handler looks at where the main thread is. Inside such code it lets it
go on, and a watch asks again a moment later; anywhere else it raises, once. What comes
after the first interrupt is passed over, so that the tidying up is not interrupted.
"""

from __future__ import annotations

import contextlib
import functools
import os
import signal
import threading
import time
from types import FrameType

__all__ = ["PATIENCE_S", "StoppedRun", "watch_for_interrupts"]

PATIENCE_S = 1.5
"""After this the run is ended wherever it is: waiting is interruptible, mostly."""

_ASK_AGAIN_S = 0.03
_BUSY = ("threading", "queue", "concurrent.futures", "rich", "importlib")


class StoppedRun(BaseException):
    """The run was asked to end; raised so that every temporary is removed.

    ``exit_status`` is 128 and the number of the signal, as shells have it.
    """

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number
        self.exit_status = 128 + number


class _Watch:
    """Remembers a signal that came at a bad moment, and brings it up again."""

    def __init__(self) -> None:
        self._pending = 0
        self._since = 0.0
        self._raised = False
        self._main = threading.main_thread().ident
        threading.Thread(target=self._ask_again, name="interrupts", daemon=True).start()

    def handle(self, number: int, frame: FrameType | None) -> None:
        """Raise, unless the main thread is where it must not be interrupted."""
        if self._raised:
            return
        now = time.monotonic()
        if not self._pending:
            self._since = now
        if _is_busy(frame) and now - self._since < PATIENCE_S:
            self._pending = number
            return
        self._pending = 0
        self._raised = True
        raise StoppedRun(number)

    def _ask_again(self) -> None:
        while not self._raised:
            time.sleep(_ASK_AGAIN_S)
            if self._pending and self._main is not None:
                _deliver(self._main, self._pending)


def _is_busy(frame: FrameType | None) -> bool:
    while frame is not None:
        name = str(frame.f_globals.get("__name__", ""))
        if name.startswith(_BUSY):
            return True
        frame = frame.f_back
    return False


def _deliver(thread: int, number: int) -> None:
    if os.name == "nt":
        import _thread

        _thread.interrupt_main(signal.Signals(number))
    else:
        signal.pthread_kill(thread, number)


@functools.cache
def _the_watch() -> _Watch:
    return _Watch()


def watch_for_interrupts() -> None:
    """Handle Ctrl-C and termination from here on; main thread only."""
    watch = _the_watch()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(ValueError, OSError):
            signal.signal(number, watch.handle)
