"""The ``fact`` chunk: the number of frames, needed for every coding but PCM.

Source: Microsoft and IBM, RIFF 1991, chapter 3; EBU Tech 3306 for the value in RF64.
"""

from __future__ import annotations

from dataclasses import dataclass

from archiver.wave.layout import Field, Layout

__all__ = ["FIXED", "IN_DS64", "Fact", "decode", "encode"]

FIXED = Layout(
    "fact",
    (Field(name="dwSampleLength", offset=0, code="I", clause="RIFF 1991, ch. 3", unit="frame"),),
)
IN_DS64 = 0xFFFFFFFF
"""Stands for "see ``sampleCount`` in ``ds64``"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A ``fact`` payload; ``rest`` is what follows the count, byte for byte."""

    frames: int
    rest: bytes = b""


def decode(payload: bytes) -> Fact:
    """Read a ``fact`` payload.

    Raises
    ------
    InputError
        It is shorter than four bytes.
    """
    (frames,) = FIXED.unpack(payload)
    return Fact(frames=frames, rest=payload[FIXED.size :])


def encode(record: Fact) -> bytes:
    """Write a ``fact`` payload."""
    return FIXED.pack(record.frames) + record.rest
