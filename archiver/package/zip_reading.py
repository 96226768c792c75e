"""Read a zip by its directory, after every byte of it has been accounted for.

Not with :mod:`zipfile`: it brings hostile names into a harmless form without a word. Here all
headers are read and compared before the first content; the entries must fill the package
from its first byte to the directory, without a gap and without sharing a byte.

Source: PKWARE APPNOTE 6.3.10, sections 4.3 (structure), 4.4 (fields), 4.5 (extra fields),
4.6.9 (Unicode path).
"""

from __future__ import annotations

import itertools
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NoReturn

from archiver.findings import Rule
from archiver.package.incoming import Entry, Incoming
from archiver.package.limits import RATIO_FROM_BYTES, Limits
from archiver.package.package_rules import (
    CHECKSUM_OF_ENTRY,
    COMPRESSION_DAMAGED,
    ENCRYPTED,
    END_MISSING,
    ENTRIES_OVERLAP,
    HEADER_DAMAGED,
    HEADER_FIELD,
    HEADERS_DISAGREE,
    KIND_DEVICE,
    KIND_LINK,
    KIND_PIPE,
    METHOD_UNKNOWN,
    MORE_THAN_ANNOUNCED,
    NAME_ENCODING,
    RATIO,
    SEVERAL_DISKS,
    SIZE_IMPOSSIBLE,
    TOO_MANY,
    TRAILING_DATA,
)

__all__ = ["read_zip"]

_LOCAL = struct.Struct("<4s5H3L2H")
_CENTRAL = struct.Struct("<4s6H3L5H2L")
_END = struct.Struct("<4s4H2LH")
_END_64 = struct.Struct("<4sQ2H2L4Q")
_LOCATOR_64 = struct.Struct("<4sLQL")
_NONE_32 = 0xFFFFFFFF
_NONE_16 = 0xFFFF
_STORED, _DEFLATED = 0, 8
_ENCRYPTED_BIT, _DESCRIPTOR_BIT, _PATCH_BIT, _STRONG_BIT, _UTF8_BIT, _MASKED_BIT = (
    1 << bit for bit in (0, 3, 5, 6, 11, 13)
)
_LONGEST_COMMENT = 0xFFFF
_LARGEST_DIRECTORY_BYTES = 1 << 28
_OUT_BYTES = 1 << 20
_UNICODE_PATH = 0x7075
_ZIP64 = 0x0001
# Ten times the version of the format that is described (section 4.4.3).
_NEWEST_VERSION = 63
_REPARSE_POINT = 0x400
_DOS_DIRECTORY = 0x10
_KINDS = {
    0o120000: (KIND_LINK, "a symbolic link"),
    0o020000: (KIND_DEVICE, "a character device"),
    0o060000: (KIND_DEVICE, "a block device"),
    0o010000: (KIND_PIPE, "a named pipe"),
    0o140000: (KIND_PIPE, "a socket"),
}
_FILE_KIND, _DIRECTORY_KIND = 0o100000, 0o040000


@dataclass(frozen=True, slots=True, kw_only=True)
class _Central:
    """An entry of the directory of the zip."""

    name: str
    raw_name: bytes
    flags: int
    method: int
    checksum: int
    packed: int
    size: int
    offset: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _End:
    """Where the directory lies."""

    entries: int
    length: int
    offset: int
    position: int


def read_zip(incoming: Incoming, limits: Limits) -> tuple[Entry, ...]:
    """Read the directory of a zip and return its entries, in the order of their bytes.

    Raises
    ------
    PackageRefusedError
        An entry is of a kind that is not taken, headers disagree, entries overlap, or there
        is more than the limits allow.
    PackageDamagedError
        The end or the directory is damaged.
    """
    return _Reader(incoming, limits).entries()


class _Reader:
    def __init__(self, incoming: Incoming, limits: Limits) -> None:
        self._incoming = incoming
        self._limits = limits

    def entries(self) -> tuple[Entry, ...]:
        """Read and judge all headers."""
        end = self._end()
        if end.entries > self._limits.most_entries:
            self._refuse(
                TOO_MANY,
                f"the zip has {end.entries} entries",
                accepted=f"{self._limits.most_entries} at most",
            )
        if end.length > _LARGEST_DIRECTORY_BYTES:
            self._refuse(TOO_MANY, f"the directory of the zip takes {end.length} bytes")
        if end.offset + end.length != end.position:
            rule = TRAILING_DATA if end.offset + end.length < end.position else END_MISSING
            self._refuse(
                rule,
                f"the directory of the zip ends at byte {end.offset + end.length}, what "
                f"stands behind it begins at byte {end.position}",
            )
        centrals = sorted(self._directory(end), key=lambda central: central.offset)
        self._judge_sizes(centrals)
        entries = []
        position = 0
        for central in centrals:
            if central.offset < position:
                self._refuse(
                    ENTRIES_OVERLAP,
                    f"it begins at byte {central.offset}, inside the entry before it",
                    central.name,
                )
            if central.offset > position:
                self._refuse(
                    TRAILING_DATA,
                    f"bytes {position} to {central.offset} belong to no entry",
                    central.name,
                )
            begin = self._local(central, end.offset)
            position = begin + central.packed
            if position > end.offset:
                self._refuse(ENTRIES_OVERLAP, "its content runs into the directory", central.name)
            position = self._behind(central, position, end.offset)
            entries.append(self._entry(central, begin))
        if position != end.offset:
            self._refuse(
                TRAILING_DATA,
                f"bytes {position} to {end.offset} belong to no entry",
            )
        return tuple(entries)

    def _end(self) -> _End:
        incoming = self._incoming
        length = min(incoming.size, _END.size + _LONGEST_COMMENT)
        tail = incoming.read_at(incoming.size - length, length)
        found = tail.rfind(b"PK\x05\x06")
        if found < 0 or len(tail) - found < _END.size:
            raise incoming.damaged(END_MISSING, "the record of the end is not there")
        position = incoming.size - length + found
        fields = _END.unpack_from(tail, found)
        _, disk, first_disk, here, entries, directory, offset, comment = fields
        if found + _END.size + comment != len(tail):
            raise incoming.damaged(
                END_MISSING,
                f"{len(tail) - found - _END.size} bytes stand behind the record of the end, "
                f"which announces {comment}",
            )
        if disk or first_disk or here != entries:
            self._refuse(SEVERAL_DISKS, "the zip says that it lies on several disks")
        begin = position - _LOCATOR_64.size
        # Some readers follow these records wherever they stand, so they are never passed over.
        if begin >= 0 and incoming.read_at(begin, 4) == b"PK\x06\x07":
            return self._end_64(begin, (entries, directory, offset))
        # 65535 entries need no zip64.
        if _NONE_32 in {directory, offset}:
            raise incoming.damaged(END_MISSING, "the record of a large zip is not there")
        return _End(entries=entries, length=directory, offset=offset, position=position)

    def _end_64(self, begin: int, small: tuple[int, int, int]) -> _End:
        incoming = self._incoming
        locator = _LOCATOR_64.unpack(incoming.read_at(begin, _LOCATOR_64.size))
        _, disk, at, disks = locator
        if disk or disks > 1:
            self._refuse(SEVERAL_DISKS, "the zip says that it lies on several disks")
        # Nothing more may stand in it: some readers look for it in this one place.
        if at + _END_64.size != begin:
            raise incoming.damaged(END_MISSING, "the record of a large zip is not where it is said")
        fields = _END_64.unpack(incoming.read_at(at, _END_64.size))
        signature, record, _, _, here_disk, first_disk, here, entries, directory, offset = fields
        if signature != b"PK\x06\x06" or record != _END_64.size - 12:
            raise incoming.damaged(END_MISSING, "the record of a large zip is damaged")
        if here_disk or first_disk or here != entries:
            self._refuse(SEVERAL_DISKS, "the zip says that it lies on several disks")
        large = (entries, directory, offset)
        nones = (_NONE_16, _NONE_32, _NONE_32)
        if any(
            less not in {none, more} for less, more, none in zip(small, large, nones, strict=True)
        ):
            self._refuse(HEADERS_DISAGREE, "the two records of the end disagree")
        return _End(entries=entries, length=directory, offset=offset, position=at)

    def _directory(self, end: _End) -> list[_Central]:
        content = self._incoming.read_at(end.offset, end.length) if end.length else b""
        centrals = []
        position = 0
        for number in range(1, end.entries + 1):
            if content[position : position + 4] != b"PK\x01\x02" or (
                len(content) - position < _CENTRAL.size
            ):
                raise self._incoming.damaged(
                    HEADER_DAMAGED,
                    f"the directory of the zip is damaged at entry {number} of {end.entries}",
                    offset=end.offset + position,
                )
            fields = _CENTRAL.unpack_from(content, position)
            name_at = position + _CENTRAL.size
            extra_at = name_at + fields[10]
            position = extra_at + fields[11] + fields[12]
            if position > len(content):
                raise self._incoming.damaged(
                    HEADER_DAMAGED,
                    f"the directory of the zip ends inside entry {number} of {end.entries}",
                    offset=end.offset + name_at,
                )
            centrals.append(
                self._central(
                    fields,
                    content[name_at:extra_at],
                    content[extra_at : extra_at + fields[11]],
                )
            )
        if position != len(content):
            self._refuse(
                TRAILING_DATA, "the directory of the zip holds more than the entries announced"
            )
        return centrals

    def _central(self, fields: tuple[int, ...], raw_name: bytes, extra: bytes) -> _Central:
        _, _, needed, flags, method, _, _, checksum, packed, size = fields[:10]
        disk, attributes, offset = fields[13], fields[15], fields[16]
        extras = self._extras(extra)
        name = self._text(raw_name, extras, flags)
        if disk not in {0, _NONE_16}:
            self._refuse(SEVERAL_DISKS, "the entry is said to lie on another disk", name)
        size, packed, offset = self._large(extras.get(_ZIP64, b""), [size, packed, offset], name)
        self._judge_kind(name, attributes, size)
        if needed & 0xFF > _NEWEST_VERSION:
            self._refuse(
                METHOD_UNKNOWN,
                f"the entry needs version {(needed & 0xFF) / 10:g} of the format",
                name,
                accepted=f"{_NEWEST_VERSION / 10:g} at most",
            )
        self._judge_method(name, flags, method)
        if method == _STORED and packed != size:
            self._refuse(HEADERS_DISAGREE, f"{packed} bytes are stored and {size} announced", name)
        return _Central(
            name=name,
            raw_name=raw_name,
            flags=flags,
            method=method,
            checksum=checksum,
            packed=packed,
            size=size,
            offset=offset,
        )

    def _judge_kind(self, name: str, attributes: int, size: int) -> None:
        kind = attributes >> 16 & 0o170000
        if kind in _KINDS:
            rule, what = _KINDS[kind]
            self._refuse(rule, f"the entry is {what}", name)
        if attributes & _REPARSE_POINT:
            self._refuse(KIND_LINK, "the entry is a link of Windows (a reparse point)", name)
        is_directory = name.endswith("/")
        said = kind == _DIRECTORY_KIND or attributes & _DOS_DIRECTORY
        if (said and not is_directory) or (kind == _FILE_KIND and is_directory):
            self._refuse(HEADERS_DISAGREE, "name and attributes disagree on a directory", name)
        if is_directory and size:
            self._refuse(HEADER_FIELD, f"a directory announces {size} bytes", name)

    def _judge_method(self, name: str, flags: int, method: int) -> None:
        if flags & (_ENCRYPTED_BIT | _STRONG_BIT | _MASKED_BIT) or method == 99:
            self._refuse(ENCRYPTED, "the entry is encrypted", name)
        if method not in {_STORED, _DEFLATED} or flags & _PATCH_BIT:
            self._refuse(
                METHOD_UNKNOWN,
                f"the entry is packed by method {method}",
                name,
                accepted="0 (stored) or 8 (deflated)",
            )

    def _judge_sizes(self, centrals: list[_Central]) -> None:
        total = sum(central.size for central in centrals)
        if total > RATIO_FROM_BYTES and total > self._limits.most_ratio * self._incoming.size:
            self._refuse(
                RATIO,
                f"{self._incoming.size} bytes announce {total}",
                accepted=f"{self._limits.most_ratio:g} times at most",
            )

    def _local(self, central: _Central, directory_at: int) -> int:
        """Compare the local header with the directory; return where the content begins."""
        incoming = self._incoming
        if central.offset + _LOCAL.size > directory_at:
            raise incoming.damaged(
                HEADER_DAMAGED, "its header lies behind the entries", field=central.name
            )
        fields = _LOCAL.unpack(incoming.read_at(central.offset, _LOCAL.size))
        signature, _, flags, method, _, _, checksum, packed, size, name_size, extra_size = fields
        if signature != b"PK\x03\x04":
            raise incoming.damaged(
                HEADER_DAMAGED,
                "there is no header where the directory says",
                field=central.name,
                offset=central.offset,
            )
        begin = int(central.offset + _LOCAL.size + name_size + extra_size)
        if begin > directory_at:
            raise incoming.damaged(
                HEADER_DAMAGED, "its header runs into the directory", field=central.name
            )
        rest = incoming.read_at(central.offset + _LOCAL.size, name_size + extra_size)
        if rest[:name_size] != central.raw_name:
            self._refuse(
                HEADERS_DISAGREE,
                f"the name is {rest[:name_size][:200]!a} before the content",
                central.name,
            )
        if method != central.method:
            self._refuse(HEADERS_DISAGREE, "the headers name two methods", central.name)
        if flags != central.flags:
            self._refuse(
                ENCRYPTED if flags & (_ENCRYPTED_BIT | _STRONG_BIT) else HEADERS_DISAGREE,
                f"the headers have the flags {flags:#06x} and {central.flags:#06x}",
                central.name,
            )
        extras = self._extras(rest[name_size:])
        self._text(central.raw_name, extras, flags)
        size, packed = self._large(extras.get(_ZIP64, b""), [size, packed], central.name)
        said = (checksum, packed, size)
        if flags & _DESCRIPTOR_BIT and not any(said):
            return begin
        if said != (central.checksum, central.packed, central.size):
            self._refuse(
                HEADERS_DISAGREE,
                f"before the content its size is {size} ({packed} packed), in the directory "
                f"{central.size} ({central.packed} packed)"
                + ("" if checksum == central.checksum else ", and the checksums differ"),
                central.name,
            )
        return begin

    def _behind(self, central: _Central, position: int, directory_at: int) -> int:
        """Step over the data descriptor, if there is one."""
        if not central.flags & _DESCRIPTOR_BIT:
            return position
        room = min(24, directory_at - position)
        content = self._incoming.read_at(position, room)
        for form in ("<4sLQQ", "<4sLLL", "<LQQ", "<LLL"):
            length = struct.calcsize(form)
            if length > room:
                continue
            fields = struct.unpack_from(form, content)
            signed = form[1] == "4"
            if signed and fields[0] != b"PK\x07\x08":
                continue
            if fields[signed:] == (central.checksum, central.packed, central.size):
                return position + length
        raise self._incoming.refused(
            HEADERS_DISAGREE,
            "what stands behind the content is not what the directory says",
            field=central.name,
        )

    def _entry(self, central: _Central, begin: int) -> Entry:
        return Entry(
            name=central.name,
            is_directory=central.name.endswith("/"),
            size=central.size,
            blocks=lambda: self._content(central, begin),
        )

    def _content(self, central: _Central, begin: int) -> Iterator[bytes]:
        packed = self._incoming.blocks(begin, begin + central.packed)
        plain = packed if central.method == _STORED else self._inflated(packed, central)
        checksum = size = 0
        for block in plain:
            size += len(block)
            if size > central.size:
                self._refuse(
                    MORE_THAN_ANNOUNCED,
                    f"there are more than the {central.size} bytes that are announced",
                    central.name,
                )
            checksum = zlib.crc32(block, checksum)
            yield block
        if size != central.size or checksum != central.checksum:
            raise self._incoming.damaged(
                CHECKSUM_OF_ENTRY,
                f"there are {size} bytes of the checksum {checksum:08x}; {central.size} of "
                f"{central.checksum:08x} are announced",
                field=central.name,
            )

    def _inflated(self, packed: Iterator[bytes], central: _Central) -> Iterator[bytes]:
        inflate = zlib.decompressobj(-zlib.MAX_WBITS)
        # An empty block at the end brings out what waits behind the limit.
        for block in itertools.chain(packed, (b"",)):
            waiting = block
            while True:
                try:
                    out = inflate.decompress(waiting, _OUT_BYTES)
                except zlib.error as error:
                    raise self._incoming.damaged(
                        COMPRESSION_DAMAGED,
                        f"the compressed data cannot be read on: {error}",
                        field=central.name,
                    ) from error
                if out:
                    yield out
                waiting = inflate.unconsumed_tail
                # At once: what comes behind the end would be kept, all of it.
                if inflate.unused_data:
                    self._refuse(
                        TRAILING_DATA, "bytes stand behind the compressed content", central.name
                    )
                if inflate.eof or (not waiting and len(out) < _OUT_BYTES):
                    break
        if not inflate.eof:
            raise self._incoming.damaged(
                COMPRESSION_DAMAGED, "the compressed content does not end", field=central.name
            )

    def _extras(self, content: bytes) -> dict[int, bytes]:
        extras: dict[int, bytes] = {}
        position = 0
        while position + 4 <= len(content):
            tag, length = struct.unpack_from("<2H", content, position)
            position += 4
            if position + length > len(content):
                self._refuse(HEADER_FIELD, "an extra field is longer than the header")
            if tag in extras and tag in {_ZIP64, _UNICODE_PATH}:
                self._refuse(HEADERS_DISAGREE, f"the extra field {tag:#06x} stands twice")
            extras[tag] = content[position : position + length]
            position += length
        if any(content[position:]):
            self._refuse(HEADER_FIELD, "the extra fields end with something that is none")
        return extras

    def _large(self, extra: bytes, values: list[int], name: str) -> list[int]:
        """Put the large values in the place of those that are said to be too large."""
        position = 0
        result = []
        for value in values:
            taken = value
            if value == _NONE_32 and extra:
                if position + 8 > len(extra):
                    self._refuse(HEADER_FIELD, "a size of a large zip is missing", name)
                (taken,) = struct.unpack_from("<Q", extra, position)
                position += 8
            if taken >= 1 << 62:
                self._refuse(SIZE_IMPOSSIBLE, f"a size or position is {taken}", name)
            result.append(taken)
        return result

    def _text(self, raw: bytes, extras: dict[int, bytes], flags: int) -> str:
        # Without the flag the character set is a guess; macOS leaves it out and means UTF-8.
        # The manifests of the bag decide whether the guess was right.
        del flags
        try:
            name = raw.decode()
        except UnicodeDecodeError:
            self._refuse(NAME_ENCODING, "the name is not UTF-8", ascii(raw[:200]))
        if (unicode := extras.get(_UNICODE_PATH)) is not None and unicode[5:] != raw:
            self._refuse(HEADERS_DISAGREE, "the name stands there twice in different ways", name)
        return name

    def _refuse(self, rule: Rule, message: str, name: str = "", *, accepted: str = "") -> NoReturn:
        raise self._incoming.refused(rule, message, field=name, accepted=accepted)
