"""A file for libraries that call back: what goes wrong is kept and raised afterwards.

An exception inside a callback from C is printed and lost, and the library reports
something else. This file catches it, tells the library that nothing was written, and
raises it when asked.
"""

from __future__ import annotations

import io
from typing import BinaryIO

__all__ = ["GuardedFile"]


class GuardedFile:
    """Passes reading, writing and seeking on; the first failure is kept.

    Parameters
    ----------
    file : BinaryIO
        Open for reading and writing; its owner closes it.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._failure: Exception | None = None
        self._broken = False

    def raise_pending(self) -> None:
        """Raise what went wrong since the last call, if anything did."""
        failure, self._failure = self._failure, None
        if failure is not None:
            raise failure

    def write(self, data: bytes | memoryview) -> int:
        """Write all bytes; say 0, and write nothing more, after a failure."""
        if self._broken:
            return 0
        try:
            self._file.write(data)
        except Exception as error:  # noqa: BLE001 - raised by raise_pending
            self._failure, self._broken = error, True
            return 0
        return len(data)

    def read(self, size: int = -1) -> bytes:
        """Read bytes; none after a failure."""
        try:
            return self._file.read(size)
        except Exception as error:  # noqa: BLE001 - raised by raise_pending
            self._failure = self._failure or error
            return b""

    def readinto(self, buffer: bytearray | memoryview) -> int:
        """Read into a buffer and return the number of bytes."""
        view = memoryview(buffer).cast("B")
        data = self.read(len(view))
        view[: len(data)] = data
        return len(data)

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Move, and return the position; -1 after a failure."""
        try:
            return self._file.seek(offset, whence)
        except Exception as error:  # noqa: BLE001 - raised by raise_pending
            self._failure = self._failure or error
            return -1

    def tell(self) -> int:
        """Return the position; -1 after a failure."""
        try:
            return self._file.tell()
        except Exception as error:  # noqa: BLE001 - raised by raise_pending
            self._failure = self._failure or error
            return -1

    def truncate(self, size: int | None = None) -> int:
        """Cut the file."""
        return self._file.truncate(size)

    def flush(self) -> None:
        """Flush the file."""
        self._file.flush()
