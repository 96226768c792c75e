"""A seam to object stores and other places that fsspec reaches, beside the one to the disk.

Paths below a mounted folder lead to a URL; all others go on to the seam before. What an
object store cannot do in one step (rename) is done so that the target is never incomplete:
copied first, by the store itself, then removed under the old name.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, cast

from archiver.custody.transport.address import refuse_password
from archiver.custody.transport.credentials import variable
from archiver.custody.transport.known_hosts import known_hosts
from archiver.errors import ArchiverError, MisuseError, SurroundingsError
from archiver.files import Entry, Seam, Status

if TYPE_CHECKING:
    import sqlite3

__all__ = ["RemoteSeam"]

_READ_AHEAD_BYTES = 1 << 22
_EXTRAS = {"s3": "s3", "s3a": "s3", "sftp": "sftp", "ssh": "sftp"}
_SCHEMES = (
    "s3://bucket/folder (with archiver[s3]), sftp://user@host/folder (with archiver[sftp]), or "
    "another kind that fsspec knows, with the library that it needs"
)
# fsspec would have to be told the address of the server in another way.
_DEPOSITS_ONLY = frozenset({"webdav", "webdavs", "dav", "davs"})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mount:
    root: Path
    url: str
    system: Any  # fsspec carries no types
    base: str


def _options(url: str) -> dict[str, Any]:
    """Return what a library has to be told so that it trusts no stranger and looks anew."""
    if url.partition("://")[0] not in {"sftp", "ssh"}:
        # Listings of an earlier look would hide what has changed since.
        return {"use_listings_cache": False}
    options: dict[str, Any] = {"known_hosts": known_hosts()}
    if password := variable("ARCHIVER_SFTP_PASSWORD"):
        options["password"] = password
    return options


class RemoteSeam:
    """Leads paths below mounted folders to URLs.

    Parameters
    ----------
    inner : Seam
        Where all other paths go.
    """

    def __init__(self, inner: Seam) -> None:
        self._inner = inner
        self._mounts: tuple[_Mount, ...] = ()

    def mount(self, root: Path, url: str) -> None:
        """Let paths below ``root`` lead to a URL.

        Raises
        ------
        MisuseError
            Nothing here knows this kind of URL, or it carries a password.
        SurroundingsError
            The store cannot be reached.
        """
        import fsspec  # noqa: PLC0415 - only for URLs

        refuse_password(url)
        scheme = url.partition("://")[0].lower()
        if scheme in _DEPOSITS_ONLY:
            raise MisuseError(
                f"is a place for deposits; no store is read over {scheme}://",
                where=url,
                accepted=_SCHEMES,
            )
        try:
            system, base = fsspec.core.url_to_fs(url, skip_instance_cache=True, **_options(url))
        except ImportError as error:
            raise MisuseError(
                f"needs a library that is not installed ({error})",
                where=url,
                accepted=_SCHEMES,
                remedy=f"Install it with: pip install 'archiver[{_EXTRAS[scheme]}]'"
                if scheme in _EXTRAS
                else "Install the library that is named here",
            ) from error
        except ValueError as error:
            raise MisuseError(
                f"is a URL of a kind that is not known here ({error})",
                where=url,
                accepted=_SCHEMES,
            ) from error
        except ArchiverError:
            raise
        # Each of the libraries has an error tree of its own.
        except Exception as error:
            raise SurroundingsError(
                f"cannot be reached ({error})",
                where=url,
                remedy="Check the address, the network, the credentials, and for sftp:// that the"
                " host key is in known_hosts",
            ) from error
        mount = _Mount(root=root, url=url, system=system, base=base.rstrip("/"))
        try:
            with _as_os_error(url):
                there = bool(system.isdir(mount.base))
        except OSError as error:
            raise SurroundingsError(
                f"cannot be reached ({error.strerror or error})",
                where=url,
                remedy="Check the address, the network and the credentials",
            ) from error
        if not there:
            raise MisuseError(
                "does not exist, or holds nothing",
                where=url,
                accepted="the URL of a folder that holds bags",
            )
        self._mounts = (*self._mounts, mount)

    def unmount(self, root: Path) -> None:
        """Forget a mounted folder."""
        self._mounts = tuple(mount for mount in self._mounts if mount.root != root)

    def _remote(self, path: Path) -> tuple[_Mount, str] | None:
        for mount in self._mounts:
            if path.is_relative_to(mount.root):
                parts = path.relative_to(mount.root).parts
                return mount, "/".join((mount.base, *parts))
        return None

    def open_read(self, path: Path | str, buffering: int, *, follow: bool) -> BinaryIO:
        """Open an existing file for reading."""
        place = self._remote(Path(path))
        if place is None:
            return self._inner.open_read(path, buffering, follow=follow)
        mount, name = place
        with _as_os_error(name):
            opened = mount.system.open(
                name, "rb", block_size=_READ_AHEAD_BYTES, cache_type="readahead"
            )
        return cast("BinaryIO", _Remote(opened, name))

    def read_at_once(self, path: Path | str, most: int, *, follow: bool) -> bytes:
        """Read a file of no more bytes, or one byte more than that."""
        if self._remote(Path(path)) is None:
            return self._inner.read_at_once(path, most, follow=follow)
        with self.open_read(path, 0, follow=follow) as file:
            return file.read(most + 1)

    def create(self, path: Path) -> BinaryIO:
        """Open a new file for writing; it is there once it is closed."""
        place = self._remote(path)
        if place is None:
            return self._inner.create(path)
        mount, name = place
        with _as_os_error(name):
            if mount.system.exists(name):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), name)
            return cast("BinaryIO", _Remote(mount.system.open(name, "wb"), name))

    def reopen(self, path: Path) -> BinaryIO:
        """Open an existing file to go on with it; an object cannot be changed in part."""
        if self._remote(path) is None:
            return self._inner.reopen(path)
        raise OSError(errno.ENOTSUP, os.strerror(errno.ENOTSUP), str(path))

    def fsync(self, file: BinaryIO) -> None:
        """Bring a file's content to the medium; an object is kept when it is closed."""
        if not isinstance(file, _Remote):
            self._inner.fsync(file)

    def fsync_directory(self, path: Path) -> None:
        """Bring a directory's entries to the medium."""
        if self._remote(path) is None:
            self._inner.fsync_directory(path)

    def mkdir(self, path: Path) -> None:
        """Make one directory."""
        place = self._remote(path)
        if place is None:
            self._inner.mkdir(path)
            return
        mount, name = place
        with _as_os_error(name):
            # Object stores have none; a folder is there once an object is.
            mount.system.makedirs(name, exist_ok=True)

    def rename(self, source: Path, target: Path) -> None:
        """Rename to a name that does not exist."""
        place = self._remote(target)
        if place is None:
            self._inner.rename(source, target)
            return
        mount, name = place
        with _as_os_error(name):
            if mount.system.exists(name):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), name)
            mount.system.mv(self._name(source), name, recursive=True)

    def replace(self, source: Path, target: Path) -> None:
        """Put a file in the place of another; the store makes the copy whole or not at all."""
        place = self._remote(target)
        if place is None:
            self._inner.replace(source, target)
            return
        mount, name = place
        with _as_os_error(name):
            mount.system.copy(self._name(source), name)
            mount.system.rm_file(self._name(source))

    def _name(self, path: Path) -> str:
        place = self._remote(path)
        if place is None:
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV), str(path))
        return place[1]

    def unlink(self, path: Path) -> None:
        """Remove a file."""
        place = self._remote(path)
        if place is None:
            self._inner.unlink(path)
            return
        with _as_os_error(place[1]):
            place[0].system.rm_file(place[1])

    def rmdir(self, path: Path) -> None:
        """Remove an empty directory."""
        place = self._remote(path)
        if place is None:
            self._inner.rmdir(path)
            return
        # A folder of an object store goes with its last object.
        with contextlib.suppress(FileNotFoundError), _as_os_error(place[1]):
            place[0].system.rmdir(place[1])

    def listing(self, path: Path) -> list[Entry]:
        """List a directory, unsorted."""
        place = self._remote(path)
        if place is None:
            return self._inner.listing(path)
        mount, name = place
        with _as_os_error(name):
            found = mount.system.ls(name, detail=True)
        entries: dict[str, Entry] = {}
        for info in found:
            full = str(info["name"]).rstrip("/")
            last = full.rpartition("/")[2]
            # Some stores keep an empty object under the name of the folder itself.
            if full == name.strip("/") or full == name or not last:
                continue
            directory = info["type"] == "directory"
            entries[last] = Entry(
                name=last,
                is_file=not directory,
                is_directory=directory,
                is_link=bool(info.get("islink", False)),
                size=None if directory else info.get("size"),
            )
        return list(entries.values())

    def status(self, path: Path | str) -> Status:
        """Return what is known of a name."""
        place = self._remote(Path(path))
        if place is None:
            return self._inner.status(path)
        mount, name = place
        with _as_os_error(name):
            info = mount.system.info(name)
        directory = info["type"] == "directory"
        return Status(
            size=int(info.get("size") or 0),
            mtime_ns=_moment_ns(info),
            inode=0,
            device=0,
            is_file=not directory,
            is_directory=directory,
            is_link=bool(info.get("islink", False)),
        )

    def resolved(self, path: Path) -> Path:
        """Return where a name leads; object stores have no links."""
        if self._remote(path) is None:
            return self._inner.resolved(path)
        self.status(path)
        return path

    def free_bytes(self, path: Path) -> int:
        """Return the bytes free; an object store has no limit that could be asked for."""
        if self._remote(path) is None:
            return self._inner.free_bytes(path)
        return 2**63 - 1

    def may_write(self, path: Path) -> bool:
        """Say whether a directory may be written; an object store tells when it is."""
        return self._remote(path) is not None or self._inner.may_write(path)

    def drop_cache(self, file: BinaryIO) -> None:
        """Ask the system to forget what it holds of a file; a new reading is new anyway."""
        if not isinstance(file, _Remote):
            self._inner.drop_cache(file)

    def lock(self, path: Path) -> Callable[[], None] | None:
        """Hold a lock file; on an object store there is none, and nothing is held."""
        if self._remote(path) is None:
            return self._inner.lock(path)
        return lambda: None

    def link(self, source: Path, target: Path) -> None:
        """Give a file a second name on the same file system."""
        if self._remote(source) is None and self._remote(target) is None:
            self._inner.link(source, target)
            return
        raise OSError(errno.ENOTSUP, os.strerror(errno.ENOTSUP), str(target))

    def database(self, path: Path, *, read_only: bool) -> sqlite3.Connection:
        """Open a database in one file, which has to lie on a disk."""
        if self._remote(path) is None:
            return self._inner.database(path, read_only=read_only)
        raise OSError(errno.ENOTSUP, "a database has to lie on a disk", str(path))


class _Remote(io.RawIOBase):
    """A remote file whose errors are those of the operating system."""

    def __init__(self, inner: Any, name: str) -> None:
        super().__init__()
        self._inner = inner
        self._name = name
        self._failed = False

    def readinto(self, buffer: Any, /) -> int:
        with _as_os_error(self._name):
            view = memoryview(buffer).cast("B")
            piece = self._inner.read(len(view))
            view[: len(piece)] = piece
            return len(piece)

    def read(self, size: int | None = -1, /) -> bytes:
        with _as_os_error(self._name):
            return bytes(self._inner.read(-1 if size is None else size))

    def write(self, data: Any, /) -> int:
        try:
            with _as_os_error(self._name):
                self._inner.write(bytes(data))
        except OSError:
            self._failed = True
            raise
        return memoryview(data).nbytes

    def seek(self, offset: int, whence: int = 0, /) -> int:
        with _as_os_error(self._name):
            return int(self._inner.seek(offset, whence))

    def tell(self) -> int:
        return int(self._inner.tell())

    def readable(self) -> bool:
        return bool(self._inner.readable())

    def writable(self) -> bool:
        return bool(self._inner.writable())

    def seekable(self) -> bool:
        return bool(self._inner.seekable())

    def close(self) -> None:
        if not self.closed:
            super().close()
            with _as_os_error(self._name):
                self._inner.close()


@contextlib.contextmanager
def _as_os_error(name: str) -> Iterator[None]:
    """Let nothing but operating-system errors out of the libraries that reach the store."""
    try:
        yield
    except OSError as error:
        if error.errno is None:
            raise OSError(_errno_of(error), str(error) or type(error).__name__, name) from error
        raise
    except (KeyboardInterrupt, SystemExit, MemoryError):
        raise
    # Each of these libraries has an error tree of its own.
    except Exception as error:
        raise OSError(errno.EIO, f"{type(error).__name__}: {error}", name) from error


def _errno_of(error: OSError) -> int:
    if isinstance(error, FileNotFoundError):
        return errno.ENOENT
    if isinstance(error, PermissionError):
        return errno.EACCES
    if isinstance(error, FileExistsError):
        return errno.EEXIST
    return errno.EIO


def _moment_ns(info: dict[str, Any]) -> int:
    for name in ("mtime", "LastModified", "last_modified", "created"):
        found = info.get(name)
        if isinstance(found, datetime):
            return int(found.timestamp() * 1_000_000_000)
        if isinstance(found, (int, float)):
            return int(found * 1_000_000_000)
    return 0
