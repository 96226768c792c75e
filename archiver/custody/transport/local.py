"""A folder of this machine, or of a drive that is mounted here."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from archiver import files
from archiver.custody.transport.appending import deliver_by_appending
from archiver.custody.transport.far_end import (
    BLOCK_BYTES,
    Arrival,
    Delivery,
    Held,
    Verified,
    final_name,
    partial_name,
)
from archiver.custody.transport.reading_back import compare_by_reading
from archiver.custody.transport.refusals import forbidden, taken
from archiver.errors import MisuseError, SurroundingsError

__all__ = ["LocalFolder"]

_CHUNK_BYTES = 1 << 20


class LocalFolder:
    """A folder reached by the file system.

    Parameters
    ----------
    root : Path
        The folder; it has to be there.
    chunk_bytes : int, optional
        How much is written at a time.
    """

    def __init__(self, root: Path, *, chunk_bytes: int | None = None) -> None:
        self._root = root
        self.chunk_bytes = chunk_bytes or _CHUNK_BYTES
        self._open: tuple[Path, BinaryIO] | None = None

    def _path(self, folder: str, name: str) -> Path:
        return self._root.joinpath(*filter(None, folder.split("/")), name)

    def url_of(self, folder: str, name: str) -> str:
        """Return how messages call a file there."""
        return str(self._path(folder, name))

    def reach(self) -> None:
        """Make sure that the folder is there: a drive that is not mounted must not be filled."""
        if not files.exists(self._root):
            raise SurroundingsError(
                "there is no such folder, and none is made",
                where=str(self._root),
                remedy="Check the name and that the disk it lies on is connected; for a new "
                "place make the folder first",
            )
        if not files.status(files.resolved(self._root)).is_directory:
            raise MisuseError(
                "is not a directory",
                where=str(self._root),
                accepted="a folder that is there, or a URL",
            )

    def require_open(self, needed: int | None) -> None:
        """Refuse if this user may not write there, or so many bytes do not fit."""
        if not files.may_write(self._root):
            raise forbidden(str(self._root), "written")
        if needed is not None:
            self._require_room(self._root, needed)

    def leave(self) -> None:
        """Close what is open."""
        if self._open is not None:
            _, file = self._open
            self._open = None
            file.close()

    def size_of(self, folder: str, name: str) -> int | None:
        """Return the size in bytes of a file; None if the name is free."""
        path = self._path(folder, name)
        if not files.exists(path):
            return None
        found = files.status(path)
        if not found.is_file:
            raise MisuseError(
                "is there already, and is no file",
                where=str(path),
                remedy="Choose another name, or move it away",
            )
        return found.size

    def read(self, folder: str, name: str, start: int) -> Iterator[bytes]:
        """Yield the bytes of a file from an offset on, from the medium where the system can."""
        path = self._path(folder, name)
        files.drop_cache(path)
        with (
            files.open_read(path, buffering=0, follow=False) as file,
            files.translated(path, "read"),
        ):
            file.seek(start)
            while block := file.read(BLOCK_BYTES):
                yield block

    def make_room(self, folder: str, lacking: int | None) -> None:
        """Make the folder, and refuse if so many bytes do not fit."""
        path = self._path(folder, "")
        missing = []
        above = path
        while not files.exists(above):
            missing.append(above)
            above = above.parent
        files.make_directory(path)
        for made in missing:
            # Or a power failure could take the folder, with all that was verified in it.
            files.flush_directory(made.parent)
        if lacking is not None:
            self._require_room(path, lacking)

    def _require_room(self, path: Path, lacking: int) -> None:
        free = files.free_bytes(path)
        if free < lacking:
            raise SurroundingsError(
                f"has room for {free} bytes; {lacking} are to be written",
                where=str(path),
                remedy="Free some space or choose another place, then run again",
            )

    def write(self, folder: str, name: str, offset: int, chunk: bytes) -> int:
        """Write a chunk, making the file if need be."""
        path = self._path(folder, name)
        if self._open is None or self._open[0] != path:
            self.leave()
            self._open = path, files.reopen(path) if files.exists(path) else files.create(path)
        file = self._open[1]
        with files.translated(path, "written"):
            there = file.seek(0, 2)
            if there < offset:
                return there
            file.seek(offset)
            file.write(chunk)
        return offset + len(chunk)

    def complete(self, folder: str, name: str, size: int) -> None:
        """Bring a file of this size to the medium and close it; cut off what is longer."""
        path = self._path(folder, name)
        self.write(folder, name, size, b"")
        if self._open is not None:
            file = self._open[1]
            with files.translated(path, "written"):
                file.truncate(size)
            files.flush_file(file, path)
        self.leave()

    def put_in_place(self, folder: str, name: str, final: str) -> None:
        """Rename to a name that is free."""
        target = self._path(folder, final)
        if files.exists(target):
            raise taken(str(target))
        files.rename_new(self._path(folder, name), target)
        files.flush_directory(target.parent)

    def remove(self, folder: str, name: str) -> None:
        """Remove a file; absence is fine."""
        self.leave()
        files.discard(self._path(folder, name))

    def listing(self, folder: str) -> list[Held]:
        """List a folder, leftovers included; a folder that is not there is empty."""
        path = self._path(folder, "")
        if not files.exists(path):
            return []
        return [
            Held(
                name=final_name(entry.name) or entry.name,
                size=entry.size,
                is_folder=entry.is_directory,
                unfinished=final_name(entry.name) is not None,
            )
            for entry in files.entries(path)
        ]

    def remove_unfinished(self, folder: str, name: str) -> int:
        """Remove what an unfinished delivery of a name left; return how many leftovers."""
        partial = partial_name(name)
        if self.size_of(folder, partial) is None:
            return 0
        self.remove(folder, partial)
        return 1

    def remove_empty(self, folder: str) -> None:
        """Remove a folder below the place, if nothing lies in it."""
        path = self._path(folder, "")
        if folder and files.exists(path) and not files.entries(path):
            files.discard(path)

    def compare(self, delivery: Delivery, size: int) -> Arrival:
        """Compare what is held under the final name with what would be sent."""
        return compare_by_reading(self, delivery, size)

    def deliver(self, delivery: Delivery) -> Verified:
        """Send, verify, and only then put under the final name."""
        try:
            return deliver_by_appending(self, delivery)
        finally:
            self.leave()
