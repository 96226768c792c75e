"""What the tests of transport send."""

from __future__ import annotations

import hashlib
import random
from collections.abc import Iterator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Bytes:
    """A sendable of known bytes, given in blocks of an odd length."""

    name: str
    content: bytes
    size: int | None
    block_bytes: int = 4093

    def blocks(self, start: int = 0) -> Iterator[bytes | memoryview]:
        for offset in range(start, len(self.content), self.block_bytes):
            yield memoryview(self.content)[offset : offset + self.block_bytes]

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.content).hexdigest()


def some_bytes(name: str, count: int, seed: int = 0, *, announced: bool = True) -> Bytes:
    """A sendable of that many bytes that do not repeat."""
    content = random.Random(seed).randbytes(count)  # noqa: S311 - not a secret
    return Bytes(name=name, content=content, size=count if announced else None)
