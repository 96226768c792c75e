"""Progress bars, on a terminal only, and only for what takes long enough to be watched."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

from archiver.progress import Progress, Silent

if TYPE_CHECKING:
    from rich import progress as rich_progress

__all__ = ["shown"]

_PATIENCE_S = 0.4
_PAUSE_S = 0.05


class _Bars:
    """Shows a bar once a job has taken a while; to draw one takes longer than many jobs."""

    def __init__(self) -> None:
        self._mutex = threading.Lock()
        self._begun = time.monotonic()
        self._said = 0.0
        self._name = ""
        self._total_bytes = 0
        self._done_bytes = 0
        self._bars: rich_progress.Progress | None = None
        self._task: rich_progress.TaskID | None = None

    def step(self, name: str, total_bytes: int) -> None:
        with self._mutex:
            self._name, self._total_bytes, self._done_bytes = name, total_bytes, 0
            if self._bars is not None and self._task is not None:
                self._bars.remove_task(self._task)
                self._task = None
            self._say()

    def advance(self, count: int) -> None:
        with self._mutex:
            self._done_bytes += count
            # Nobody sees more, and each word to the display costs as much as hashing 8 KiB.
            if time.monotonic() - self._said >= _PAUSE_S:
                self._say()

    def _say(self) -> None:
        now = time.monotonic()
        if now - self._begun < _PATIENCE_S:
            return
        self._said = now
        if self._bars is None:
            self._bars = _opened_bars()
        if self._task is None:
            self._task = self._bars.add_task(self._name, total=self._total_bytes or None)
        self._bars.update(self._task, completed=self._done_bytes)

    def close(self) -> None:
        """Take the bar away."""
        with self._mutex:
            if self._bars is not None:
                self._bars.stop()


def _opened_bars() -> rich_progress.Progress:
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        DownloadColumn,
        Task,
        TextColumn,
        TimeRemainingColumn,
        TransferSpeedColumn,
    )
    from rich.progress import (
        Progress as Bars,
    )
    from rich.text import Text

    class Done(DownloadColumn):
        """Bytes done; nothing in a step that counts none."""

        def render(self, task: Task) -> Text:
            return Text() if not task.total and not task.completed else super().render(task)

    class Rate(TransferSpeedColumn):
        def render(self, task: Task) -> Text:
            return Text() if not task.total and not task.completed else super().render(task)

    bars = Bars(
        TextColumn("{task.description}"),
        BarColumn(bar_width=20),
        Done(),
        Rate(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    )
    bars.start()
    return bars


@contextlib.contextmanager
def shown() -> Iterator[Progress]:
    """Show progress on standard error while the block runs, if that is a terminal."""
    if not sys.stderr.isatty():
        yield Silent()
        return
    bars = _Bars()
    try:
        yield bars
    finally:
        bars.close()
