"""Write a package to a folder: in one file or in parts, and a list of checksums beside it.

All is written under temporary names, flushed and read back; the list gets its name last, so
that where it stands, everything stands.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from archiver import files
from archiver.errors import ArchiverError, MisuseError, SurroundingsError
from archiver.package.destination import make_destination
from archiver.package.hashing_beside import HashingBeside
from archiver.package.parts import LIST_ENDING, Listed, PartsList, encode_list, split
from archiver.package.serialising import Sendable, Serialised
from archiver.package.settling import Settler

__all__ = ["Stored", "close_quietly", "store"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """A package that was written.

    Parameters
    ----------
    folder : Path
        Where its files lie.
    listed : PartsList
        Its files, in order, with sizes and digests.
    """

    folder: Path
    listed: PartsList


def store(
    serialised: Serialised,
    to: Path,
    *,
    part_bytes: int | None = None,
) -> Stored:
    """Write a package and its list of checksums.

    Parameters
    ----------
    serialised : Serialised
        The package.
    to : Path
        Directory; made if it is missing.
    part_bytes : int, optional
        Cut it into parts of so many bytes; a package that fits into one is not cut.

    Raises
    ------
    MisuseError
        A file of this name exists, or another run writes it.
    IntegrityError
        A file of the bag is not what its manifests say, or what is read back is not what
        was written.
    SurroundingsError
        No space, no permission. In all cases nothing is left.
    """
    with contextlib.ExitStack() as undo, contextlib.ExitStack() as stack:
        make_destination(to, undo, "a folder for the package")
        stack.enter_context(
            files.lock(
                to / f".{serialised.name}.lock",
                busy=MisuseError(
                    "another run is writing this package at this moment",
                    where=str(to / serialised.name),
                    remedy="Wait until it has ended",
                ),
            )
        )
        _require_free_name(serialised.name, to)
        if serialised.size is not None:
            _require_space(to, serialised.size)
        written = _Written(to)
        stack.callback(written.discard)
        for one in _pieces(serialised, part_bytes):
            written.write(one)
        listed = written.listed(serialised.name)
        written.finish(encode_list(listed), listed)
        undo.pop_all()
        return Stored(folder=to, listed=listed)


def _pieces(serialised: Serialised, part_bytes: int | None) -> Iterator[Sendable]:
    if part_bytes is None or (serialised.size is not None and serialised.size <= part_bytes):
        yield serialised
    else:
        yield from split(serialised, part_bytes)


def _require_free_name(package: str, to: Path) -> None:
    ours = re.compile(rf"{re.escape(package)}(\.\d{{4}}|{re.escape(LIST_ENDING)})?", re.ASCII)
    unfinished = re.compile(rf"\.({ours.pattern})\.[0-9a-f]+\.unfinished", re.ASCII)
    for entry in files.entries(to):
        if ours.fullmatch(entry.name):
            raise MisuseError(
                "a file of this name exists already, and no package is ever overwritten",
                where=str(to / entry.name),
                remedy="Choose another folder, or move the existing one away",
            )
        # The lock is held, so the run that made these has ended.
        if unfinished.fullmatch(entry.name):
            files.discard(to / entry.name)


def _require_space(to: Path, needed_bytes: int) -> None:
    free = files.free_bytes(to)
    if free < needed_bytes:
        raise SurroundingsError(
            f"the package needs {needed_bytes} bytes and {free} are free",
            where=str(to),
            remedy=f"Free at least {needed_bytes - free} bytes or choose another folder",
        )


class _Written:
    """The files of a package under their temporary names."""

    def __init__(self, to: Path) -> None:
        self._to = to
        self._stack = contextlib.ExitStack()
        self._settler = self._stack.enter_context(Settler())
        self._files: list[tuple[Path, Listed]] = []
        self._left: list[Path] = []

    def write(self, one: Sendable) -> None:
        """Write one file; it is flushed and read back beside the writing of the next."""
        place = files.temporary_sibling(self._to / one.name)
        size = unflushed = 0
        with contextlib.ExitStack() as ours, HashingBeside() as hashing:
            self._left.append(place)
            file = files.create(place)
            ours.callback(close_quietly, file)
            hashing.begin("sha256", one.size)
            for block in one.blocks():
                hashing.update(block)
                with files.translated(place, "written"):
                    file.write(block)
                size += len(block)
                unflushed = self._settler.early(file, place, unflushed + len(block))
            digest = hashing.digest()
            ours.pop_all()
        self._settler.settle(file, place, ("sha256", digest))
        self._files.append((place, Listed(name=one.name, size=size, sha256=digest)))

    def listed(self, package: str) -> PartsList:
        """List what was written; a single part is the package itself."""
        parts = tuple(listed for _, listed in self._files)
        if len(parts) == 1:
            parts = (Listed(name=package, size=parts[0].size, sha256=parts[0].sha256),)
        return PartsList(package=package, parts=parts)

    def finish(self, content: bytes, listed: PartsList) -> None:
        """Wait until all was read back, then give all files their names, the list last."""
        self._settler.finish()
        names = [self._to / part.name for part in listed.parts]
        try:
            for (place, _), name in zip(self._files, names, strict=True):
                files.rename_new(place, name)
            # Or a power failure could keep the name of the list and lose the others.
            files.flush_directory(self._to)
            files.write_whole(self._to / listed.name, content)
        except BaseException:
            # Only what is ours: where the temporary file still lies, the name is another's.
            self._left += [
                name
                for (place, _), name in zip(self._files, names, strict=True)
                if not files.exists(place)
            ]
            # That nobody else's list had this name was seen under the lock.
            self._left.append(self._to / listed.name)
            raise
        self._left.clear()

    def discard(self) -> None:
        """Close what is open and remove what has not got its name."""
        self._stack.close()
        for place in self._left:
            with contextlib.suppress(ArchiverError):
                files.discard(place)


def close_quietly(file: BinaryIO) -> None:
    """Close a file whose content no longer matters: an error is already on its way."""
    with contextlib.suppress(OSError):
        file.close()
