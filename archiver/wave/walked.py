"""Records of a walk: the form of a file, its chunks, the span of its samples."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from archiver.findings import Finding
from archiver.wave.ds64 import Ds64
from archiver.wave.format import Format
from archiver.wave.subchunks import id_text

__all__ = ["HEADER_BYTES", "TAGS", "UNKNOWN_SIZE", "Chunk", "DataSpan", "Form", "Walk"]

UNKNOWN_SIZE = 0xFFFFFFFF
"""In a 32-bit size field: see ``ds64``, or never filled in."""
HEADER_BYTES = 8
"""Identifier and size in front of every payload."""
TAGS = (b"ID3", b"TAG", b"APE")
"""How tags begin that programs put behind the end of a file."""


class Form(enum.StrEnum):
    """The three forms of the container, by their first four bytes."""

    RIFF = "RIFF"
    RF64 = "RF64"
    BW64 = "BW64"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """A chunk as it stands in the file.

    Parameters
    ----------
    chunk_id : bytes
        Four bytes.
    header_offset_bytes : int
        Where its id starts.
    size_field : int
        The 32-bit size as it stands in its header.
    declared_bytes : int
        Payload size that is meant: from ``ds64`` where the field refers to it.
    present_bytes : int
        Payload bytes that the file holds, at most the declared ones; for ``data``
        with an unset size, all up to the end of the file.
    pad : bytes
        The pad byte as found; empty when none is due or none is there.
    """

    chunk_id: bytes
    header_offset_bytes: int
    size_field: int
    declared_bytes: int
    present_bytes: int
    pad: bytes = b""

    @property
    def payload_offset_bytes(self) -> int:
        """Where the payload starts."""
        return self.header_offset_bytes + HEADER_BYTES

    @property
    def end_bytes(self) -> int:
        """Where the next chunk starts."""
        return self.payload_offset_bytes + self.present_bytes + len(self.pad)

    @property
    def whole(self) -> bool:
        """Whether all declared bytes are there."""
        return self.present_bytes >= self.declared_bytes

    @property
    def name(self) -> str:
        """The id for people, without trailing blanks."""
        return id_text(self.chunk_id)


@dataclass(frozen=True, slots=True, kw_only=True)
class DataSpan:
    """Where the samples lie.

    Parameters
    ----------
    offset_bytes : int
    declared_bytes : int, optional
        None when the recorder left no size.
    present_bytes : int
        Bytes of sound in the file.
    frames : int
        Whole frames among them; 0 when the format is not known.
    sample_bytes : int
        Bytes of the whole frames: what a master takes.
    """

    offset_bytes: int
    declared_bytes: int | None
    present_bytes: int
    frames: int
    sample_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """What a walk saw.

    Parameters
    ----------
    name : str
        As handed in; findings name it.
    form : Form
    file_bytes : int
        Length of the file.
    size_field : int
        The 32-bit size in the first bytes.
    declared_end_bytes : int, optional
        Where the file should end by its own account; None when it gives none.
    chunks : tuple of Chunk
        In the order of the file.
    ds64 : Ds64, optional
    format : Format, optional
        None when ``fmt `` is missing or too short.
    data : DataSpan, optional
        None when there is no ``data``.
    trailing_offset_bytes, trailing_bytes : int
        Bytes that belong to no chunk, and where they start.
    findings : tuple of Finding
        In the order of the file.
    """

    name: str
    form: Form
    file_bytes: int
    size_field: int
    declared_end_bytes: int | None
    chunks: tuple[Chunk, ...]
    ds64: Ds64 | None
    format: Format | None
    data: DataSpan | None
    trailing_offset_bytes: int
    trailing_bytes: int
    findings: tuple[Finding, ...]

    def first(self, chunk_id: bytes) -> Chunk | None:
        """Return the first chunk of an id; None when there is none."""
        return next((chunk for chunk in self.chunks if chunk.chunk_id == chunk_id), None)
