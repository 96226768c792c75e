"""Read a tar header by header and take nothing but files and directories.

Not with :mod:`tarfile`: it leaves out, without a word, an entry whose header is damaged, and
knows many kinds of entry that are none of a bag's.

Source: POSIX.1-2017, pax, "pax Interchange Format" and "ustar Interchange Format"; the GNU
headers of long names and sizes are common practice (GNU tar manual, "Basic Tar Format").
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NoReturn

from archiver.findings import Rule
from archiver.package.incoming import ByteStream, Entry, Incoming
from archiver.package.package_rules import (
    END_MISSING,
    HEADER_CHAIN,
    HEADER_DAMAGED,
    HEADER_FIELD,
    HEADERS_DISAGREE,
    KIND_DEVICE,
    KIND_HARD_LINK,
    KIND_LINK,
    KIND_PIPE,
    KIND_SPARSE,
    KIND_UNKNOWN,
    NAME_ENCODING,
    NAME_NUL,
    SIZE_IMPOSSIBLE,
    TRAILING_DATA,
    TRUNCATED,
)

__all__ = ["read_tar"]

_BLOCK = 512
_EMPTY = bytes(_BLOCK)
_LONGEST_EXTENDED = 1 << 20
_LARGEST = 1 << 62
_LARGEST_OCTAL = 8**11 - 1
# Of mode, owner, group, time and device nothing is made here. But a reader that cannot read one
# of them may leave out the entry, and all behind it, without a word; tarfile of Python does.
_OTHER_NUMBERS = ((100, 108), (108, 116), (116, 124), (136, 148), (329, 337), (337, 345))
# A NUL ends a number; of digits behind it some readers would make something.
_OCTAL = re.compile(rb" *([0-7]*)[ \0]*")
_GNU_MAGIC = b"ustar  \x00"
_MAGICS = {b"ustar\x0000", _GNU_MAGIC}
_REFUSED = {
    b"1": (KIND_HARD_LINK, "a hard link"),
    b"2": (KIND_LINK, "a symbolic link"),
    b"3": (KIND_DEVICE, "a character device"),
    b"4": (KIND_DEVICE, "a block device"),
    b"6": (KIND_PIPE, "a named pipe"),
    b"7": (KIND_UNKNOWN, "a contiguous file"),
    b"K": (KIND_LINK, "the long name of a link"),
    b"S": (KIND_SPARSE, "a sparse file"),
    b"M": (KIND_UNKNOWN, "the rest of a file of another volume"),
    b"V": (KIND_UNKNOWN, "the name of a volume"),
    b"D": (KIND_UNKNOWN, "the list of a directory"),
}
# What an extended header may not say for all entries behind it.
_NOT_GLOBAL = ("path", "size", "linkpath", "hdrcharset")


@dataclass(slots=True)
class _Extended:
    """What the headers before an entry say of it."""

    path: str | None = None
    size: int | None = None
    long_name: str | None = None

    def __bool__(self) -> bool:
        return any(value is not None for value in (self.path, self.size, self.long_name))


def read_tar(blocks: Iterator[bytes], incoming: Incoming) -> Iterator[Entry]:
    """Yield the entries of a tar; the content of each is to be taken before the next.

    Raises
    ------
    PackageRefusedError
        An entry is of a kind that is not taken, or says things twice in different ways.
    PackageDamagedError
        A header disagrees with its checksum, or the end is not there.
    """
    return _Reader(ByteStream(blocks, incoming), incoming).entries()


class _Reader:
    def __init__(self, stream: ByteStream, incoming: Incoming) -> None:
        self._stream = stream
        self._incoming = incoming
        self._left = 0

    def entries(self) -> Iterator[Entry]:
        """Yield entry after entry, then look at what stands behind them."""
        extended = _Extended()
        seen: set[bytes] = set()
        while (header := self._header()) is not None:
            kind = header[156:157]
            size = self._number(header[124:136], "size")
            if kind in {b"x", b"g", b"L"}:
                if kind in seen or seen & {b"x", b"L"}:
                    self._refuse(HEADER_CHAIN, "there is a second extended header of one entry")
                seen.add(kind)
                self._extend(kind, self._extension(size), extended)
                continue
            plain = self._plain_name(header)
            name = self._name(plain, extended)
            size = self._size(size, extended, name)
            self._refuse_kind(kind, name)
            # Some readers ask the plain name what an entry of no kind is, others the long one.
            if kind == b"\0" and name.endswith("/") is not plain.endswith(b"/"):
                self._refuse(HEADERS_DISAGREE, "only one of two names is a directory's", name)
            is_directory = kind == b"5" or (kind == b"\0" and name.endswith("/"))
            if is_directory and size:
                self._refuse(HEADER_FIELD, f"a directory announces {size} bytes", name)
            if not is_directory and name.endswith("/"):
                self._refuse(HEADERS_DISAGREE, "a file has the name of a directory", name)
            # "./" as tar writes it for what it was called in: no entry of the package.
            name = _without_here(name)
            if name or not is_directory:
                self._left = size
                yield Entry(name=name, is_directory=is_directory, size=size, blocks=self._content)
                for _ in self._content():
                    pass
                self._padding(size)
            extended, seen = _Extended(), set()
        if extended or seen & {b"x", b"L"}:
            raise self._incoming.damaged(TRUNCATED, "an extended header has no entry behind it")
        self._end()

    def _content(self) -> Iterator[bytes]:
        while self._left:
            for piece in self._stream.pieces(self._left):
                self._left -= len(piece)
                yield piece

    def _header(self) -> bytes | None:
        """Read a header; None at the first empty block of the end."""
        header = self._stream.exactly(_BLOCK)
        if header == _EMPTY:
            return None
        said = self._number(header[148:156], "checksum")
        if said != sum(header) - sum(header[148:156]) + 8 * 32:
            raise self._incoming.damaged(
                HEADER_DAMAGED,
                f"the header says the checksum {said} and does not have it",
                offset=self._stream.position - _BLOCK,
            )
        if header[257:265] not in _MAGICS:
            self._refuse(HEADER_FIELD, "the header is of no kind that is known")
        for begin, end in _OTHER_NUMBERS:
            # In base 256, as GNU tar writes what is large or, like days before 1970, negative.
            if header[begin] not in {0x80, 0xFF} and not _OCTAL.fullmatch(header, begin, end):
                field = header[begin:end]
                self._refuse(HEADER_FIELD, f"{field!r} at byte {begin} is no octal number")
        return header

    def _end(self) -> None:
        first = self._stream.some(1)
        if not first:
            raise self._incoming.damaged(END_MISSING, "one of the two blocks of the end is missing")
        content = bytes(first) + self._stream.exactly(_BLOCK - 1)
        if content != _EMPTY:
            self._refuse(TRAILING_DATA, "an empty block stands before further entries")
        while piece := self._stream.some(1 << 18):
            if bytes(piece).strip(b"\0"):
                self._refuse(TRAILING_DATA, "there is something behind the end")

    def _padding(self, size: int) -> None:
        if size % _BLOCK:
            self._stream.exactly(-size % _BLOCK)

    def _extension(self, size: int) -> bytes:
        if size > _LONGEST_EXTENDED:
            self._refuse(
                HEADER_FIELD, f"an extended header of {size} bytes is larger than {1 << 20}"
            )
        content = self._stream.exactly(size)
        self._padding(size)
        return content

    def _extend(self, kind: bytes, content: bytes, extended: _Extended) -> None:
        if kind == b"L":
            extended.long_name = self._text(content.rstrip(b"\0") if content else b"")
            return
        records = self._records(content)
        for key, value in records.items():
            if kind == b"g" and key in _NOT_GLOBAL:
                self._refuse(HEADER_FIELD, f"{key!r} is said of all entries at once")
            if key.startswith("GNU.sparse."):
                self._refuse(KIND_SPARSE, "an entry is a sparse file")
            if key == "linkpath":
                self._refuse(KIND_LINK, "an entry is a link")
            if key == "hdrcharset" and value != b"ISO-IR 10646 2000 UTF-8":
                self._refuse(NAME_ENCODING, "the names are said not to be UTF-8")
            if key == "path":
                extended.path = self._text(value)
            if key == "size":
                extended.size = self._decimal(value)

    def _records(self, content: bytes) -> dict[str, bytes]:
        records: dict[str, bytes] = {}
        begin = 0
        # Never by cutting off what is read: a header of many records would be copied as often.
        while begin < len(content):
            # The length counts itself; nine digits are more than any header may hold.
            length_text, blank, _ = content[begin : begin + 10].partition(b" ")
            if not blank or not length_text.isdigit():
                self._refuse(HEADER_FIELD, "a record of an extended header has no length")
            end = begin + int(length_text)
            record = content[begin + len(length_text) + 1 : end]
            key, equals, value = record[:-1].partition(b"=")
            if end > len(content) or not record.endswith(b"\n") or not equals or not key:
                self._refuse(HEADER_FIELD, "a record of an extended header is malformed")
            text = self._text(key)
            if text in records:
                self._refuse(HEADERS_DISAGREE, f"an extended header says {text!r} twice")
            records[text] = value
            begin = end
        return records

    def _plain_name(self, header: bytes) -> bytes:
        plain = self._ended(header[:100])
        if header[257:265] == _GNU_MAGIC:
            # GNU tar keeps times there in archives of another use; some readers take a prefix.
            if any(header[345:500]):
                self._refuse(HEADER_FIELD, "something stands where others have a prefix")
        elif prefix := self._ended(header[345:500]):
            plain = prefix + b"/" + plain
        return plain

    def _name(self, plain: bytes, extended: _Extended) -> str:
        if extended.path is not None:
            return extended.path
        if extended.long_name is not None:
            return extended.long_name
        return self._text(plain)

    def _ended(self, field: bytes) -> bytes:
        text, _, rest = field.partition(b"\0")
        if any(rest):
            self._refuse(NAME_NUL, "a name goes on behind a NUL character", ascii(field))
        return text

    def _size(self, size: int, extended: _Extended, name: str) -> int:
        if extended.size is None:
            return size
        # Readers that do not know the extended header must come out at the same place.
        if extended.size <= _LARGEST_OCTAL and size != extended.size:
            self._refuse(
                HEADERS_DISAGREE,
                f"the size is {size} in the header and {extended.size} before it",
                name,
            )
        return extended.size

    def _refuse_kind(self, kind: bytes, name: str) -> None:
        if kind in {b"0", b"\0", b"5"}:
            return
        rule, what = _REFUSED.get(kind, (KIND_UNKNOWN, f"of the unknown kind {kind!r}"))
        self._refuse(rule, f"the entry is {what}", name)

    def _number(self, field: bytes, what: str) -> int:
        """Read a number in octal digits, or in base 256 as GNU tar writes large ones."""
        if field[0] & 0x80:
            if field[0] & 0x40:
                self._refuse(SIZE_IMPOSSIBLE, f"the {what} is negative")
            number = int.from_bytes(bytes([field[0] & 0x3F]) + field[1:], "big")
        else:
            found = _OCTAL.fullmatch(field)
            if found is None:
                self._refuse(HEADER_FIELD, f"the {what} {field!r} is no octal number")
            number = int(found[1] or b"0", 8)
        if number > _LARGEST:
            self._refuse(SIZE_IMPOSSIBLE, f"the {what} is {number}")
        return number

    def _decimal(self, value: bytes) -> int:
        if value.startswith(b"-") and value[1:].isdigit():
            self._refuse(SIZE_IMPOSSIBLE, "the size is negative")
        if not value.isdigit() or len(value) > 30:
            self._refuse(HEADER_FIELD, f"the size {value[:40]!r} is no decimal number")
        number = int(value)
        if number > _LARGEST:
            self._refuse(SIZE_IMPOSSIBLE, f"the size is {number}")
        return number

    def _text(self, content: bytes) -> str:
        if b"\0" in content:
            self._refuse(NAME_NUL, "a name holds a NUL character", ascii(content[:200]))
        try:
            return content.decode()
        except UnicodeDecodeError:
            self._refuse(NAME_ENCODING, "a name is not UTF-8", ascii(content[:200]))

    def _refuse(self, rule: Rule, message: str, name: str = "") -> NoReturn:
        raise self._incoming.refused(rule, message, field=name)


def _without_here(name: str) -> str:
    if name in {".", "./"}:
        return ""
    return name.removeprefix("./")
