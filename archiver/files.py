"""The one seam to the file system: opening, writing, flushing, renaming, listing, hashing.

Every call of this program that touches a disk goes through the :class:`Seam` in
use, so that a test can fail, stop or record the n-th call. Operating-system
errors leave this module as :class:`~archiver.errors.SurroundingsError`.

A file or directory is written under a temporary name beside its target, flushed,
and renamed, so that a final name is either complete or absent.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import operator
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from archiver.errors import IntegrityError, MisuseError, SurroundingsError
from archiver.os_errors import explained, no_name, translated
from archiver.seam import BUSY_S, NO_FSYNC, Entry, OperatingSystem, Seam, Status

if TYPE_CHECKING:
    import sqlite3

    from _typeshed import ReadableBuffer

__all__ = [
    "BLOCK_BYTES",
    "BUSY_S",
    "Entry",
    "OperatingSystem",
    "Seam",
    "Status",
    "create",
    "database",
    "digests_at_once",
    "digests_of",
    "discard",
    "drop_cache",
    "entries",
    "exists",
    "flush_directory",
    "flush_file",
    "flush_written",
    "free_bytes",
    "in_use",
    "link",
    "lock",
    "make_directory",
    "may_write",
    "open_read",
    "read_bytes",
    "rename_new",
    "reopen",
    "replace",
    "resolved",
    "status",
    "temporary_sibling",
    "translated",
    "use",
    "walk_files",
    "write_pieces",
    "write_whole",
]

BLOCK_BYTES = 1 << 18
"""Read size for hashing and copying: larger blocks gain nothing measurable."""
_LONGEST_NEIGHBOUR_BYTES = 255 - len("..01234567.unfinished")
_NAME = operator.attrgetter("name")


_seam: Seam = OperatingSystem()


def in_use() -> Seam:
    """Return the seam that calls go through now, for one that is put around it."""
    return _seam


@contextlib.contextmanager
def use(seam: Seam) -> Iterator[None]:
    """Send every file-system call through another seam for the time of the block."""
    global _seam  # noqa: PLW0603 - one seam for all threads of the process is the point
    before, _seam = _seam, seam
    try:
        yield
    finally:
        _seam = before


def open_read(path: Path | str, *, buffering: int = -1, follow: bool = True) -> BinaryIO:
    """Open a file for reading.

    Parameters
    ----------
    path : Path or str
        The file. To make ten thousand paths takes as long as to hash ten thousand small files.
    buffering : int
        0 for a reader that takes large blocks.
    follow : bool
        Whether a link may be followed; if not, a link cannot be opened.
    """
    with translated(path, "read"):
        return _seam.open_read(path, buffering, follow=follow)


def drop_cache(path: Path) -> None:
    """Make the next reading of a file come from the medium, where the system can."""
    with translated(path, "read"), _seam.open_read(path, 0, follow=True) as file:
        _seam.drop_cache(file)


@contextlib.contextmanager
def lock(path: Path, *, busy: MisuseError) -> Iterator[None]:
    """Hold a lock file for the time of the block.

    Parameters
    ----------
    path : Path
        The lock file; it is made, and removed afterwards. One that a dead process left
        behind is no obstacle.
    busy : MisuseError
        Raised at once if another process, or another caller in this one, holds the lock.
    """
    with translated(path, "locked"):
        release = _seam.lock(path)
    if release is None:
        raise busy
    try:
        yield
    finally:
        release()


def link(source: Path, target: Path) -> None:
    """Give a file a second name on the same file system, where the system can."""
    with translated(target, "linked"):
        _seam.link(source, target)


def database(path: Path, *, read_only: bool) -> sqlite3.Connection:
    """Open a database in one file, in autocommit mode; errors of SQLite are the caller's."""
    with translated(path, "opened"):
        return _seam.database(path, read_only=read_only)


def read_bytes(path: Path, *, limit: int, follow: bool = True) -> bytes:
    """Read a whole small file.

    Raises
    ------
    SurroundingsError
        It cannot be read, or holds more than ``limit`` bytes.
    """
    with translated(path, "read"), _seam.open_read(path, -1, follow=follow) as file:
        # In pieces: one large request would take memory for all that the limit allows.
        content = bytearray()
        while len(content) <= limit and (piece := file.read(min(1 << 20, limit + 1))):
            content += piece
    if len(content) > limit:
        raise SurroundingsError(
            f"is larger than {limit} bytes",
            where=str(path),
            remedy="Check that it is the file that is meant",
        )
    return bytes(content)


def create(path: Path) -> BinaryIO:
    """Open a new file for writing and reading; an existing name is refused."""
    with translated(path, "created"):
        return _seam.create(path)


def reopen(path: Path) -> BinaryIO:
    """Open an existing file for writing and reading, to go on with it; no link is followed."""
    with translated(path, "written"):
        return _seam.reopen(path)


def flush_file(file: BinaryIO, path: Path) -> None:
    """Bring a file's content to the medium; a failure is final and must end the run."""
    with translated(path, "flushed"):
        _seam.fsync(file)


def flush_written(path: Path) -> None:
    """Bring to the medium what another process, or a closed file, has written."""
    with translated(path, "flushed"), _seam.open_read(path, 0, follow=False) as file:
        try:
            _seam.fsync(file)
        except OSError as error:
            # Windows flushes only what is open for writing.
            if os.name != "nt" or error.errno not in NO_FSYNC:
                raise


def flush_directory(path: Path) -> None:
    """Bring a directory's entries to the medium."""
    with translated(path, "flushed"):
        _seam.fsync_directory(path)


def make_directory(path: Path) -> None:
    """Make a directory and its missing parents."""
    if exists(path):
        return
    if path.parent != path:
        make_directory(path.parent)
    with translated(path, "created"):
        try:
            _seam.mkdir(path)
        except FileExistsError:
            # Another thread or process was faster; only a directory will do.
            if not _seam.status(path).is_directory:
                raise


def rename_new(source: Path, target: Path) -> None:
    """Rename to a name that must not exist yet."""
    with translated(target, "put under its final name"):
        _seam.rename(source, target)


def replace(source: Path, target: Path) -> None:
    """Rename a file over one that may exist."""
    with translated(target, "replaced"):
        _seam.replace(source, target)


def status(path: Path | str) -> Status:
    """Return what is known of a name; links are not followed."""
    try:
        return _seam.status(path)
    except OSError as error:
        raise explained(error, path, "examined") from error
    except ValueError as error:
        if (unusable := no_name(path, "examined")) is None:
            raise
        raise unusable from error


def exists(path: Path) -> bool:
    """Say whether the name is taken, by a broken link too."""
    try:
        _seam.status(path)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        raise explained(error, path, "examined") from error
    except ValueError:
        # A name that cannot be is not taken.
        if no_name(path, "examined") is None:
            raise
        return False
    return True


def resolved(path: Path) -> Path:
    """Return where a name leads when all links are followed; a broken link is an error."""
    with translated(path, "followed"):
        return _seam.resolved(path)


def free_bytes(path: Path) -> int:
    """Return the bytes free to this user on the file system of a directory."""
    with translated(path, "examined"):
        return _seam.free_bytes(path)


def may_write(path: Path) -> bool:
    """Say whether this user may make names in a directory, as far as the system tells."""
    with translated(path, "examined"):
        return _seam.may_write(path)


def entries(path: Path) -> tuple[Entry, ...]:
    """List a directory in the order of names."""
    with translated(path, "listed"):
        return tuple(sorted(_seam.listing(path), key=_NAME))


def walk_files(root: Path) -> Iterator[tuple[str, Entry]]:
    """Yield every name below a directory that is not a directory, depth first, in order.

    Yields
    ------
    path : str
        Relative to ``root``, with ``/``.
    entry : Entry
        A link is yielded and never followed.
    """
    # Not recursive: depth is limited by the path length of the system, not by ours.
    waiting = [(root, "", iter(entries(root)))]
    while waiting:
        directory, prefix, rest = waiting[-1]
        entry = next(rest, None)
        if entry is None:
            waiting.pop()
        elif entry.is_directory:
            deeper = directory / entry.name
            waiting.append((deeper, f"{prefix}{entry.name}/", iter(entries(deeper))))
        else:
            yield prefix + entry.name, entry


def temporary_sibling(target: Path) -> Path:
    """Name a hidden neighbour of the target that a later run recognises as unfinished.

    Of a very long name only the beginning is kept, so that its neighbour's is none too long.
    """
    name = target.name.encode("utf-8", "surrogatepass")
    kept = target.name
    if len(name) > _LONGEST_NEIGHBOUR_BYTES:
        # What is cut may be half a character.
        kept = name[:_LONGEST_NEIGHBOUR_BYTES].decode("utf-8", "ignore")
    return target.with_name(f".{kept}.{os.urandom(4).hex()}.unfinished")


def discard(path: Path) -> None:
    """Remove a file or a directory with all it holds; absence is fine, links are not followed."""
    with translated(path, "removed"):
        try:
            found = _seam.status(path)
        except FileNotFoundError:
            return
        if not found.is_directory:
            _seam.unlink(path)
            return
        for entry in _seam.listing(path):
            discard(path / entry.name)
        _seam.rmdir(path)


def write_whole(path: Path, content: bytes) -> None:
    """Write a small file so that its name is complete or absent; an existing one is replaced."""
    write_pieces(path, (content,))


def write_pieces(path: Path, pieces: Iterable[bytes]) -> None:
    """Write a file piece by piece as :func:`write_whole` writes one."""
    temporary = temporary_sibling(path)
    try:
        with translated(path, "written"), _seam.create(temporary) as file:
            for piece in pieces:
                file.write(piece)
            _seam.fsync(file)
        replace(temporary, path)
    except BaseException:
        with contextlib.suppress(SurroundingsError):
            discard(temporary)
        raise
    flush_directory(path.parent)


def digests_of(
    path: Path | str,
    algorithms: Iterable[str],
    *,
    also: Iterable[Callable[[ReadableBuffer], object]] = (),
    on_bytes: Callable[[int], None] | None = None,
    buffer: bytearray | None = None,
    follow: bool = True,
) -> tuple[int, dict[str, str]]:
    """Hash a file in one reading.

    Parameters
    ----------
    path : Path or str
        The file.
    algorithms : iterable of str
        Names that :mod:`hashlib` knows.
    also : iterable of callable
        Each is called with every block; the buffer is valid for the call only.
    on_bytes : callable, optional
        Called with the number of bytes of each block, for progress.
    buffer : bytearray, optional
        Where to read to, for a caller that hashes many files.
    follow : bool
        Whether a link may be followed.

    Returns
    -------
    size : int
        Bytes read.
    digests : dict of str to str
        Lower-case hexadecimal by algorithm.

    Raises
    ------
    IntegrityError
        Reading fails part way; the offset is named.
    SurroundingsError
        The file cannot be opened.
    """
    # Ten thousand small files come this way one by one: nothing is made here that can be
    # made once, and errors are explained only when there is one.
    hashers = {name: _fresh(name).copy() for name in algorithms}
    consumers: list[Callable[[ReadableBuffer], object]] = [h.update for h in hashers.values()]
    consumers += also
    if buffer is None:
        buffer = bytearray(BLOCK_BYTES)
    view = memoryview(buffer)
    whole = len(buffer)
    size = 0
    try:
        file = _seam.open_read(path, 0, follow=follow)
    except OSError as error:
        raise explained(error, path, "read") from error
    with file:
        while True:
            try:
                count = file.readinto(buffer)  # type: ignore[attr-defined]
            except OSError as error:
                raise IntegrityError(
                    f"cannot be read past byte {size} ({error.strerror})",
                    where=str(path),
                    remedy="The medium may be failing: copy what can be read, and use another copy",
                ) from error
            if not count:
                break
            block = view if count == whole else view[:count]
            for consume in consumers:
                consume(block)
            size += count
            if on_bytes is not None:
                on_bytes(count)
    return size, {name: hasher.hexdigest() for name, hasher in hashers.items()}


def digests_at_once(
    path: Path | str, algorithms: Iterable[str], *, expected_bytes: int, follow: bool = True
) -> tuple[int, dict[str, str]]:
    """Hash a small file, as :func:`digests_of` does, with as few calls as there can be.

    Parameters
    ----------
    path : Path or str
        The file.
    algorithms : iterable of str
        Names that :mod:`hashlib` knows.
    expected_bytes : int
        Its size as a listing told it; the file may have grown since.
    follow : bool
        Whether a link may be followed.

    Returns
    -------
    size : int
        Bytes read.
    digests : dict of str to str
        Lower-case hexadecimal by algorithm.

    Raises
    ------
    IntegrityError
        Reading fails part way; the offset is named.
    SurroundingsError
        The file cannot be opened.
    """
    try:
        content = _seam.read_at_once(path, expected_bytes, follow=follow)
    except OSError:
        content = None
    if content is None or len(content) > expected_bytes:
        # Block by block it is known how far reading went.
        return digests_of(path, algorithms, follow=follow)
    digests: dict[str, str] = {}
    for name in algorithms:
        hasher = _fresh(name).copy()
        hasher.update(content)
        digests[name] = hasher.hexdigest()
    return len(content), digests


@functools.cache
def _fresh(algorithm: str) -> hashlib._Hash:
    """Return a digest of nothing, to be copied: finding an algorithm takes longer."""
    return hashlib.new(algorithm, usedforsecurity=False)
