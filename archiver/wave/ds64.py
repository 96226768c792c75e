"""The ``ds64`` chunk: 64-bit sizes of RF64 and BW64 files.

Sources: EBU Tech 3306; ITU-R BS.2088 (where ``sampleCount`` is a dummy).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from archiver.wave.layout import Field, Layout, broken

__all__ = ["FIXED", "Ds64", "Ds64Entry", "decode", "encode"]

_TECH = "EBU Tech 3306"

FIXED = Layout(
    "ds64",
    (
        Field(name="riffSize", offset=0, code="Q", clause=_TECH, unit="byte"),
        Field(name="dataSize", offset=8, code="Q", clause=_TECH, unit="byte"),
        Field(name="sampleCount", offset=16, code="Q", clause=_TECH, unit="frame"),
        Field(name="tableLength", offset=24, code="I", clause=_TECH),
    ),
)
_MOST_ENTRIES = 4096
_ENTRY = struct.Struct("<4sQ")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ds64Entry:
    """The 64-bit size of a chunk other than ``data``."""

    chunk_id: bytes
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Ds64:
    """A ``ds64`` payload; ``rest`` is what stands behind the table, byte for byte."""

    riff_bytes: int
    data_bytes: int
    frames: int
    table: tuple[Ds64Entry, ...] = ()
    rest: bytes = b""


def decode(payload: bytes) -> Ds64:
    """Read a ``ds64`` payload.

    Raises
    ------
    InputError
        It is shorter than 28 bytes or than its table, or the table has more than 4096 entries.
    """
    riff_bytes, data_bytes, frames, length = FIXED.unpack(payload)
    end = FIXED.size + length * _ENTRY.size
    if end > len(payload):
        raise broken(
            "ds64",
            24,
            f"tableLength is {length}, but only {len(payload) - FIXED.size} bytes follow",
            f"{length * _ENTRY.size} bytes of table",
        )
    if length > _MOST_ENTRIES:
        raise broken("ds64", 24, f"tableLength is {length}", f"at most {_MOST_ENTRIES} entries")
    return Ds64(
        riff_bytes=riff_bytes,
        data_bytes=data_bytes,
        frames=frames,
        table=tuple(
            Ds64Entry(chunk_id=chunk_id, size_bytes=size)
            for chunk_id, size in _ENTRY.iter_unpack(payload[FIXED.size : end])
        ),
        rest=payload[end:],
    )


def encode(record: Ds64) -> bytes:
    """Write a ``ds64`` payload."""
    return (
        FIXED.pack(record.riff_bytes, record.data_bytes, record.frames, len(record.table))
        + b"".join(_ENTRY.pack(entry.chunk_id, entry.size_bytes) for entry in record.table)
        + record.rest
    )
