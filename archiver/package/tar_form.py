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


class TarFrame:
    """Headers, padding and end of a tar.

    Parameters
    ----------
    modified_s : int
        Seconds since 1970-01-01, for all members.
    """

    def __init__(self, modified_s: int) -> None:
        self._modified_s = modified_s

    def prepare(self, members: Sequence[Member]) -> None:
        """Nothing has to be known beforehand."""

    def before(self, member: Member) -> bytes:
        """Return the header, with an extended one before it where it is needed."""
        entry = tarfile.TarInfo(member.path.rstrip("/"))
        entry.size = member.size
        entry.mtime = self._modified_s
        entry.mode = 0o644
        if member.is_directory:
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
