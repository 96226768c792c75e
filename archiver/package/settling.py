"""Bring written files to the medium and read them back, beside the work that goes on.

A failed flush is final: the system may have dropped the content and would report success
the next time (fsync(2); PostgreSQL stops on it for this reason since 2019).
"""

from __future__ import annotations

import contextlib
import io
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, BinaryIO, Self, cast

from archiver import files
from archiver.errors import IntegrityError

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer, WriteableBuffer

__all__ = ["Handed", "Settler"]

_EARLY_BYTES = 1 << 26
"""Written this much, a file is flushed while it grows, so that its end comes soon."""

_MOST_OPEN = 16
_THREADS = 2


class _Stopped(BaseException):
    """The run is ending; nothing more is worth reading."""


class Settler:
    """Flushes, closes and reads back files in threads of its own.

    Use as a context manager: on leaving, all files are closed and no thread is left.
    """

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(_THREADS, thread_name_prefix="settle")
        self._room = threading.BoundedSemaphore(_MOST_OPEN)
        self._mutex = threading.Lock()
        self._pending: list[Future[None]] = []
        self._early: dict[int, Future[None]] = {}
        self._failure: BaseException | None = None
        self._stopping = threading.Event()

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Wait for what is being done; leave out what was not begun."""
        self._stopping.set()
        self._pool.shutdown(wait=True)

    def settle(self, file: BinaryIO, path: Path, expected: tuple[str, str] | None) -> None:
        """Take over an open file: flush it, close it, and compare what is read back.

        Parameters
        ----------
        file : file object
            Closed here, whatever happens.
        path : Path
            Where it lies.
        expected : tuple of str, optional
            Algorithm as :mod:`hashlib` names it, and digest; None if the caller reads back.
        """
        try:
            self._room.acquire()
            self._submit(lambda: self._settle(file, path, expected))
        except BaseException:
            # Waiting for room may be interrupted; Windows removes no file that is open.
            with contextlib.suppress(OSError):
                file.close()
            raise

    def early(self, file: BinaryIO, path: Path, unflushed_bytes: int) -> int:
        """Flush a file that is still being written, once enough was written.

        Returns
        -------
        int
            Bytes that still wait for a flush.
        """
        if unflushed_bytes < _EARLY_BYTES:
            return unflushed_bytes
        self.check()
        before = self._early.get(id(file))
        if before is not None and not before.done():
            return unflushed_bytes
        self._room.acquire()
        self._early[id(file)] = self._submit(lambda: self._flush(file, path))
        return 0

    def check(self) -> None:
        """Raise what has gone wrong so far."""
        with self._mutex:
            done = [future for future in self._pending if future.done()]
            self._pending = [future for future in self._pending if not future.done()]
            for future in done:
                self._failure = self._failure or future.exception()
        if self._failure is not None:
            raise self._failure

    def finish(self) -> None:
        """Wait until everything is on the medium and was read back."""
        # Not by asking each for its result: what went wrong there is raised below, and what is
        # raised here is an interrupt, which must not be taken for it.
        wait(list(self._pending))
        self.check()

    def _submit(self, work: Callable[[], None]) -> Future[None]:
        future = self._pool.submit(work)
        with self._mutex:
            self._pending.append(future)
        return future

    def _flush(self, file: BinaryIO, path: Path) -> None:
        try:
            if not self._stopping.is_set():
                files.flush_file(file, path)
        finally:
            self._room.release()

    def _settle(self, file: BinaryIO, path: Path, expected: tuple[str, str] | None) -> None:
        early = self._early.pop(id(file), None)
        if early is not None:
            # It was begun before this, so it ends by itself; the file must stay open for it.
            wait([early])
        try:
            try:
                if self._stopping.is_set():
                    return
                files.flush_file(file, path)
            finally:
                with files.translated(path, "closed"):
                    file.close()
        finally:
            self._room.release()
        if expected is None:
            return
        algorithm, digest = expected
        _, found = files.digests_of(path, [algorithm], on_bytes=self._go_on)
        if found[algorithm] != digest:
            raise IntegrityError(
                "what is read back is not what was written",
                where=str(path),
                remedy="The disk or the memory of this machine may be failing: use another",
            )

    def _go_on(self, count: int) -> None:
        del count
        if self._stopping.is_set():
            raise _Stopped


class Handed(io.BufferedIOBase):
    """A new file in the hands of a caller; closing it leaves the real one open for flushing."""

    def __init__(self, inner: BinaryIO, path: Path, *, settler: Settler) -> None:
        super().__init__()
        self.inner = inner
        self.path = path
        self._settler = settler
        self._unflushed = 0

    def as_binary(self) -> BinaryIO:
        """Return this object under the type that file objects are usually passed as."""
        return cast("BinaryIO", self)

    def abandon(self) -> None:
        """Close the real file without caring for its content."""
        with contextlib.suppress(OSError):
            self.inner.close()

    def readable(self) -> bool:
        """Say yes."""
        return True

    def writable(self) -> bool:
        """Say yes."""
        return True

    def seekable(self) -> bool:
        """Say yes."""
        return True

    def write(self, data: ReadableBuffer, /) -> int:
        """Write all of ``data``."""
        with files.translated(self.path, "written"):
            count = self.inner.write(data)
        self._unflushed = self._settler.early(self.inner, self.path, self._unflushed + count)
        return count

    def read(self, size: int | None = -1, /) -> bytes:
        """Read up to ``size`` bytes."""
        with files.translated(self.path, "read"):
            return self.inner.read(-1 if size is None else size)

    def readinto(self, buffer: WriteableBuffer, /) -> int:
        """Read into a buffer."""
        with files.translated(self.path, "read"):
            return int(self.inner.readinto(buffer))  # type: ignore[attr-defined]

    def seek(self, offset: int, whence: int = 0, /) -> int:
        """Move to a position."""
        with files.translated(self.path, "written"):
            return self.inner.seek(offset, whence)

    def tell(self) -> int:
        """Return the position."""
        return self.inner.tell()

    def truncate(self, size: int | None = None, /) -> int:
        """Cut or extend the file."""
        with files.translated(self.path, "written"):
            return self.inner.truncate(size)

    def flush(self) -> None:
        """Hand what is buffered to the system."""
        if not self.inner.closed:
            with files.translated(self.path, "written"):
                self.inner.flush()
