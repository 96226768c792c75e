"""Where takes are measured: in this process, or in one of its own beside it.

Long takes are measured apart: while one process loads its libraries and reads the sheet,
the other loads what measures, and neither waits for the other's turn in the interpreter.
Short sessions are not worth a process; where none can be started, all is done in one.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from archiver import files
from archiver.errors import ArchiverError
from archiver.signal.apart import MeterProcess
from archiver.signal.sampleformat import SampleFormat

if TYPE_CHECKING:
    from archiver.signal.stream import Consumer
    from archiver.signal.take import TakeMeasurements

__all__ = ["WORTH_BYTES", "Here", "Meters", "loading_beside", "measured_beside"]

WORTH_BYTES = 64 << 20
"""Sound of less than this is measured sooner than a process has started."""

_SWITCH_S = 0.0002


class TakeMeterLike(Protocol):
    """Measures one take from its sample bytes."""

    def consumers(self) -> tuple[Consumer, ...]:
        """Return the consumers; every one of them needs all the bytes, in order."""

    def result(self) -> TakeMeasurements:
        """Return the measurements, after the last byte."""


class Meters(Protocol):
    """Gives a meter for each take, one after another."""

    def meter(self, fmt: SampleFormat, meanings: Sequence[str]) -> TakeMeterLike:
        """Return the meter of the next take.

        Parameters
        ----------
        fmt : SampleFormat
            Format of its samples.
        meanings : sequence of str
            What each channel carries, for the weights of the loudness; no weights are
            applied where they are not one a channel.
        """


class Here:
    """Measures in this process."""

    def meter(self, fmt: SampleFormat, meanings: Sequence[str]) -> TakeMeterLike:
        """Return the meter of the next take; see :class:`Meters`."""
        # Slow to load, and often done elsewhere.
        from archiver.signal.loudness import channel_weights  # noqa: PLC0415
        from archiver.signal.take import TakeMeter  # noqa: PLC0415

        return TakeMeter(fmt, channel_weights(meanings) if len(meanings) == fmt.channels else None)


@contextlib.contextmanager
def measured_beside(folder: Path, worth_bytes: int = WORTH_BYTES) -> Iterator[Meters]:
    """Start a process that measures, if the session folder holds enough to be worth it.

    Parameters
    ----------
    folder : Path
        The session folder; what cannot be read in it is told by others, later.
    worth_bytes : int
        How much all its files must hold together.
    """
    process: MeterProcess | None = None
    if (os.cpu_count() or 1) > 1 and _holds(folder, worth_bytes):
        with contextlib.suppress(OSError):
            process = MeterProcess()
    if process is None:
        yield Here()
        return
    with process:
        yield process


def _holds(folder: Path, worth_bytes: int) -> bool:
    seen = 0
    try:
        for _, entry in files.walk_files(folder):
            seen += entry.size or 0
            if seen >= worth_bytes:
                return True
    except ArchiverError:
        return False
    return False


@contextlib.contextmanager
def loading_beside(names: Sequence[str]) -> Iterator[None]:
    """Load modules in a thread of their own while sound passes, to have them when it ends.

    Parameters
    ----------
    names : sequence of str
        Full names of modules. One that cannot be loaded is told where it is used.
    """
    if not names:
        yield
        return
    # The threads that pass the sound on need the interpreter often, and briefly.
    before = sys.getswitchinterval()
    sys.setswitchinterval(_SWITCH_S)
    thread = threading.Thread(target=_load, args=(tuple(names),), name="loading", daemon=True)
    thread.start()
    try:
        yield
    finally:
        thread.join()
        sys.setswitchinterval(before)


def _load(names: Sequence[str]) -> None:
    for name in names:
        with contextlib.suppress(Exception):
            importlib.import_module(name)
