"""The files that are archived: read once, never changed, and watched while they are read."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from archiver import files
from archiver.errors import ArchiverError, InputError, SurroundingsError

__all__ = ["blocks_of", "changed", "unchanged"]


@contextlib.contextmanager
def unchanged(source: Path) -> Iterator[files.Status]:
    """Watch that a source stays the same file with the same content for the time of the block.

    Yields
    ------
    Status
        Of the source before the block.

    Raises
    ------
    InputError
        The source is no file of its own, or its size, time of change or identity is
        another one after the block, or it is gone.
    """
    before = files.status(source)
    if not before.is_file:
        kind = "a link" if before.is_link else "a directory" if before.is_directory else "a device"
        raise InputError(
            f"is {kind}",
            where=str(source),
            accepted="a file of its own",
            remedy="Put the file itself in its place",
        )
    yield before
    try:
        after = files.status(source)
    except ArchiverError as error:
        raise changed(source, "it is gone") from error
    for what, was, now in (
        ("it is another file", (before.device, before.inode), (after.device, after.inode)),
        (f"its size went from {before.size} to {after.size} bytes", before.size, after.size),
        ("it was written to", before.mtime_ns, after.mtime_ns),
    ):
        if was != now:
            raise changed(source, what)


def changed(source: Path, what: str) -> InputError:
    """Make the error of a source that is not what it was."""
    return InputError(
        f"changed while it was archived: {what}",
        where=str(source),
        remedy="Wait until no other program writes to it, then run again",
    )


def blocks_of(file: BinaryIO, source: Path, size: int) -> Iterator[memoryview]:
    """Read a source to its end, in blocks that are valid until the next one.

    Raises
    ------
    InputError
        There is more than the ``size`` bytes of before.
    SurroundingsError
        Reading fails part way; the offset is named.
    """
    buffer = bytearray(files.BLOCK_BYTES)
    view = memoryview(buffer)
    position = 0
    while True:
        try:
            count = file.readinto(buffer)  # type: ignore[attr-defined]
        except OSError as error:
            raise SurroundingsError(
                f"cannot be read past byte {position} ({error.strerror})",
                where=str(source),
                remedy="The medium may be failing: take the file from another copy",
            ) from error
        if not count:
            return
        if position + count > size:
            # A file that another program still writes to might never end.
            raise changed(source, f"it is longer than its {size} bytes of before")
        yield view[:count]
        position += count
