"""Cut a package into parts that ``cat`` joins, with a list that ``sha256sum -c`` reads.

The list is a file of checksums of the usual form; what else has to be known, order, sizes and
total, stands in comment lines, which checksum programs pass over::

    # lhm-2026-04-18.tar: 5000000000 bytes in 3 parts
    # cat lhm-2026-04-18.tar.???? > lhm-2026-04-18.tar
    # part 1 of 3: 2000000000 bytes
    9f86d081884c7d65...  lhm-2026-04-18.tar.0001

Source: GNU coreutils manual, "md5sum invocation" (the form of a line); the rest is the
house's own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from archiver.errors import MisuseError
from archiver.findings import Where
from archiver.package.names import danger, shown
from archiver.package.package_rules import PARTS_DISAGREE
from archiver.package.refusal import PackageRefusedError
from archiver.package.serialising import Sendable

__all__ = [
    "LIST_ENDING",
    "SMALLEST_PART_BYTES",
    "Listed",
    "Part",
    "PartsList",
    "decode_list",
    "encode_list",
    "part_name",
    "part_of",
    "split",
]

LIST_ENDING = ".sha256"
SMALLEST_PART_BYTES = 1 << 16
_MOST_PARTS = 9999
_PART = re.compile(r"(.+)\.(\d{4})", re.ASCII | re.DOTALL)
_HEAD = re.compile(r"# (.+): (\d{1,20}) bytes in (\d{1,4}) parts?", re.ASCII)
_SIZE = re.compile(r"# part (\d{1,4}) of (\d{1,4}): (\d{1,20}) bytes", re.ASCII)
_LINE = re.compile(r"([0-9a-f]{64})  (.+)", re.ASCII)


def part_name(package: str, number: int) -> str:
    """Name a part, counted from 1; the names sort in their order."""
    return f"{package}.{number:04d}"


def part_of(name: str) -> tuple[str, int] | None:
    """Tell the package and the number by the name of a part; None if it is none."""
    found = _PART.fullmatch(name)
    return (found[1], int(found[2])) if found and int(found[2]) else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """A file of the list.

    Parameters
    ----------
    name : str
        File name.
    size : int
        Bytes.
    sha256 : str
        Lower-case hexadecimal.
    """

    name: str
    size: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsList:
    """What a list of parts says; a package in one file is a list of that one.

    Parameters
    ----------
    package : str
        Name of the joined file.
    parts : tuple of Listed
        In their order.
    """

    package: str
    parts: tuple[Listed, ...]

    @property
    def name(self) -> str:
        """Name of the list's file."""
        return self.package + LIST_ENDING

    @property
    def size(self) -> int:
        """Bytes of the joined file."""
        return sum(part.size for part in self.parts)


class Part:
    """A part of a package, as a stream.

    ``size`` is None where the size of the package is.
    """

    def __init__(self, cut: _Cut, number: int) -> None:
        self._cut = cut
        self.name = part_name(cut.source.name, number)
        self.offset = (number - 1) * cut.part_bytes
        total = cut.source.size
        self._size = None if total is None else min(cut.part_bytes, total - self.offset)

    @property
    def size(self) -> int | None:
        """Bytes of the part."""
        return self._size

    def blocks(self, start: int = 0) -> Iterator[bytes]:
        """Yield the bytes of the part from an offset in it on."""
        return self._cut.blocks(self.offset + start, max(0, self._cut.part_bytes - start))


class _Cut:
    """Reads a package piece after piece, in one go as long as the pieces follow each other."""

    def __init__(self, source: Sendable, part_bytes: int) -> None:
        self.source = source
        self.part_bytes = part_bytes
        self._running: Iterator[bytes] = iter(())
        self._rest = b""
        self._position = -1
        self._read = False
        self._end: int | None = None

    def _seek(self, offset: int) -> None:
        if offset != self._position:
            self._running = self.source.blocks(offset)
            self._rest = b""
            self._read = False
            self._position = offset

    def _more(self) -> bool:
        while not self._rest:
            block = next(self._running, None)
            if block is None:
                # Begun behind the end, a stream does not tell where that is.
                if self._read or not self._position:
                    self._end = self._position
                return False
            self._read = True
            self._rest = bytes(block)
        return True

    def goes_on(self, offset: int) -> bool:
        """Say whether there is a byte at an offset."""
        if self._end is not None:
            return offset < self._end
        self._seek(offset)
        return self._more()

    def blocks(self, offset: int, count: int) -> Iterator[bytes]:
        """Yield so many bytes from an offset on, fewer at the end of the package."""
        while count:
            # Another part may have been read in between.
            self._seek(offset)
            if not self._more():
                return
            block, self._rest = self._rest[:count], self._rest[count:]
            offset += len(block)
            count -= len(block)
            self._position = offset
            yield block


def split(source: Sendable, part_bytes: int) -> Iterator[Part]:
    """Cut a package into parts.

    Parameters
    ----------
    source : Sendable
        The package.
    part_bytes : int
        Of each part but the last.

    Yields
    ------
    Part
        Where the size of the package is not known, take the bytes of each part before the
        next part; otherwise all before it is made once more.

    Raises
    ------
    MisuseError
        The parts would be too small or too many.
    """
    if part_bytes < SMALLEST_PART_BYTES:
        raise MisuseError(
            f"parts of {part_bytes} bytes are too small",
            accepted=f"{SMALLEST_PART_BYTES} bytes and more",
        )
    cut = _Cut(source, part_bytes)
    if source.size is not None:
        count = max(1, -(-source.size // part_bytes))
        if count > _MOST_PARTS:
            raise _too_many(source, part_bytes)
        for number in range(1, count + 1):
            yield Part(cut, number)
        return
    number = 1
    while number == 1 or cut.goes_on((number - 1) * part_bytes):
        if number > _MOST_PARTS:
            raise _too_many(source, part_bytes)
        yield Part(cut, number)
        number += 1


def _too_many(source: Sendable, part_bytes: int) -> MisuseError:
    return MisuseError(
        f"{source.name} makes more than {_MOST_PARTS} parts of {part_bytes} bytes",
        remedy="Choose larger parts",
    )


def encode_list(parts: PartsList) -> bytes:
    """Write the list of a package.

    Raises
    ------
    MisuseError
        The name of the package would need escapes in such a list.
    """
    package = parts.package
    if not package.isprintable() or "\\" in package:
        raise MisuseError(
            f"{shown(package)!r} cannot stand in a list of checksums",
            remedy="Give the bag's directory another name",
        )
    count = len(parts.parts)
    lines = [f"# {package}: {parts.size} bytes in {count} part{'s' if count > 1 else ''}"]
    if parts.parts[0].name != package:
        lines.append(f"# cat {package}.???? > {package}")
    for number, part in enumerate(parts.parts, 1):
        lines.append(f"# part {number} of {count}: {part.size} bytes")
        lines.append(f"{part.sha256}  {part.name}")
    return "".join(f"{line}\n" for line in lines).encode()


def decode_list(name: str, content: bytes) -> PartsList:
    """Read the list of a package.

    Parameters
    ----------
    name : str
        Of the list's file, for the errors.
    content : bytes
        The file.

    Raises
    ------
    PackageRefusedError
        It is no such list, or does not agree with itself.
    """

    def refused(message: str, line: int) -> PackageRefusedError:
        return PackageRefusedError(
            PARTS_DISAGREE.at(
                Where(file=shown(name), line=line),
                message,
                accepted="a list as it was written beside the parts",
            )
        )

    try:
        lines = content.decode().splitlines()
    except UnicodeDecodeError as error:
        raise refused("the list is not UTF-8", 1) from error
    head = _HEAD.fullmatch(lines[0]) if lines else None
    if head is None:
        raise refused("the first line does not name a package, its bytes and its parts", 1)
    package, total, count = head[1], int(head[2]), int(head[3])
    parts: list[Listed] = []
    size: int | None = None
    for number, line in enumerate(lines[1:], 2):
        if said := _SIZE.fullmatch(line):
            if (int(said[1]), int(said[2])) != (len(parts) + 1, count):
                raise refused(f"part {said[1]} of {said[2]} stands out of order", number)
            size = int(said[3])
        elif found := _LINE.fullmatch(line):
            wanted = {part_name(package, len(parts) + 1)} | ({package} if count == 1 else set())
            if size is None or found[2] not in wanted:
                raise refused(f"{shown(found[2])!r} stands out of order", number)
            parts.append(Listed(name=found[2], size=size, sha256=found[1]))
            size = None
        elif not line.startswith("#"):
            raise refused(f"the line says {shown(line[:80])!r}", number)
    if len(parts) != count or sum(part.size for part in parts) != total:
        raise refused(
            f"{count} parts of {total} bytes are announced, {len(parts)} of "
            f"{sum(part.size for part in parts)} are listed",
            1,
        )
    # As it is written: what cannot stand in a list stands in none of ours. A name with a drive is
    # no file beside the list, but one elsewhere.
    if not package.isprintable() or "/" in package or "\\" in package or danger(package):
        raise refused("the name of the package is no file name", 1)
    return PartsList(package=package, parts=tuple(parts))
