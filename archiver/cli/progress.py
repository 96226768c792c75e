"""Progress bars, on a terminal only."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

from archiver.progress import Progress, Silent

if TYPE_CHECKING:
    from rich import progress as rich_progress

__all__ = ["shown"]


class _Bars:
    def __init__(self, bars: rich_progress.Progress) -> None:
        self._bars = bars
        self._task: rich_progress.TaskID | None = None

    def step(self, name: str, total_bytes: int) -> None:
        if self._task is not None:
            self._bars.remove_task(self._task)
        self._task = self._bars.add_task(name, total=total_bytes or None)

    def advance(self, count: int) -> None:
        if self._task is not None:
            self._bars.advance(self._task, count)


@contextlib.contextmanager
def shown() -> Iterator[Progress]:
    """Show progress on standard error while the block runs, if that is a terminal."""
    if not sys.stderr.isatty():
        yield Silent()
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        DownloadColumn,
        TextColumn,
        TimeRemainingColumn,
        TransferSpeedColumn,
    )
    from rich.progress import (
        Progress as Bars,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(bar_width=20),
        DownloadColumn(),
        TransferSpeedColumn(),
        TimeRemainingColumn(),
    )
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        yield _Bars(bars)
