"""The zip form: everything stored, sizes and checksums before the content, zip64 where needed.

The checksums stand in the header before each content, so that readers of streams can follow;
therefore every file is read once before the first byte is sent, and compared with the
manifests in that reading.

Source: PKWARE APPNOTE 6.3.10, sections 4.3 (structure), 4.4 (fields), 4.5.3 (zip64).
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from archiver.package.hashing_beside import HashingBeside
from archiver.package.layout import Member, read_source

__all__ = ["ZipFrame"]

_LOCAL = struct.Struct("<4s5H3L2H")
_CENTRAL = struct.Struct("<4s6H3L5H2L")
_END = struct.Struct("<4s4H2LH")
_END_64 = struct.Struct("<4sQ2H2L4Q")
_LOCATOR_64 = struct.Struct("<4sLQL")
_NONE_32 = 0xFFFFFFFF
_NONE_16 = 0xFFFF
_UTF8_NAME = 1 << 11
_VERSION = 20
_VERSION_64 = 45
_UNIX = 3 << 8
_FILE_MODE = 0o100644 << 16
_DIRECTORY_MODE = (0o040755 << 16) | 0x10
# The oldest time that the format can say.
_EARLIEST = datetime(1980, 1, 1, tzinfo=UTC)


class ZipFrame:
    """Headers and directory of a zip.

    Parameters
    ----------
    modified_s : int
        Seconds since 1970-01-01, for all members; written as UTC.
    on_bytes : callable, optional
        Called with the number of bytes read for the checksums.
    """

    def __init__(self, modified_s: int, *, on_bytes: Callable[[int], object] | None = None) -> None:
        when = max(_EARLIEST, datetime.fromtimestamp(modified_s, UTC))
        self._time = when.hour << 11 | when.minute << 5 | when.second // 2
        self._date = (min(when.year, 2107) - 1980) << 9 | when.month << 5 | when.day
        self._on_bytes = on_bytes
        self._checksums: dict[str, int] = {}

    def prepare(self, members: Sequence[Member]) -> None:
        """Compute the checksum of every content that is not known yet."""
        with HashingBeside() as hashing:
            for member in members:
                if member.path in self._checksums or member.is_directory:
                    continue
                checksum = 0
                if isinstance(member.source, bytes):
                    checksum = zlib.crc32(member.source)
                else:
                    for block in read_source(member.source, 0, hashing):
                        checksum = zlib.crc32(block, checksum)
                        if self._on_bytes is not None:
                            self._on_bytes(len(block))
                self._checksums[member.path] = checksum

    def length_before(self, member: Member) -> int:
        """Return the length of what :meth:`before` gives."""
        return len(self.before(member))

    def before(self, member: Member) -> bytes:
        """Return the local header."""
        name = member.path.encode()
        large = member.size >= _NONE_32
        extra = struct.pack("<2H2Q", 1, 16, member.size, member.size) if large else b""
        size = _NONE_32 if large else member.size
        fixed = _LOCAL.pack(
            b"PK\x03\x04",
            _VERSION_64 if large else _VERSION,
            _UTF8_NAME,
            0,
            self._time,
            self._date,
            self._checksums.get(member.path, 0),
            size,
            size,
            len(name),
            len(extra),
        )
        return fixed + name + extra

    def after(self, member: Member) -> bytes:
        """Return nothing: all is said before the content."""
        del member
        return b""

    def end(self, members: Sequence[Member], offsets: Sequence[int], position: int) -> bytes:
        """Return the central directory and the records of the end."""
        directory = bytearray()
        for member, offset in zip(members, offsets, strict=True):
            directory += self._central(member, offset)
        count, length = len(members), len(directory)
        end = bytearray()
        if count >= _NONE_16 or length >= _NONE_32 or position >= _NONE_32:
            end += _END_64.pack(
                b"PK\x06\x06",
                _END_64.size - 12,
                _UNIX | _VERSION_64,
                _VERSION_64,
                0,
                0,
                count,
                count,
                length,
                position,
            )
            end += _LOCATOR_64.pack(b"PK\x06\x07", 0, position + length, 1)
        end += _END.pack(
            b"PK\x05\x06",
            0,
            0,
            min(count, _NONE_16),
            min(count, _NONE_16),
            min(length, _NONE_32),
            min(position, _NONE_32),
            0,
        )
        return bytes(directory + end)

    def _central(self, member: Member, offset: int) -> bytes:
        name = member.path.encode()
        large = member.size >= _NONE_32
        values = [member.size, member.size] if large else []
        if offset >= _NONE_32:
            values.append(offset)
        extra = struct.pack(f"<2H{len(values)}Q", 1, 8 * len(values), *values) if values else b""
        version = _VERSION_64 if values else _VERSION
        size = _NONE_32 if large else member.size
        fixed = _CENTRAL.pack(
            b"PK\x01\x02",
            _UNIX | version,
            version,
            _UTF8_NAME,
            0,
            self._time,
            self._date,
            self._checksums.get(member.path, 0),
            size,
            size,
            len(name),
            len(extra),
            0,
            0,
            0,
            _DIRECTORY_MODE if member.is_directory else _FILE_MODE,
            min(offset, _NONE_32),
        )
        return fixed + name + extra
