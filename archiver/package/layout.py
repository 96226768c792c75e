"""Where every byte of a serialised bag comes from, known before the first is read.

A layout is the list of members in the order of their names, each with its offset; so the
stream has an exact size and can be begun anywhere. Files are read as they are sent, watched
for change, and compared with what the bag's manifests say of them.
"""

from __future__ import annotations

import bisect
import contextlib
import itertools
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Protocol

from archiver import files
from archiver.errors import InputError, IntegrityError, MisuseError, SurroundingsError
from archiver.package.hashing_beside import HashingBeside

__all__ = ["READ_BYTES", "FileSource", "Frame", "Layout", "Member", "joined", "read_source"]

READ_BYTES = 1 << 20
"""Large enough that handing a block from thread to thread costs nothing beside hashing it."""
_FEW_BYTES = 1 << 18
"""Below this blocks are joined, so that ten thousand small files are not as many small sends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FileSource:
    """A file of the bag, as it was when the layout was made.

    ``algorithm`` as :mod:`hashlib` names it, and ``checksum``; both empty if no manifest
    lists the file.
    """

    place: str
    status: files.Status
    algorithm: str = ""
    checksum: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One entry of the package.

    Parameters
    ----------
    path : str
        In the package, from the top directory on, with ``/``; a directory ends in ``/``.
    size : int
        Bytes of content.
    source : FileSource or bytes
        The content; empty bytes for a directory.
    """

    path: str
    size: int
    source: FileSource | bytes = b""

    @property
    def is_directory(self) -> bool:
        """Whether it is a directory."""
        return self.path.endswith("/")


class Frame(Protocol):
    """What a form puts around the content of the members."""

    def prepare(self, members: Sequence[Member]) -> None:
        """Find out what has to be known before the first byte."""

    def length_before(self, member: Member) -> int:
        """Return the length of what stands before the content; it never changes."""

    def before(self, member: Member) -> bytes:
        """Return what stands before the content."""

    def after(self, member: Member) -> bytes:
        """Return what stands behind the content."""

    def end(self, members: Sequence[Member], offsets: Sequence[int], position: int) -> bytes:
        """Return what stands behind all members, which begin at ``offsets``."""


class Layout:
    """A serialised bag without compression.

    Parameters
    ----------
    name : str
        File name of the package.
    members : sequence of Member
        In their order.
    frame : Frame
        Of the form.
    on_bytes : callable, optional
        Called with the number of bytes of the bag that were read.
    """

    def __init__(
        self,
        name: str,
        members: Sequence[Member],
        frame: Frame,
        *,
        on_bytes: Callable[[int], object] | None = None,
    ) -> None:
        self.name = name
        self._members = members
        self._frame = frame
        self._on_bytes = on_bytes
        lengths = (
            frame.length_before(member) + member.size + len(frame.after(member))
            for member in members
        )
        *self._offsets, self._content_end = itertools.accumulate(lengths, initial=0)
        self._size = self._content_end + len(frame.end(members, self._offsets, self._content_end))

    @property
    def size(self) -> int:
        """Bytes of the package, exactly."""
        return self._size

    def blocks(self, start: int = 0) -> Iterator[bytes]:
        """Yield the bytes of the package from an offset on.

        Raises
        ------
        InputError
            A file of the bag is not as it was when the layout was made.
        IntegrityError
            A file is not what the manifest says, or cannot be read to its end. A file that
            the offset lies in is not compared.
        """
        self._frame.prepare(self._members)
        with contextlib.closing(self._pieces(start)) as pieces:
            yield from joined(pieces)

    def _pieces(self, start: int) -> Generator[bytes]:
        first = max(0, bisect.bisect_right(self._offsets, start) - 1)
        with HashingBeside() as hashing:
            for member, offset in zip(self._members[first:], self._offsets[first:], strict=True):
                head = self._frame.before(member)
                skip = max(0, start - offset)
                yield head[skip:]
                yield from self._content(member, max(0, skip - len(head)), hashing)
                tail = self._frame.after(member)
                yield tail[max(0, skip - len(head) - member.size) :]
        end = self._frame.end(self._members, self._offsets, self._content_end)
        yield end[max(0, start - self._content_end) :]

    def _content(self, member: Member, skip: int, hashing: HashingBeside) -> Iterator[bytes]:
        if isinstance(member.source, bytes):
            yield member.source[skip:]
        elif skip < member.size or not member.size:
            for block in read_source(member.source, skip, hashing):
                if self._on_bytes is not None:
                    self._on_bytes(len(block))
                yield block


def joined(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """Join small pieces to blocks of some size; large ones pass as they are."""
    small = bytearray()
    for piece in pieces:
        if len(piece) < _FEW_BYTES:
            small += piece
            if len(small) >= _FEW_BYTES:
                yield bytes(small)
                small.clear()
            continue
        if small:
            yield bytes(small)
            small.clear()
        yield piece
    if small:
        yield bytes(small)


def read_source(source: FileSource, skip: int, hashing: HashingBeside) -> Iterator[bytes]:
    """Read a file of the bag and see that it is what it was.

    Raises
    ------
    InputError, IntegrityError, SurroundingsError
        As :meth:`Layout.blocks` says.
    """
    place = source.place
    size = source.status.size
    compare = bool(source.checksum) and not skip
    position = skip
    try:
        file = files.open_read(place, buffering=0, follow=False)
    except SurroundingsError:
        require_unchanged(source)
        raise
    with file:
        if skip:
            with files.translated(place, "read"):
                file.seek(skip)
        if compare:
            hashing.begin(source.algorithm, size)
        while position < size:
            block = _read(file, place, position, min(READ_BYTES, size - position))
            if not block:
                raise _changed(place, f"it ends after {position} of its {size} bytes")
            position += len(block)
            if compare:
                hashing.update(block)
            yield block
    require_unchanged(source)
    if compare and (found := hashing.digest()) != source.checksum:
        raise IntegrityError(
            f"the {source.algorithm} checksum is {found}, the manifest says {source.checksum}",
            where=place,
            remedy="Do not send this bag: verify it, and repair it from another copy",
        )


def require_unchanged(source: FileSource) -> None:
    """See that a file is the same and was not written to since the layout was made."""
    try:
        now = files.status(source.place)
    except (SurroundingsError, MisuseError):
        if files.exists(Path(source.place)):
            raise
        raise _changed(source.place, "it is gone") from None
    was = source.status
    if not now.is_file or (now.device, now.inode) != (was.device, was.inode):
        raise _changed(source.place, "it is another file")
    if now.size != was.size:
        raise _changed(source.place, f"its size went from {was.size} to {now.size} bytes")
    if now.mtime_ns != was.mtime_ns:
        raise _changed(source.place, "it was written to")


def _read(file: BinaryIO, place: str, position: int, count: int) -> bytes:
    try:
        return file.read(count)
    except OSError as error:
        raise IntegrityError(
            f"cannot be read past byte {position} ({error.strerror})",
            where=place,
            remedy="The medium may be failing: copy what can be read, and use another copy",
        ) from error


def _changed(place: str, what: str) -> InputError:
    return InputError(
        f"changed while the bag was packed: {what}",
        where=place,
        remedy="A bag is not written to: find out which program did, verify the bag, then try again",
    )
