"""The ``cue `` chunk: marked positions.

Source: Microsoft and IBM, RIFF 1991, chapter 3. Positions have 32 bits, also in
RF64: a mark beyond frame 4294967295 (12.4 h at 96 kHz) cannot be written here.
"""

from __future__ import annotations

from dataclasses import dataclass

from archiver.wave.layout import Field, Layout, broken
from archiver.wave.subchunks import id_text

__all__ = ["POINT", "Cue", "CuePoint", "decode", "encode"]

_CLAUSE = "RIFF 1991, ch. 3"
POINT = Layout(
    "cue",
    (
        Field(name="dwName", offset=0, code="I", clause=_CLAUSE),
        Field(name="dwPosition", offset=4, code="I", clause=_CLAUSE, unit="frame"),
        Field(name="fccChunk", offset=8, code="4s", clause=_CLAUSE),
        Field(name="dwChunkStart", offset=12, code="I", clause=_CLAUSE, unit="byte"),
        Field(name="dwBlockStart", offset=16, code="I", clause=_CLAUSE, unit="byte"),
        Field(name="dwSampleOffset", offset=20, code="I", clause=_CLAUSE, unit="frame"),
    ),
)
_COUNT_BYTES = 4
_MOST = 0xFFFFFFFF
_MOST_POINTS = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class CuePoint:
    """A marked position.

    Parameters
    ----------
    name : int
        Identifier that labels and notes refer to.
    sample_offset : int
        Frame from the start of ``data``: the value to trust.
    position : int, optional
        Frame in play order; the sample offset when not given.
    chunk : bytes
        Chunk that the offset counts in.
    chunk_start, block_start : int
        0 for linear samples in one ``data`` chunk.

    Raises
    ------
    ValueError
        A number does not fit 32 bits.
    """

    name: int
    sample_offset: int
    position: int = -1
    chunk: bytes = b"data"
    chunk_start: int = 0
    block_start: int = 0

    def __post_init__(self) -> None:
        """Fill in the position and refuse what does not fit."""
        if self.position == -1:
            object.__setattr__(self, "position", self.sample_offset)
        for attribute in ("name", "sample_offset", "position", "chunk_start", "block_start"):
            if not 0 <= getattr(self, attribute) <= _MOST:
                raise ValueError(
                    f"{attribute} is {getattr(self, attribute)}; a cue point holds 32 bits"
                )
        if len(self.chunk) != 4:
            raise ValueError(f"a chunk id has four bytes, not {id_text(self.chunk)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cue:
    """A ``cue `` payload; ``rest`` is what follows the points, byte for byte."""

    points: tuple[CuePoint, ...] = ()
    rest: bytes = b""


def decode(payload: bytes) -> Cue:
    """Read a ``cue `` payload.

    Raises
    ------
    InputError
        It is shorter than its count says, or counts more than 65536 points.
    """
    if len(payload) < _COUNT_BYTES:
        raise broken("cue", len(payload), f"ends after {len(payload)} bytes", "at least 4 bytes")
    count = int.from_bytes(payload[:_COUNT_BYTES], "little")
    end = _COUNT_BYTES + count * POINT.size
    if end > len(payload):
        raise broken(
            "cue",
            0,
            f"counts {count} points, but has room for {(len(payload) - 4) // POINT.size}",
            f"{end} bytes of payload",
        )
    if count > _MOST_POINTS:
        raise broken("cue", 0, f"counts {count} points", f"at most {_MOST_POINTS} points")
    points = []
    for at in range(_COUNT_BYTES, end, POINT.size):
        name, position, chunk, chunk_start, block_start, sample_offset = POINT.unpack(payload, at)
        points.append(
            CuePoint(
                name=name,
                position=position,
                chunk=chunk,
                chunk_start=chunk_start,
                block_start=block_start,
                sample_offset=sample_offset,
            )
        )
    return Cue(points=tuple(points), rest=payload[end:])


def encode(record: Cue) -> bytes:
    """Write a ``cue `` payload."""
    return (
        len(record.points).to_bytes(_COUNT_BYTES, "little")
        + b"".join(
            POINT.pack(
                point.name,
                point.position,
                point.chunk,
                point.chunk_start,
                point.block_start,
                point.sample_offset,
            )
            for point in record.points
        )
        + record.rest
    )
