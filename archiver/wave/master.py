"""Writing a master: the capture's samples, unchanged, behind a header of our own order.

The header can be finished only after the samples: loudness and digest are known
then. So its space is reserved in front of them, with room to spare, and filled in
place at the end; the room left over becomes a ``JUNK`` chunk, and the samples start
on a 4 KiB boundary. What does not fit in the end goes behind the samples.

Order: ``JUNK`` of 28 bytes or ``ds64``, ``bext``, ``fmt ``, ``fact``, ``LIST`` INFO,
``cue ``, ``LIST`` adtl, ``iXML``, ``axml``, chunks carried from before the sound,
``MD5 ``, filler, ``data``, chunks carried from behind the sound.

Sources: EBU Tech 3285 v2 and EBU Tech 3306 (a ``JUNK`` chunk holds the place of
``ds64`` and becomes it, when a size does not fit 32 bits). The order within the
header is ours; ``cue `` stands before ``adtl`` because libsndfile 1.2.2 reads no
labels otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

from archiver.errors import DefectError, InputError
from archiver.files import translated
from archiver.wave import adtl as adtl_chunk
from archiver.wave import axml as axml_chunk
from archiver.wave import bext as bext_chunk
from archiver.wave import cue as cue_chunk
from archiver.wave import ds64 as ds64_chunk
from archiver.wave import fact as fact_chunk
from archiver.wave import format as fmt_chunk
from archiver.wave import info as info_chunk
from archiver.wave import ixml as ixml_chunk
from archiver.wave.adtl import Adtl
from archiver.wave.axml import Axml
from archiver.wave.bext import Bext
from archiver.wave.container import UNKNOWN_SIZE, Form
from archiver.wave.cue import Cue
from archiver.wave.ds64 import Ds64
from archiver.wave.fact import Fact
from archiver.wave.format import Format
from archiver.wave.info import Info
from archiver.wave.ixml import Ixml
from archiver.wave.subchunks import RawChunk, join, pack_chunk

__all__ = [
    "ALIGNMENT_BYTES",
    "LARGEST_32_BIT_SIZE",
    "SLACK_BYTES",
    "MasterChunks",
    "MasterLayout",
    "MasterWriter",
    "compose",
    "needs_64_bits",
]

ALIGNMENT_BYTES = 4096
"""Samples start on a multiple of this."""
SLACK_BYTES = 4096
"""Room kept by default for what is only known after the samples."""
LARGEST_32_BIT_SIZE = 0xFFFFFFFE
"""The next number stands for "see ds64"."""

_START = 12
_HEADER = 8
_DIGEST_BYTES = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterChunks:
    """All that a master holds beside its samples.

    Parameters
    ----------
    format : Format
        Kept from the capture where that has one.
    bext : Bext
    fact : Fact, optional
        Its count is set by the writer. Every coding but PCM gets one anyway.
    info, cue, adtl, ixml, axml : record, optional
    carried_before, carried_after : tuple of RawChunk
        Chunks of the capture, byte for byte.
    md5 : bytes, optional
        Digest of the samples; its room is kept also while it is None.
    """

    format: Format
    bext: Bext
    fact: Fact | None = None
    info: Info | None = None
    cue: Cue | None = None
    adtl: Adtl | None = None
    ixml: Ixml | None = None
    axml: Axml | None = None
    carried_before: tuple[RawChunk, ...] = ()
    carried_after: tuple[RawChunk, ...] = ()
    md5: bytes | None = None

    def __post_init__(self) -> None:
        """Refuse a digest of another length."""
        if self.md5 is not None and len(self.md5) != _DIGEST_BYTES:
            raise ValueError(f"an MD5 digest has {_DIGEST_BYTES} bytes, not {len(self.md5)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterLayout:
    """How a finished master lies in its file.

    Parameters
    ----------
    form : Form
    data_offset_bytes, data_bytes : int
        Where the samples start and how many bytes they take, without pad byte.
    frames : int
    file_bytes : int
    moved_behind : tuple of str
        Chunks for which the reserved room was too small.
    """

    form: Form
    data_offset_bytes: int
    data_bytes: int
    frames: int
    file_bytes: int
    moved_behind: tuple[str, ...] = ()


def needs_64_bits(riff_bytes: int, data_bytes: int) -> bool:
    """Say whether sizes do not fit the 32 bits of RIFF."""
    return riff_bytes > LARGEST_32_BIT_SIZE or data_bytes > LARGEST_32_BIT_SIZE


def _blocks(chunks: MasterChunks, frames: int, form: Form) -> list[tuple[str, bytes]]:
    """Return the header's chunks in order, each with id, size, payload and pad."""
    blocks = [
        ("bext", pack_chunk(b"bext", bext_chunk.encode(chunks.bext))),
        ("fmt", pack_chunk(b"fmt ", fmt_chunk.encode(chunks.format))),
    ]
    if chunks.fact is not None or chunks.format.coding != fmt_chunk.PCM:
        rest = b"" if chunks.fact is None else chunks.fact.rest
        # Above 32 bits the count stands in ds64 alone.
        count = frames if form is Form.RIFF else fact_chunk.IN_DS64
        fact = Fact(frames=min(count, fact_chunk.IN_DS64), rest=rest)
        blocks.append(("fact", pack_chunk(b"fact", fact_chunk.encode(fact))))
    if chunks.info is not None:
        blocks.append(("INFO", pack_chunk(b"LIST", info_chunk.encode(chunks.info))))
    if chunks.cue is not None:
        blocks.append(("cue", pack_chunk(b"cue ", cue_chunk.encode(chunks.cue))))
    if chunks.adtl is not None:
        blocks.append(("adtl", pack_chunk(b"LIST", adtl_chunk.encode(chunks.adtl))))
    if chunks.ixml is not None:
        blocks.append(("iXML", pack_chunk(b"iXML", ixml_chunk.encode(chunks.ixml))))
    if chunks.axml is not None:
        blocks.append(("axml", pack_chunk(b"axml", axml_chunk.encode(chunks.axml))))
    if chunks.carried_before:
        blocks.append(("carried", join(tuple(_even(c) for c in chunks.carried_before))))
    if chunks.md5 is not None:
        blocks.append(("MD5", pack_chunk(b"MD5 ", chunks.md5)))
    return blocks


def _even(chunk: RawChunk) -> RawChunk:
    """Give a carried chunk the pad byte that it lacked; one that it had is kept."""
    if len(chunk.payload) % 2 and not chunk.pad:
        return RawChunk(chunk_id=chunk.chunk_id, payload=chunk.payload, pad=b"\0")
    return chunk


# What goes behind the samples first, when the reserved room turns out too small. The cue
# points and their labels stay together; what a reader needs to play stays in front.
_MOVABLE = ("axml", "iXML", "carried", "INFO")


class MasterWriter:
    """Writes one master, once, from front to back, and its header at the end.

    Parameters
    ----------
    file : binary file
        New, open for writing at its start; only :meth:`seek` and :meth:`write` are used.
    chunks : MasterChunks
        As far as known before the samples; :meth:`finish` takes the final ones.
    data_bytes : int, optional
        Bytes of samples to come, checked by :meth:`finish`; None where only decoding
        tells.
    form_64 : Form
        Form of a file whose sizes do not fit 32 bits.
    slack_bytes : int
        Room kept for what grows between now and :meth:`finish`.
    """

    def __init__(
        self,
        file: BinaryIO,
        chunks: MasterChunks,
        data_bytes: int | None,
        *,
        form_64: Literal[Form.RF64, Form.BW64] = Form.RF64,
        slack_bytes: int = SLACK_BYTES,
    ) -> None:
        self._file = file
        self._path = Path(str(getattr(file, "name", "the master")))
        self._expected = data_bytes
        self._form_64 = form_64
        known = sum(len(block) for _, block in _blocks(chunks, 0, Form.RIFF))
        digest = 0 if chunks.md5 is not None else _HEADER + _DIGEST_BYTES
        needed = (
            _START + _HEADER + ds64_chunk.FIXED.size + known + digest + slack_bytes + 2 * _HEADER
        )
        self.data_offset_bytes = -(-needed // ALIGNMENT_BYTES) * ALIGNMENT_BYTES
        self._frame_bytes = chunks.format.block_align_bytes
        self._written = 0
        with translated(self._path, "written"):
            self._file.seek(self.data_offset_bytes)

    def write(self, block: bytes | bytearray | memoryview) -> None:
        """Write samples behind those already written.

        Raises
        ------
        SurroundingsError
            The disk is full or fails.
        """
        view = memoryview(block).cast("B")
        with translated(self._path, "written"):
            while view:
                count = self._file.write(view)
                self._written += count
                view = view[count:]

    def finish(self, chunks: MasterChunks) -> MasterLayout:
        """Write what stands behind the samples, then the header.

        Parameters
        ----------
        chunks : MasterChunks
            The final ones.

        Raises
        ------
        InputError
            Another number of samples came than was announced.
        DefectError
            The samples are no whole number of frames, or the format changed.
        SurroundingsError
            The disk is full or fails.
        """
        if self._expected is not None and self._written != self._expected:
            raise InputError(
                f"{self._written} bytes of samples were written instead of {self._expected}",
                where=str(self._path),
                remedy="Make sure that nothing changes the capture meanwhile, then run again",
            )
        if chunks.format.block_align_bytes != self._frame_bytes or (
            self._written % self._frame_bytes if self._frame_bytes else True
        ):
            raise DefectError("the samples are no whole number of frames", where=str(self._path))
        header, behind, layout = compose(
            chunks,
            data_offset_bytes=self.data_offset_bytes,
            data_bytes=self._written,
            form_64=self._form_64,
        )
        with translated(self._path, "written"):
            self._put(bytes(self._written % 2) + behind)
            self._file.seek(0)
            self._put(header)
            self._file.seek(layout.file_bytes)
        return layout

    def _put(self, content: bytes) -> None:
        view = memoryview(content)
        while view:
            view = view[self._file.write(view) :]


def compose(
    chunks: MasterChunks,
    *,
    data_offset_bytes: int,
    data_bytes: int,
    form_64: Literal[Form.RF64, Form.BW64] = Form.RF64,
) -> tuple[bytes, bytes, MasterLayout]:
    """Compose what stands before and behind the samples.

    Parameters
    ----------
    chunks : MasterChunks
    data_offset_bytes : int
        Where the samples start; the header fills the file up to there.
    data_bytes : int
    form_64 : Form
        Form of a file whose sizes do not fit 32 bits.

    Returns
    -------
    header : bytes
        As many as ``data_offset_bytes``.
    behind : bytes
        Chunks behind the samples and their pad byte.
    layout : MasterLayout

    Raises
    ------
    DefectError
        Even the chunks that must stand in front do not fit.
    """
    frames = data_bytes // (chunks.format.block_align_bytes or 1)
    room = data_offset_bytes - _START - _HEADER - ds64_chunk.FIXED.size - _HEADER
    form = form_64 if data_bytes > LARGEST_32_BIT_SIZE else Form.RIFF
    blocks, moved = _placed(_blocks(chunks, frames, form), room)
    behind = b"".join(block for _, block in moved)
    behind += join(tuple(_even(chunk) for chunk in chunks.carried_after))
    file_bytes = data_offset_bytes + data_bytes + data_bytes % 2 + len(behind)
    riff_bytes = file_bytes - _HEADER
    if form is Form.RIFF and needs_64_bits(riff_bytes, data_bytes):
        form = form_64
        blocks, moved = _placed(_blocks(chunks, frames, form), room)
    front = b"".join(block for _, block in blocks)
    left = room - len(front)
    # Too little for a filler's own header goes into the first chunk, whose end is free.
    spare, filler = (
        (bytes(left), b"") if left < _HEADER else (b"", pack_chunk(b"JUNK", bytes(left - _HEADER)))
    )
    if form is Form.RIFF:
        start = b"RIFF" + riff_bytes.to_bytes(4, "little") + b"WAVE"
        sizes = pack_chunk(b"JUNK", bytes(ds64_chunk.FIXED.size) + spare)
        data_size = data_bytes
    else:
        start = form.encode() + UNKNOWN_SIZE.to_bytes(4, "little") + b"WAVE"
        count = frames if form is Form.RF64 else 0
        record = Ds64(riff_bytes=riff_bytes, data_bytes=data_bytes, frames=count, rest=spare)
        sizes = pack_chunk(b"ds64", ds64_chunk.encode(record))
        data_size = UNKNOWN_SIZE
    header = start + sizes + front + filler + b"data" + data_size.to_bytes(4, "little")
    return (
        header,
        behind,
        MasterLayout(
            form=form,
            data_offset_bytes=data_offset_bytes,
            data_bytes=data_bytes,
            frames=frames,
            file_bytes=file_bytes,
            moved_behind=tuple(name for name, _ in moved),
        ),
    )


def _placed(
    blocks: Sequence[tuple[str, bytes]], room: int
) -> tuple[list[tuple[str, bytes]], list[tuple[str, bytes]]]:
    """Divide blocks into those that fit in front of the samples and those moved behind."""
    front, behind = list(blocks), []
    for movable in (None, *_MOVABLE):
        if movable is not None:
            behind += [block for block in front if block[0] == movable]
            front = [block for block in front if block[0] != movable]
        left = room - sum(len(block) for _, block in front)
        if left >= 0:
            return front, behind
    raise DefectError(
        f"the header needs {-left} bytes more than were reserved",
        remedy="Report this with the session sheet",
    )
