"""The tar form: POSIX pax interchange format, alike for equal content on every machine.

Owner 0, mode 0644 and 0755, one time for all. A name or size that a plain header cannot hold
stands in an extended header before it.

Source: POSIX.1-2017, pax, "pax Interchange Format" and "ustar Interchange Format".
"""

from __future__ import annotations

import tarfile
from collections.abc import Sequence

from archiver.package.layout import Member

__all__ = ["BLOCK_BYTES", "TarFrame"]

BLOCK_BYTES = 512
_RECORD_BYTES = 20 * BLOCK_BYTES
_LONGEST_PLAIN_NAME = 100
_LARGEST_PLAIN_BYTES = 8**11 - 1
# What the eleven digits of a size of 0 add to a checksum.
_ZEROS_SUM = 11 * ord("0")


class TarFrame:
    """Headers, padding and end of a tar.

    Parameters
    ----------
    modified_s : int
        Seconds since 1970-01-01, for all members.
    """

    def __init__(self, modified_s: int) -> None:
        self._modified_s = modified_s
        # All plain headers are alike but for name, size and checksum.
        self._plain = {
            is_directory: self._header("", 0, is_directory=is_directory)
            for is_directory in (False, True)
        }
        self._sums = {
            is_directory: sum(header[100:148]) + sum(header[156:]) + 8 * 32 - _ZEROS_SUM
            for is_directory, header in self._plain.items()
        }

    def prepare(self, members: Sequence[Member]) -> None:
        """Nothing has to be known beforehand."""

    def length_before(self, member: Member) -> int:
        """Return the length of what :meth:`before` gives."""
        return BLOCK_BYTES if _is_plain(member) else len(self.before(member))

    def before(self, member: Member) -> bytes:
        """Return the header, with an extended one before it where it is needed."""
        if not _is_plain(member):
            return self._header(member.path, member.size, is_directory=member.is_directory)
        plain = self._plain[member.is_directory]
        name = member.path.encode("ascii")
        size = b"%011o" % member.size
        checksum = self._sums[member.is_directory] + sum(name) + sum(size)
        return b"".join(
            (
                name.ljust(100, b"\0"),
                plain[100:124],
                size,
                plain[135:148],
                b"%06o\0 " % checksum,
                plain[156:],
            )
        )

    def _header(self, path: str, size: int, *, is_directory: bool) -> bytes:
        entry = tarfile.TarInfo(path.rstrip("/"))
        entry.size = size
        entry.mtime = self._modified_s
        entry.mode = 0o644
        if is_directory:
            entry.type = tarfile.DIRTYPE
            entry.mode = 0o755
        return entry.tobuf(tarfile.PAX_FORMAT, "utf-8", "strict")

    def after(self, member: Member) -> bytes:
        """Return the padding to a whole block."""
        return bytes(-member.size % BLOCK_BYTES)

    def end(self, members: Sequence[Member], offsets: Sequence[int], position: int) -> bytes:
        """Return the two empty blocks of the end, and what fills the record."""
        del members, offsets
        length = 2 * BLOCK_BYTES
        return bytes(length + -(position + length) % _RECORD_BYTES)


def _is_plain(member: Member) -> bool:
    return (
        len(member.path) <= _LONGEST_PLAIN_NAME
        and member.size <= _LARGEST_PLAIN_BYTES
        and member.path.isascii()
    )
