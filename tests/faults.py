"""A seam to the file system that records, fails and dies on command.

Put in place with ``files.use``. Every operation, every write and every read of a file that
was opened through it counts as one call; the n-th can fail with an errno, or be the last
thing that the process does.
"""

from __future__ import annotations

import errno as errno_names
import io
import os
import sqlite3
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, cast

from archiver.files import Entry, OperatingSystem, Seam, Status


class ProcessDeathError(BaseException):
    """The process is gone: nothing that comes after reaches the disk."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One call that reached the seam."""

    operation: str
    path: Path


@dataclass(kw_only=True)
class FaultySeam:
    """The real file system, with faults.

    Parameters
    ----------
    fail_at : int
        The call, counted from 1, that fails; 0 for none.
    errno : int
        What it fails with; 0 to die there.
    capacity_bytes : int, optional
        Bytes that can be written before the disk is full.
    free : int, optional
        What :meth:`free_bytes` answers; the truth if None.
    unreadable_from : dict of str to int
        By file name, the byte from which on reading fails.
    flipped_once : dict of str to int
        By file name, the byte that the first reading gets wrong.
    longest_read : int, optional
        A read gives at most this many bytes.
    not_writable : set of str
        Names of directories of which :meth:`may_write` says no.
    refused : set of (operation, file name)
        Operations that fail with ``errno`` whenever they meet this name.
    flush : bool
        Whether flushing reaches the real disk; tests of order and faults need no medium.
    """

    fail_at: int = 0
    errno: int = 0
    capacity_bytes: int | None = None
    free: int | None = None
    unreadable_from: dict[str, int] = field(default_factory=dict)
    flipped_once: dict[str, int] = field(default_factory=dict)
    longest_read: int | None = None
    not_writable: set[str] = field(default_factory=set)
    refused: set[tuple[str, str]] = field(default_factory=set)
    flush: bool = False
    inner: Seam = field(default_factory=OperatingSystem)
    calls: list[Call] = field(default_factory=list)
    injected: int = 0
    dead: bool = False
    written_bytes: int = 0
    open_files: int = 0
    most_open_files: int = 0
    _mutex: threading.RLock = field(default_factory=threading.RLock)

    def call(self, operation: str, path: Path) -> None:
        """Count a call, and fail or die if it is its turn."""
        with self._mutex:
            if self.dead:
                raise ProcessDeathError
            self.calls.append(Call(operation=operation, path=path))
            if (operation, path.name) in self.refused:
                self.injected += 1
                raise self.error(path)
            if len(self.calls) != self.fail_at:
                return
            self.injected += 1
            if not self.errno:
                self.dead = True
                raise ProcessDeathError
            raise self.error(path)

    def error(self, path: Path, number: int = 0) -> OSError:
        """Make the error that the system would raise."""
        number = number or self.errno
        return OSError(number, os.strerror(number), str(path))

    def opened(self) -> None:
        """Count an open file."""
        with self._mutex:
            self.open_files += 1
            self.most_open_files = max(self.most_open_files, self.open_files)

    def closed(self) -> None:
        """Count a file closed."""
        with self._mutex:
            self.open_files -= 1

    def room_for(self, count: int) -> int:
        """Return how many of the bytes fit on the disk, and take the room."""
        with self._mutex:
            if self.capacity_bytes is not None:
                count = min(count, max(0, self.capacity_bytes - self.written_bytes))
            self.written_bytes += count
            return count

    def wrote(self, path: Path, position: int, content: bytes) -> None:
        """Take note of a write; nothing needs it here."""

    def open_read(self, path: Path | str, buffering: int, *, follow: bool) -> BinaryIO:
        path = Path(path)
        self.call("open_read", path)
        inner = self.inner.open_read(path, buffering, follow=follow)
        return cast("BinaryIO", FaultyFile(self, inner, path))

    def read_at_once(self, path: Path | str, most: int, *, follow: bool) -> bytes:
        with self.open_read(path, 0, follow=follow) as file:
            return file.read(most + 1)

    def create(self, path: Path) -> BinaryIO:
        self.call("create", path)
        return cast("BinaryIO", FaultyFile(self, self.inner.create(path), path))

    def reopen(self, path: Path) -> BinaryIO:
        self.call("reopen", path)
        return cast("BinaryIO", FaultyFile(self, self.inner.reopen(path), path))

    def fsync(self, file: BinaryIO) -> None:
        faulty = cast("FaultyFile", file)
        self.call("fsync", faulty.path)
        if self.flush:
            self.inner.fsync(faulty.inner)
        else:
            faulty.inner.flush()

    def fsync_directory(self, path: Path) -> None:
        self.call("fsync_directory", path)
        if self.flush:
            self.inner.fsync_directory(path)

    def mkdir(self, path: Path) -> None:
        self.call("mkdir", path)
        self.inner.mkdir(path)

    def rename(self, source: Path, target: Path) -> None:
        self.call("rename", target)
        self.inner.rename(source, target)

    def replace(self, source: Path, target: Path) -> None:
        self.call("replace", target)
        self.inner.replace(source, target)

    def unlink(self, path: Path) -> None:
        self.call("unlink", path)
        self.inner.unlink(path)

    def rmdir(self, path: Path) -> None:
        self.call("rmdir", path)
        self.inner.rmdir(path)

    def listing(self, path: Path) -> list[Entry]:
        self.call("listing", path)
        return self.inner.listing(path)

    def status(self, path: Path | str) -> Status:
        self.call("status", Path(path))
        return self.inner.status(path)

    def resolved(self, path: Path) -> Path:
        self.call("resolved", path)
        return self.inner.resolved(path)

    def free_bytes(self, path: Path) -> int:
        self.call("free_bytes", path)
        return self.inner.free_bytes(path) if self.free is None else self.free

    def may_write(self, path: Path) -> bool:
        self.call("may_write", path)
        return path.name not in self.not_writable and self.inner.may_write(path)

    def drop_cache(self, file: BinaryIO) -> None:
        faulty = cast("FaultyFile", file)
        self.call("drop_cache", faulty.path)
        self.inner.drop_cache(faulty.inner)

    def lock(self, path: Path) -> Callable[[], None] | None:
        self.call("lock", path)
        release = self.inner.lock(path)
        if release is None:
            return None

        def let_go() -> None:
            release()
            if self.dead:
                # The kernel lets go of a dead process's lock but leaves the file.
                path.touch()

        return let_go

    def link(self, source: Path, target: Path) -> None:
        self.call("link", target)
        self.inner.link(source, target)

    def database(self, path: Path, *, read_only: bool) -> sqlite3.Connection:
        self.call("database", path)
        opened = sqlite3.connect(
            path.absolute().as_uri() + ("?mode=ro" if read_only else "?mode=rwc"),
            uri=True,
            timeout=5,
            isolation_level=None,
            check_same_thread=False,
            factory=FaultyConnection,
        )
        opened.seam, opened.path = self, path
        return opened


class FaultyConnection(sqlite3.Connection):
    """A database whose every statement passes the seam."""

    seam: FaultySeam
    path: Path

    def execute(self, *arguments: Any) -> sqlite3.Cursor:
        try:
            self.seam.call("statement", self.path)
        except OSError as error:
            raise sqlite3.OperationalError("disk I/O error") from error
        return super().execute(*arguments)


class FaultyFile(io.BufferedIOBase):
    """A file whose reads and writes pass the seam."""

    def __init__(self, seam: FaultySeam, inner: BinaryIO, path: Path) -> None:
        super().__init__()
        self.seam = seam
        self.inner = inner
        self.path = path
        seam.opened()

    def write(self, data: io.BytesIO | bytes | memoryview, /) -> int:  # type: ignore[override]
        self.seam.call("write", self.path)
        view = memoryview(cast("bytes", data)).cast("B")
        fits = self.seam.room_for(len(view))
        position = self.inner.tell()
        self.inner.write(view[:fits])
        self.seam.wrote(self.path, position, bytes(view[:fits]))
        if fits < len(view):
            self.seam.injected += 1
            raise self.seam.error(self.path, errno_names.ENOSPC)
        return fits

    def readinto(self, buffer: bytearray | memoryview, /) -> int:  # type: ignore[override]
        self.seam.call("read", self.path)
        view = memoryview(buffer).cast("B")
        if self.seam.longest_read is not None:
            view = view[: self.seam.longest_read]
        position = self.inner.tell()
        limit = self.seam.unreadable_from.get(self.path.name)
        if limit is not None:
            if position >= limit:
                self.seam.injected += 1
                raise self.seam.error(self.path, errno_names.EIO)
            view = view[: limit - position]
        count: int = self.inner.readinto(view)  # type: ignore[attr-defined]
        flip = self.seam.flipped_once.get(self.path.name)
        if flip is not None and position <= flip < position + count:
            del self.seam.flipped_once[self.path.name]
            self.seam.injected += 1
            view[flip - position] ^= 1
        return count

    def read(self, size: int | None = -1, /) -> bytes:
        if size is None or size < 0:
            here = self.inner.tell()
            size = self.inner.seek(0, 2) - here
            self.inner.seek(here)
        content = bytearray()
        while size > len(content):
            piece = bytearray(min(1 << 16, size - len(content)))
            count = self.readinto(piece)
            if not count:
                break
            content += piece[:count]
        return bytes(content)

    def readable(self) -> bool:
        return True

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0, /) -> int:
        return self.inner.seek(offset, whence)

    def tell(self) -> int:
        return self.inner.tell()

    def truncate(self, size: int | None = None, /) -> int:
        self.seam.call("truncate", self.path)
        return self.inner.truncate(size)

    def fileno(self) -> int:
        return self.inner.fileno()

    def flush(self) -> None:
        if not self.inner.closed and self.inner.writable():
            self.inner.flush()

    def close(self) -> None:
        if not self.closed:
            self.seam.closed()
            self.inner.close()
        super().close()
