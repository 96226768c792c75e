"""The calls that reach a disk: as a protocol, and as the operating system answers them.

Errors are the system's own here; :mod:`archiver.files` turns them into ones that say what
to do.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import stat as stat_module
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Protocol, cast

if TYPE_CHECKING:
    import sqlite3

__all__ = ["BUSY_S", "NO_FSYNC", "Entry", "OperatingSystem", "Seam", "Status"]

BUSY_S = 60.0
"""How long a writer waits for the other writers of a database."""
NO_FSYNC = frozenset({errno.EINVAL, errno.ENOTSUP, errno.EACCES, errno.EBADF, errno.EPERM})
"""What a file system says that has no such call; nothing is wrong with the file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Status:
    """What is known of a name without opening it; links are not followed."""

    size: int
    mtime_ns: int
    inode: int
    device: int
    is_file: bool
    is_directory: bool
    is_link: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One name in a directory; links are not followed.

    ``size`` is in bytes, for files only; None where the listing could not tell it.
    """

    name: str
    is_file: bool
    is_directory: bool
    is_link: bool
    size: int | None = None


class Seam(Protocol):
    """The calls that reach a disk. Tests put a faulty one in place with :func:`use`."""

    def open_read(self, path: Path | str, buffering: int, *, follow: bool) -> BinaryIO:
        """Open an existing file for reading; a link only if it may be followed."""

    def read_at_once(self, path: Path | str, most: int, *, follow: bool) -> bytes:
        """Read a file of no more bytes, or one byte more than that; a link as when opened."""

    def create(self, path: Path) -> BinaryIO:
        """Open a new file for writing and reading; refuse an existing one."""

    def reopen(self, path: Path) -> BinaryIO:
        """Open an existing file for writing and reading, to go on with it; follow no link."""

    def fsync(self, file: BinaryIO) -> None:
        """Bring a file's content to the medium."""

    def fsync_directory(self, path: Path) -> None:
        """Bring a directory's entries to the medium."""

    def mkdir(self, path: Path) -> None:
        """Make one directory; refuse an existing name."""

    def rename(self, source: Path, target: Path) -> None:
        """Rename to a name that does not exist."""

    def replace(self, source: Path, target: Path) -> None:
        """Rename a file over a file that may exist."""

    def unlink(self, path: Path) -> None:
        """Remove a file."""

    def rmdir(self, path: Path) -> None:
        """Remove an empty directory."""

    def listing(self, path: Path) -> list[Entry]:
        """List a directory, unsorted."""

    def status(self, path: Path | str) -> Status:
        """Return what is known of a name."""

    def resolved(self, path: Path) -> Path:
        """Return where a name leads when all links are followed."""

    def free_bytes(self, path: Path) -> int:
        """Return the bytes free to this user on the file system of a directory."""

    def may_write(self, path: Path) -> bool:
        """Say whether this user may make names in a directory, as far as the system tells."""

    def drop_cache(self, file: BinaryIO) -> None:
        """Ask the system to forget what it holds of a file, so that it is read anew."""

    def lock(self, path: Path) -> Callable[[], None] | None:
        """Hold a lock file; return how to let go of it, or None if another holds it."""

    def link(self, source: Path, target: Path) -> None:
        """Give a file a second name on the same file system."""

    def database(self, path: Path, *, read_only: bool) -> sqlite3.Connection:
        """Open a database in one file; SQLite does its own reading, writing and flushing."""


class OperatingSystem:
    """The real file system."""

    def open_read(self, path: Path | str, buffering: int, *, follow: bool) -> BinaryIO:
        """Open an existing file for reading; a link only if it may be followed."""
        if follow:
            return open(path, "rb", buffering=buffering)  # noqa: PTH123
        if buffering == 0:
            return _opened_no_link(path)
        return open(path, "rb", buffering=buffering, opener=_open_no_link)

    def read_at_once(self, path: Path | str, most: int, *, follow: bool) -> bytes:
        """Read a file of no more bytes, or one byte more than that; a link as when opened."""
        # A file object costs more than a small file's digest.
        descriptor = os.open(path, _READ if follow else _READ_NO_LINK)
        try:
            content = os.read(descriptor, most + 1)
            while len(content) <= most and (more := os.read(descriptor, most + 1 - len(content))):
                content += more
        finally:
            os.close(descriptor)
        return content

    def create(self, path: Path) -> BinaryIO:
        """Open a new file for writing and reading; refuse an existing one."""
        return path.open("x+b")

    def reopen(self, path: Path) -> BinaryIO:
        """Open an existing file for writing and reading, to go on with it; follow no link."""
        return open(path, "r+b", opener=_open_no_link)

    def fsync(self, file: BinaryIO) -> None:
        """Bring a file's content to the medium."""
        file.flush()
        os.fsync(file.fileno())

    def fsync_directory(self, path: Path) -> None:
        """Bring a directory's entries to the medium, where the system can."""
        if os.name == "nt":  # a directory cannot be opened for flushing there
            return
        descriptor = os.open(path, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        except OSError as error:
            # Network and removable file systems refuse this call without any fault.
            if error.errno not in NO_FSYNC:
                raise
        finally:
            os.close(descriptor)

    def mkdir(self, path: Path) -> None:
        """Make one directory; refuse an existing name."""
        path.mkdir()

    def rename(self, source: Path, target: Path) -> None:
        """Rename to a name that does not exist."""
        # POSIX rename replaces a file or an empty directory; the check closes all but
        # the instant between, and a full directory is refused by the system itself.
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(target))
        source.rename(target)

    def replace(self, source: Path, target: Path) -> None:
        """Rename a file over a file that may exist."""
        source.replace(target)

    def unlink(self, path: Path) -> None:
        """Remove a file."""
        path.unlink()

    def rmdir(self, path: Path) -> None:
        """Remove an empty directory."""
        path.rmdir()

    def listing(self, path: Path) -> list[Entry]:
        """List a directory, unsorted."""
        with os.scandir(path) as found:
            return [_entry(entry) for entry in found]

    def status(self, path: Path | str) -> Status:
        """Return what is known of a name."""
        found = os.lstat(path)
        return Status(
            size=found.st_size,
            mtime_ns=found.st_mtime_ns,
            inode=found.st_ino,
            device=found.st_dev,
            is_file=stat_module.S_ISREG(found.st_mode),
            is_directory=stat_module.S_ISDIR(found.st_mode),
            is_link=stat_module.S_ISLNK(found.st_mode),
        )

    def resolved(self, path: Path) -> Path:
        """Return where a name leads when all links are followed."""
        # Not Path.resolve, which raises no OSError for a link to itself before Python 3.13.
        return Path(os.path.realpath(path, strict=True))

    def free_bytes(self, path: Path) -> int:
        """Return the bytes free to this user on the file system of a directory."""
        import shutil  # noqa: PLC0415 - it brings the compressors along, and few runs write

        return shutil.disk_usage(path).free

    def may_write(self, path: Path) -> bool:
        """Say whether this user may make names in a directory, as far as the system tells.

        Windows tells of no more than a mark that directories do not heed.
        """
        return os.access(path, os.W_OK | os.X_OK)

    def drop_cache(self, file: BinaryIO) -> None:
        """Ask the system to forget what it holds of a file, so that it is read anew."""
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)

    def lock(self, path: Path) -> Callable[[], None] | None:
        """Hold a lock file; return how to let go of it, or None if another holds it."""
        from filelock import FileLock, Timeout  # noqa: PLC0415 - only runs that write need it

        # The kernel lets go of the lock when its process dies, however it dies.
        held = FileLock(path, timeout=0, thread_local=False)
        try:
            held.acquire()
        except Timeout:
            return None

        def release() -> None:
            # Removed while still held, so that nobody can hold a name that is gone for long;
            # Windows refuses to remove an open file, and there the lock removes it itself.
            with contextlib.suppress(OSError):
                path.unlink()
            held.release()

        return release

    def link(self, source: Path, target: Path) -> None:
        """Give a file a second name on the same file system."""
        os.link(source, target)

    def database(self, path: Path, *, read_only: bool) -> sqlite3.Connection:
        """Open a database in one file."""
        import sqlite3  # noqa: PLC0415 - few commands need it

        def opened(mode: str) -> sqlite3.Connection:
            return sqlite3.connect(
                f"{path.absolute().as_uri()}?{mode}",
                uri=True,
                timeout=BUSY_S,
                isolation_level=None,
                check_same_thread=False,
            )

        if not read_only:
            return opened("mode=rwc")
        log = path.with_name(f"{path.name}-wal")
        unfinished = log.exists() and log.stat().st_size > 0
        as_it_lies = "mode=ro&immutable=1"
        if not unfinished and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)):
            return opened(as_it_lies)
        # Who may only read makes the files that writers share too, and cannot take them away
        # (sqlite.org/wal.html). Who may write takes them away when nobody else has them open. Of
        # what a writer left behind, nothing is touched.
        connection = opened("mode=ro" if unfinished else "mode=rw")
        try:
            connection.execute("PRAGMA query_only = ON")
            connection.execute("PRAGMA schema_version")
        except sqlite3.OperationalError:
            connection.close()
            if unfinished:
                # The last entries stand in the log alone, and would be left out without a word.
                raise
            # On a read-only medium there is no place for those files; nobody can write there
            # either.
            connection = opened(as_it_lies)
        return connection


def _entry(entry: os.DirEntry[str]) -> Entry:
    if not entry.is_file(follow_symlinks=False):
        directory = entry.is_dir(follow_symlinks=False)
        return Entry(
            name=entry.name, is_file=False, is_directory=directory, is_link=entry.is_symlink()
        )
    try:
        size = entry.stat(follow_symlinks=False).st_size
    except OSError:
        size = None
    return Entry(name=entry.name, is_file=True, is_directory=False, is_link=False, size=size)


# Windows has no such flag; there the walk that found the name told links apart.
_NO_LINK = getattr(os, "O_NOFOLLOW", 0)
_READ = (
    os.O_RDONLY
    | getattr(os, "O_BINARY", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_NOINHERIT", 0)
)
_READ_NO_LINK = _READ | _NO_LINK


def _open_no_link(path: str, flags: int) -> int:
    return os.open(path, flags | _NO_LINK)


def _opened_no_link(path: Path | str) -> BinaryIO:
    # The built-in function calls back for flags, which costs more than a small file's digest.
    descriptor = os.open(path, _READ_NO_LINK)
    try:
        return cast("BinaryIO", io.FileIO(descriptor, "rb"))
    except BaseException:
        os.close(descriptor)
        raise
