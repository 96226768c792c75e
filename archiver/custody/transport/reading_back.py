"""Reading what lies at the far end, with as many cuts as it takes, and comparing it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Protocol

from archiver.custody.transport.far_end import Arrival, Delivery

__all__ = ["Readable", "compare_by_reading", "read_back"]


class Readable(Protocol):
    """A place that gives back what it holds."""

    def read(self, folder: str, name: str, start: int) -> Iterator[bytes]:
        """Yield the bytes of a file from an offset on."""


def read_back(place: Readable, delivery: Delivery, name: str) -> tuple[int, str]:
    """Read a file at the far end; go on after a cut where it happened.

    Returns
    -------
    size : int
        In bytes.
    sha256 : str
        Lower-case hexadecimal.
    """
    hasher = hashlib.sha256()
    size = 0

    def rest() -> None:
        nonlocal size
        for block in place.read(delivery.folder, name, size):
            hasher.update(block)
            size += len(block)
            delivery.persistence.progress()

    delivery.persistence.call(rest)
    return size, hasher.hexdigest()


def compare_by_reading(place: Readable, delivery: Delivery, size: int) -> Arrival:
    """Compare what is held under the final name with what would be sent, by both digests."""
    source = delivery.source
    if source.size is None or source.size == size:
        while source.take(1 << 20):
            pass
        if source.position == size:
            _, there = read_back(place, delivery, source.name)
            return Arrival(size=size, same=there == source.sha256(), by="read back")
    return Arrival(size=size, same=False, by="read back")
