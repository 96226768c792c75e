"""Delivery to places where a file that was begun can be gone on with.

The bytes go into one hidden file. After a cut the delivery goes on behind what the far end
has acknowledged; a later run first compares what arrived with what would be sent, and goes on
from the first difference.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Protocol

from archiver.custody.transport.far_end import Delivery, Verified, partial_name
from archiver.custody.transport.reading_back import read_back
from archiver.errors import ArchiverError, IntegrityError

__all__ = ["Appendable", "deliver_by_appending"]


class Appendable(Protocol):
    """A place where a file can be written from an offset on."""

    chunk_bytes: int
    """How much is written at a time: what a cut can cost."""

    def url_of(self, folder: str, name: str) -> str:
        """Return how messages call a file there."""

    def size_of(self, folder: str, name: str) -> int | None:
        """Return the size in bytes of a file; None if the name is free."""

    def read(self, folder: str, name: str, start: int) -> Iterator[bytes]:
        """Yield the bytes of a file from an offset on."""

    def make_room(self, folder: str, lacking: int | None) -> None:
        """Make the folder, and refuse if it is known that so many bytes do not fit."""

    def write(self, folder: str, name: str, offset: int, chunk: bytes) -> int:
        """Write a chunk, making the file if need be.

        Returns
        -------
        int
            Up to where the file is now whole: the end of the chunk; or less than ``offset`` if
            the far end has lost what it had acknowledged, and then nothing was written.
        """

    def complete(self, folder: str, name: str, size: int) -> None:
        """Bring a file of this size to the medium and close it; cut off what is longer."""

    def put_in_place(self, folder: str, name: str, final: str) -> None:
        """Rename to a name that is free; a taken one is a MisuseError."""

    def remove(self, folder: str, name: str) -> None:
        """Remove a file; absence is fine."""


def _agreed(place: Appendable, delivery: Delivery, partial: str) -> int:
    """Return how many bytes of the leftover are those that would be sent.

    The source is left at that offset.
    """
    source = delivery.source
    source.go_to(0)
    agreed = 0

    def rest() -> None:
        nonlocal agreed
        if place.size_of(delivery.folder, partial) is None:
            return
        for block in place.read(delivery.folder, partial, agreed):
            ours = source.take(len(block))
            if ours != block:
                agreed += _common(ours, block)
                return
            agreed += len(block)
            delivery.persistence.progress()

    def again() -> None:
        source.go_to(agreed)
        rest()

    delivery.persistence.call(again)
    source.go_to(agreed)
    return agreed


def _common(one: bytes, other: bytes) -> int:
    """Return the length of the common beginning, found by halving."""
    low, high = 0, min(len(one), len(other))
    while low < high:
        middle = (low + high + 1) // 2
        if one[:middle] == other[:middle]:
            low = middle
        else:
            high = middle - 1
    return low


def deliver_by_appending(place: Appendable, delivery: Delivery) -> Verified:
    """Send into a hidden file, read it back, then give it its final name.

    Raises
    ------
    IntegrityError
        The far end does not hold what was sent; the hidden file is removed.
    MisuseError
        Somebody else has put something under the final name meanwhile.
    """
    source, persistence = delivery.source, delivery.persistence
    partial = partial_name(source.name)
    resumed_at = _agreed(place, delivery, partial)
    lacking = None if source.size is None else source.size - resumed_at
    persistence.call(lambda: place.make_room(delivery.folder, lacking))
    delivery.on_bytes(resumed_at)
    sent = _append(place, delivery, partial)
    size, there = read_back(place, delivery, partial)
    if there != source.sha256() and (resumed_at or persistence.attempts > 1):
        # A far end that was itself cut off may have lost what it had acknowledged.
        _agreed(place, delivery, partial)
        sent += _append(place, delivery, partial)
        size, there = read_back(place, delivery, partial)
    if there != source.sha256():
        with contextlib.suppress(ArchiverError):
            persistence.call(lambda: place.remove(delivery.folder, partial))
        raise IntegrityError(
            f"does not hold the bytes that were sent: read back, its SHA-256 is {there}"
            f" ({size} bytes)",
            where=place.url_of(delivery.folder, source.name),
            accepted=f"SHA-256 {source.sha256()} ({source.position} bytes)",
            remedy="It was removed and never had its final name: send it again, and if that"
            " fails too, tell the institution that its storage alters what it is given",
        )
    _put_in_place(place, delivery, partial)
    return Verified(by="read back", resumed_at_bytes=resumed_at, sent_bytes=sent)


def _append(place: Appendable, delivery: Delivery, partial: str) -> int:
    """Send from where the source is to its end; return how many bytes were sent."""
    source, persistence = delivery.source, delivery.persistence
    sent = 0
    told = source.position
    while True:
        offset = source.position
        chunk = source.take(place.chunk_bytes)
        if not chunk:
            break

        def write(offset: int = offset, chunk: bytes = chunk) -> int:
            nonlocal sent
            # Counted before: what is cut off on the way was sent as well.
            sent += len(chunk)
            whole = place.write(delivery.folder, partial, offset, chunk)
            if whole < offset:
                sent -= len(chunk)
            return whole

        whole = persistence.call(write)
        if whole < offset:
            source.go_to(whole)
        elif source.position > told:
            delivery.on_bytes(source.position - told)
            told = source.position
    persistence.call(lambda: place.complete(delivery.folder, partial, source.position))
    return sent


def _put_in_place(place: Appendable, delivery: Delivery, partial: str) -> None:
    name, folder = delivery.source.name, delivery.folder
    first = True

    def rename() -> None:
        nonlocal first
        # The answer to a rename may be lost while the rename was done.
        done = not first and place.size_of(folder, partial) is None
        if done and place.size_of(folder, name) == delivery.source.position:
            return
        first = False
        place.put_in_place(folder, partial, name)

    delivery.persistence.call(rename)
