"""Read a package, in one file or in parts, as one stream that nothing is taken on trust from.

Parts are read one behind the other where they lie; no second copy is made of them.

Sources of the marks by which a form is known: RFC 1952 (gzip), RFC 8878 (Zstandard), PKWARE
APPNOTE 6.3.10 (zip), POSIX.1-2017 pax (tar).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

from archiver import files
from archiver.errors import IntegrityError, MisuseError
from archiver.findings import Rule, Where
from archiver.package.form import Form, form_of_name
from archiver.package.names import shown
from archiver.package.package_rules import (
    FORM_DISAGREES,
    FORM_UNKNOWN,
    TRUNCATED,
)
from archiver.package.refusal import PackageDamagedError, PackageRefusedError

__all__ = ["ByteStream", "Entry", "Incoming"]

_READ_BYTES = 1 << 18
_GZIP = b"\x1f\x8b"
_ZSTD = b"\x28\xb5\x2f\xfd"
_ZIP = (b"PK\x03\x04", b"PK\x05\x06")
_TAR_MAGIC_OFFSET = 257


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A file or directory of a package, as it was read.

    Parameters
    ----------
    name : str
        Not judged yet.
    is_directory : bool
        Whether it is a directory.
    size : int
        Bytes announced.
    blocks : callable
        Gives the content, exactly ``size`` bytes; to be called before the next entry.
    """

    name: str
    is_directory: bool
    size: int
    blocks: Callable[[], Iterator[bytes]]


class Incoming:
    """The files of a package as one; use as a context manager.

    Parameters
    ----------
    paths : sequence of Path
        The package, or its parts in order.

    Raises
    ------
    MisuseError
        A path is no file.
    SurroundingsError
        A path does not exist or cannot be opened.
    """

    def __init__(self, paths: Sequence[Path]) -> None:
        if not paths:
            raise MisuseError("no package was named", accepted="a package or its parts")
        self.paths = tuple(paths)
        self.name = shown(paths[0].name)
        self._ends: list[int] = []
        end = 0
        for path in self.paths:
            status = files.status(files.resolved(path))
            if not status.is_file:
                raise MisuseError(
                    "is not a file",
                    where=str(path),
                    accepted="a package: tar, tar.gz, tar.zst or zip",
                )
            end += status.size
            self._ends.append(end)
        self.size = end
        self._open: BinaryIO | None = None
        self._index = -1

    def __enter__(self) -> Self:
        """Begin."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close what is open."""
        if self._open is not None:
            self._open.close()
            self._open = None

    def damaged(
        self, rule: Rule, message: str, *, field: str = "", offset: int | None = None
    ) -> PackageDamagedError:
        """Make the error of a package that is not what was packed."""
        where = Where(file=self.name, field=shown(field[:300]), offset_bytes=offset)
        return PackageDamagedError(rule.at(where, message))

    def refused(
        self,
        rule: Rule,
        message: str,
        *,
        field: str = "",
        offset: int | None = None,
        accepted: str = "",
    ) -> PackageRefusedError:
        """Make the error of a package that is not taken."""
        where = Where(file=self.name, field=shown(field[:300]), offset_bytes=offset)
        return PackageRefusedError(rule.at(where, message, accepted=accepted))

    def read_at(self, offset: int, count: int) -> bytes:
        """Read exactly ``count`` bytes at an offset.

        Raises
        ------
        PackageDamagedError
            There are not so many.
        """
        content = bytearray()
        while len(content) < count:
            piece = self._some(offset + len(content), count - len(content))
            if not piece:
                raise self.damaged(
                    TRUNCATED,
                    f"the package ends at byte {self.size}, {count - len(content)} bytes short",
                    offset=offset,
                )
            content += piece
        return bytes(content)

    def blocks(self, start: int = 0, end: int | None = None) -> Iterator[bytes]:
        """Yield the bytes from one offset to another, to the end of the package by default."""
        end = self.size if end is None else end
        while start < end:
            block = self._some(start, min(_READ_BYTES, end - start))
            if not block:
                raise self.damaged(TRUNCATED, "the package became shorter while it was read")
            start += len(block)
            yield block

    def _some(self, offset: int, count: int) -> bytes:
        index = next((i for i, end in enumerate(self._ends) if offset < end), None)
        if index is None:
            return b""
        path = self.paths[index]
        begin = self._ends[index - 1] if index else 0
        if index != self._index or self._open is None:
            if self._open is not None:
                self._open.close()
            self._open = files.open_read(path, buffering=0)
            self._index = index
        try:
            self._open.seek(offset - begin)
            return self._open.read(min(count, self._ends[index] - offset))
        except OSError as error:
            raise IntegrityError(
                f"cannot be read past byte {offset - begin} ({error.strerror})",
                where=str(path),
                remedy="The medium may be failing: ask for the package once more",
            ) from error

    def form(self) -> Form:
        """Tell the form by the content, and see that the name says no other.

        Raises
        ------
        PackageRefusedError
            It is no form that is taken, or the name says another one.
        """
        head = self.read_at(0, min(self.size, 512))
        found: Form | None = None
        if head.startswith(_GZIP):
            found = Form.TAR_GZ
        elif head.startswith(_ZSTD):
            found = Form.TAR_ZST
        elif head.startswith(_ZIP):
            found = Form.ZIP
        elif head[_TAR_MAGIC_OFFSET : _TAR_MAGIC_OFFSET + 5] == b"ustar":
            found = Form.TAR
        accepted = "tar, tar.gz, tar.zst, zip"
        said = form_of_name(_without_number(self.paths[0].name))
        if found is None:
            if said is not None and (not self.size or len(head) < 512):
                raise self.damaged(TRUNCATED, f"the package holds {self.size} bytes only")
            if said is not None:
                raise self.damaged(
                    FORM_UNKNOWN, f"the content is no {said}, as the name says", offset=0
                )
            raise self.refused(FORM_UNKNOWN, "the form is not known", accepted=accepted)
        if said not in {None, found}:
            raise self.refused(
                FORM_DISAGREES, f"the name says {said}, the content is {found}", accepted=accepted
            )
        return found


def _without_number(name: str) -> str:
    stem, _, number = name.rpartition(".")
    return stem if stem and number.isascii() and number.isdecimal() else name


class ByteStream:
    """Takes exact numbers of bytes from blocks.

    Parameters
    ----------
    blocks : iterator of bytes
        Of any length.
    incoming : Incoming
        Where they come from.
    """

    def __init__(self, blocks: Iterator[bytes], incoming: Incoming) -> None:
        self._blocks = blocks
        self._incoming = incoming
        self._rest = memoryview(b"")
        self.position = 0

    def some(self, most: int) -> memoryview:
        """Take at least one byte; none at the end."""
        while not self._rest:
            block = next(self._blocks, None)
            if block is None:
                return self._rest
            self._rest = memoryview(block)
        taken, self._rest = self._rest[:most], self._rest[most:]
        self.position += len(taken)
        return taken

    def exactly(self, count: int) -> bytes:
        """Take a number of bytes.

        Raises
        ------
        PackageDamagedError
            There are not so many.
        """
        taken = self.some(count)
        if len(taken) == count:
            return bytes(taken)
        content = bytearray(taken)
        while len(content) < count:
            more = self.some(count - len(content))
            if not more:
                raise self._incoming.damaged(
                    TRUNCATED,
                    f"the package ends at byte {self.position} of what it holds, "
                    f"{count - len(content)} bytes short",
                )
            content += more
        return bytes(content)

    def pieces(self, count: int) -> Iterator[bytes]:
        """Take a number of bytes, piece by piece."""
        while count:
            piece = self.some(count)
            if not piece:
                raise self._incoming.damaged(
                    TRUNCATED,
                    f"the package ends at byte {self.position} of what it holds, {count} bytes "
                    "short of a file",
                )
            count -= len(piece)
            yield bytes(piece)
