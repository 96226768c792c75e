"""What is sent, read in order and hashed on the way, and read again from where a line was cut."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Protocol

from archiver.errors import InputError

__all__ = ["Reading", "Sendable"]


class Sendable(Protocol):
    """A file, or something that gives the bytes of one, the same ones each time."""

    @property
    def name(self) -> str:
        """The name it is to have at the far end, without a folder."""

    @property
    def size(self) -> int | None:
        """Its length in bytes; None if only reading it through can tell."""

    def blocks(self, start: int = 0) -> Iterator[bytes | memoryview]:
        """Yield its bytes from an offset to the end, in blocks of any length."""


class Reading:
    """The bytes of a sendable, each hashed the first time it is read.

    Parameters
    ----------
    sendable : Sendable
        What is read.
    """

    def __init__(self, sendable: Sendable) -> None:
        self._sendable = sendable
        self._blocks: Iterator[bytes | memoryview] | None = None
        self._rest = memoryview(b"")
        self._position = 0
        self._hashed = 0
        self._hasher = hashlib.sha256()

    @property
    def name(self) -> str:
        """The name of the sendable."""
        return self._sendable.name

    @property
    def size(self) -> int | None:
        """Length in bytes, if it was known beforehand."""
        return self._sendable.size

    @property
    def position(self) -> int:
        """Offset of the byte that is taken next."""
        return self._position

    def go_to(self, offset: int) -> None:
        """Take from another offset next; not past what was read before."""
        if offset != self._position:
            self._position = offset
            self._blocks = None
            self._rest = memoryview(b"")

    def take(self, count: int) -> bytes:
        """Return the next ``count`` bytes, fewer only at the end.

        Raises
        ------
        InputError
            There are fewer or more bytes than the size announced.
        """
        if self._blocks is None:
            self._blocks = iter(self._sendable.blocks(self._position))
        pieces = []
        lacking = count
        while lacking:
            if not self._rest:
                block = next(self._blocks, None)
                if block is None:
                    break
                # A producer may use its buffer again, so what is kept is kept as a copy.
                self._rest = memoryview(bytes(block))
                continue
            piece = self._rest[:lacking]
            self._rest = self._rest[len(piece) :]
            lacking -= len(piece)
            pieces.append(piece)
        taken = b"".join(pieces)
        new = self._position + len(taken) - self._hashed
        if new > 0:
            self._hasher.update(taken[-new:])
            self._hashed += new
        self._position += len(taken)
        ended = bool(lacking)
        if self.size is not None and (
            self._position > self.size or (ended and self._position != self.size)
        ):
            raise InputError(
                f"holds {'more' if self._position > self.size else 'fewer'} bytes than the"
                f" {self.size} that were announced",
                where=self.name,
                remedy="Something changes it while it is sent: let that end, then send it again",
            )
        return taken

    def sha256(self) -> str:
        """Return the digest of all that was read so far, in lower-case hexadecimal."""
        return self._hasher.hexdigest()
