"""Layout tables: one table per fixed structure drives reading, writing and display.

A table lists the fields of a structure as its standard does: name, offset, size,
clause. All integers are little-endian (Microsoft and IBM, Multimedia Programming
Interface and Data Specifications 1.0, August 1991, chapter 2).
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from archiver.errors import InputError

__all__ = ["Field", "Layout", "broken"]


def broken(chunk: str, offset: int, found: str, accepted: str) -> InputError:
    """Make the error of a chunk that does not follow its standard.

    Parameters
    ----------
    chunk : str
        Chunk identifier without its trailing blank.
    offset : int
        Bytes from the start of the payload.
    found, accepted : str
        What stands there and what the standard asks for.
    """
    return InputError(
        found,
        where=f"chunk {chunk}, payload byte {offset}",
        accepted=accepted,
        remedy="Copy the file again; if it is still so, the program that wrote it is at fault",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field of a fixed structure.

    Parameters
    ----------
    name : str
        As the standard spells it.
    offset : int
        Bytes from the start of the structure.
    code : str
        :mod:`struct` code: ``H h I Q`` or ``<n>s``.
    clause : str
        Document and clause.
    unit : str
        Unit of the stored number; empty for none.
    """

    name: str
    offset: int
    code: str
    clause: str
    unit: str = ""

    @property
    def size(self) -> int:
        """Bytes that the field takes."""
        return struct.calcsize("<" + self.code)


class Layout:
    """A table of fields that follow one another without a gap.

    Raises
    ------
    ValueError
        A field does not start where the one before it ends.
    """

    def __init__(self, chunk: str, fields: Sequence[Field]) -> None:
        expected = fields[0].offset
        for field in fields:
            if field.offset != expected:
                raise ValueError(f"{chunk} {field.name}: offset {field.offset}, not {expected}")
            expected += field.size
        self.chunk = chunk
        self.fields = tuple(fields)
        self._struct = struct.Struct("<" + "".join(field.code for field in fields))

    @property
    def size(self) -> int:
        """Bytes of the whole structure."""
        return self._struct.size

    def unpack(self, payload: bytes, at: int = 0) -> tuple[Any, ...]:
        """Read the fields in order.

        Raises
        ------
        InputError
            Fewer bytes are there than the structure takes.
        """
        if len(payload) - at < self.size:
            raise broken(
                self.chunk,
                len(payload),
                f"ends after {len(payload)} bytes",
                f"at least {at + self.size} bytes",
            )
        return self._struct.unpack_from(payload, at)

    def pack(self, *values: int | bytes) -> bytes:
        """Write the fields in order."""
        return self._struct.pack(*values)
