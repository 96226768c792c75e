"""The walk through RIFF, RF64 and BW64 files: what is declared against what is there.

It runs before any foreign decoder sees a file, because such decoders shorten a
truncated take without a word. Nothing is read but headers and the small chunks that
say how long the others are, so a walk is as quick for ten hours as for ten seconds.

Sources: Microsoft and IBM, RIFF 1991, chapter 2; EBU Tech 3285 v2, appendix A;
EBU Tech 3306 and ITU-R BS.2088 for the 64-bit forms. RIFX is refused.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from archiver.errors import InputError
from archiver.files import translated
from archiver.findings import Finding, Rule, Where
from archiver.wave import ds64 as ds64_chunk
from archiver.wave import format as fmt_chunk
from archiver.wave import rules
from archiver.wave.ds64 import Ds64
from archiver.wave.format import Format
from archiver.wave.layout import broken
from archiver.wave.subchunks import id_text

__all__ = [
    "LARGEST_CHUNK_BYTES",
    "MOST_CHUNKS",
    "UNKNOWN_SIZE",
    "Chunk",
    "DataSpan",
    "Form",
    "Walk",
    "read_payload",
    "walk",
]

UNKNOWN_SIZE = 0xFFFFFFFF
"""In a 32-bit size field: see ``ds64``, or never filled in."""
MOST_CHUNKS = 4096
"""A file with more chunks is not walked further."""
LARGEST_CHUNK_BYTES = 1 << 26
"""A chunk other than ``data`` that is larger is not read into memory."""
_LARGEST_FORMAT_BYTES = 1 << 12
_DEEPEST = 8
_HEADER_BYTES = 8
_START_BYTES = 12
_TAGS = (b"ID3", b"TAG", b"APE")
_ONCE = {b"fmt ", b"data", b"bext", b"ds64"}


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
        return self.header_offset_bytes + _HEADER_BYTES

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


def read_payload(file: BinaryIO, chunk: Chunk, name: str) -> bytes:
    """Read the payload of a small chunk.

    Raises
    ------
    InputError
        It is larger than :data:`LARGEST_CHUNK_BYTES`.
    """
    if chunk.present_bytes > LARGEST_CHUNK_BYTES:
        raise InputError(
            f"chunk {chunk.name} has {chunk.present_bytes} bytes",
            where=f"{name}, byte {chunk.header_offset_bytes}",
            accepted=f"at most {LARGEST_CHUNK_BYTES} bytes in a chunk other than data",
            remedy=rules.CHUNK_TOO_LARGE.remedy,
        )
    return _read(file, chunk.payload_offset_bytes, chunk.present_bytes, name)


def _read(file: BinaryIO, at: int, count: int, name: str) -> bytes:
    with translated(Path(name), "read"):
        file.seek(at)
        return file.read(count)


def _plausible(header: bytes, room: int) -> bool:
    """Say whether bytes look like a chunk header whose payload fits into ``room``."""
    return (
        len(header) == _HEADER_BYTES
        and all(0x20 <= byte <= 0x7E for byte in header[:4])
        and not header.startswith(_TAGS)
        and int.from_bytes(header[4:], "little") <= room
    )


@dataclass(slots=True, kw_only=True)
class _Walker:
    """One walk; the state that its steps share."""

    file: BinaryIO
    name: str
    form: Form
    file_bytes: int
    size_field: int
    chunks: list[Chunk] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    ds64: Ds64 | None = None
    format: Format | None = None
    table: dict[bytes, list[int]] = field(default_factory=dict)
    unset: bool = False

    def say(self, rule: Rule, at: int, message: str, accepted: str = "", field: str = "") -> None:
        where = Where(file=self.name, offset_bytes=at, field=field)
        self.findings.append(rule.at(where, message, accepted=accepted))

    def header(self, at: int) -> bytes:
        return _read(self.file, at, _HEADER_BYTES, self.name)

    def run(self) -> Walk:
        end = self._declared_end()
        at = _START_BYTES
        limit = self.file_bytes if end is None else min(end, self.file_bytes)
        while limit - at >= _HEADER_BYTES:
            if len(self.chunks) == MOST_CHUNKS:
                self.say(
                    rules.TOO_MANY_CHUNKS, at, f"more than {MOST_CHUNKS} chunks", "a few dozen"
                )
                break
            header = self.header(at)
            chunk_id = header[:4]
            if not all(0x20 <= byte <= 0x7E for byte in chunk_id):
                break
            chunk = self._chunk(at, chunk_id, int.from_bytes(header[4:], "little"))
            self.chunks.append(chunk)
            self._look_inside(chunk)
            at = chunk.end_bytes
            # A chunk that reaches over the outer end and is whole refutes the outer size.
            if at - limit > len(chunk.pad):
                limit = self.file_bytes
            if self.unset:
                break
        data = self._data()
        self._judge_end(end, at)
        self._judge_chunks(data)
        return Walk(
            name=self.name,
            form=self.form,
            file_bytes=self.file_bytes,
            size_field=self.size_field,
            declared_end_bytes=end,
            chunks=tuple(self.chunks),
            ds64=self.ds64,
            format=self.format,
            data=data,
            trailing_offset_bytes=min(at, self.file_bytes),
            trailing_bytes=max(0, self.file_bytes - at),
            findings=tuple(self.findings),
        )

    def _declared_end(self) -> int | None:
        if self.form is Form.RIFF:
            if self.size_field in (0, UNKNOWN_SIZE):
                return None
            return self.size_field + _HEADER_BYTES
        self._read_ds64()
        if self.size_field != UNKNOWN_SIZE:
            return self.size_field + _HEADER_BYTES
        if self.ds64 is None or not self.ds64.riff_bytes:
            return None
        return self.ds64.riff_bytes + _HEADER_BYTES

    def _read_ds64(self) -> None:
        header = self.header(_START_BYTES)
        accepted = "ds64 of at least 28 bytes as the first chunk (EBU Tech 3306)"
        if header[:4] != b"ds64":
            found = f"first chunk is {id_text(header[:4])}" if len(header) >= 4 else "no chunk"
            self.say(rules.DS64_FAULT, _START_BYTES, f"{self.form} without ds64: {found}", accepted)
            return
        size = int.from_bytes(header[4:], "little")
        # The table is small; a size that is not leads to the fault below.
        payload = _read(self.file, _START_BYTES + 8, min(size, 1 << 16), self.name)
        try:
            self.ds64 = ds64_chunk.decode(payload)
        except InputError as error:
            self.say(rules.DS64_FAULT, _START_BYTES, f"ds64 {error.found}", accepted)
            return
        for entry in self.ds64.table:
            self.table.setdefault(entry.chunk_id, []).append(entry.size_bytes)

    def _meant(self, chunk_id: bytes, size_field: int) -> int | None:
        """Return the payload size that a header means; None when it was never set."""
        if size_field != UNKNOWN_SIZE:
            return size_field
        if chunk_id == b"data" and self.ds64 is not None:
            return self.ds64.data_bytes or None
        if self.table.get(chunk_id):
            return self.table[chunk_id].pop(0)
        return None

    def _chunk(self, at: int, chunk_id: bytes, size_field: int) -> Chunk:
        start = at + _HEADER_BYTES
        room = self.file_bytes - start
        declared = self._meant(chunk_id, size_field)
        if chunk_id == b"data" and self._never_set(declared, start, room):
            self.unset = True
            self.say(
                rules.SIZES_UNSET,
                at,
                f"data declares {size_field:#x} bytes, but {room} bytes follow; all of them are "
                "taken as sound",
                field="data",
            )
            return Chunk(
                chunk_id=chunk_id,
                header_offset_bytes=at,
                size_field=size_field,
                declared_bytes=room,
                present_bytes=room,
            )
        if declared is None:
            declared = size_field
        present = min(declared, room)
        pad = b""
        if declared % 2 and present == declared:
            pad = self._pad(start + declared)
            if not pad:
                self.say(
                    rules.PAD_MISSING,
                    at,
                    f"chunk {id_text(chunk_id)} has {declared} bytes and no pad byte",
                    field=id_text(chunk_id),
                )
        return Chunk(
            chunk_id=chunk_id,
            header_offset_bytes=at,
            size_field=size_field,
            declared_bytes=declared,
            present_bytes=present,
            pad=pad,
        )

    def _never_set(self, declared: int | None, start: int, room: int) -> bool:
        """Say whether a recorder left the size of ``data`` unset.

        A size of 0 may be true: then nothing follows, or a chunk does.
        """
        if declared is None:
            return True
        if declared or not room:
            return False
        follows = self.header(start)
        return not _plausible(follows, room - _HEADER_BYTES) and not follows.startswith(_TAGS)

    def _pad(self, at: int) -> bytes:
        """Return the pad byte at an offset; empty when the next chunk starts there already."""
        found = _read(self.file, at, 1 + _HEADER_BYTES, self.name)
        if found.startswith(_TAGS):
            return b""
        if len(found) > 1 and found[0]:
            room = self.file_bytes - at - _HEADER_BYTES
            if _plausible(found[:8], room) and not _plausible(found[1:], room - 1):
                return b""
        return found[:1]

    def _look_inside(self, chunk: Chunk) -> None:
        if chunk.chunk_id == b"fmt " and self.format is None:
            try:
                if chunk.present_bytes > _LARGEST_FORMAT_BYTES:
                    raise broken(
                        "fmt",
                        0,
                        f"fmt has {chunk.present_bytes} bytes",
                        f"at most {_LARGEST_FORMAT_BYTES} bytes",
                    )
                self.format = fmt_chunk.decode(read_payload(self.file, chunk, self.name))
            except InputError as error:
                self.say(
                    rules.FORMAT_WRONG,
                    chunk.header_offset_bytes,
                    error.found,
                    error.accepted,
                    "fmt",
                )
        elif chunk.chunk_id == b"LIST":
            self._look_for_depth(chunk)

    def _look_for_depth(self, chunk: Chunk) -> None:
        at, end = chunk.payload_offset_bytes + 4, chunk.end_bytes
        for _ in range(_DEEPEST):
            if end - at < _START_BYTES or self.header(at)[:4] != b"LIST":
                return
            at += _START_BYTES
        self.say(
            rules.LIST_DEEP,
            chunk.header_offset_bytes,
            f"lists within lists, more than {_DEEPEST} deep",
            field="LIST",
        )

    def _data(self) -> DataSpan | None:
        chunk = next((c for c in self.chunks if c.chunk_id == b"data"), None)
        if chunk is None:
            return None
        block_align = self.format.block_align_bytes if self.format else 0
        frames = chunk.present_bytes // block_align if block_align else 0
        return DataSpan(
            offset_bytes=chunk.payload_offset_bytes,
            declared_bytes=None if self.unset else chunk.declared_bytes,
            present_bytes=chunk.present_bytes,
            frames=frames,
            sample_bytes=frames * block_align,
        )

    def _judge_end(self, end: int | None, at: int) -> None:
        left = self.file_bytes - at
        cut = any(not chunk.whole for chunk in self.chunks)
        if end is None and not self.unset and not cut:
            value = f"{self.size_field:#x}" if self.form is Form.RIFF else "no size in ds64"
            self.say(rules.SIZE_WRONG, 4, f"the size of the file was never filled in ({value})")
        elif end is not None and not self.unset and end > self.file_bytes and not cut:
            # A lone missing pad byte at the end is told by its own finding.
            if end - self.file_bytes != 1 or not self._pad_missing_at_end():
                # The sound itself is whole here; only what may stand behind it can be lost.
                self.say(
                    rules.SIZE_WRONG,
                    4,
                    f"the file should have {end} bytes and has {self.file_bytes}",
                )
        # Some writers leave the last pad byte out of the outer size: harmless.
        elif (
            end is not None
            and not self.unset
            and end < at <= self.file_bytes
            and (at - end != 1 or not self.chunks[-1].pad)
        ):
            self.say(
                rules.SIZE_WRONG, 4, f"the file should end at byte {end}; its chunks end at {at}"
            )
        if left > 0:
            first = _read(self.file, at, 4, self.name)
            kind = f" ({id_text(first[:3])} tag)" if first.startswith(_TAGS) else ""
            self.say(
                rules.TRAILING_BYTES,
                at,
                f"{left} bytes after the last chunk belong to none{kind}",
            )

    def _pad_missing_at_end(self) -> bool:
        return bool(self.chunks and self.chunks[-1].declared_bytes % 2 and not self.chunks[-1].pad)

    def _judge_chunks(self, data: DataSpan | None) -> None:
        seen: dict[bytes, Chunk] = {}
        for chunk in self.chunks:
            if chunk.chunk_id in _ONCE and chunk.chunk_id in seen:
                self.say(
                    rules.DUPLICATE_CHUNK,
                    chunk.header_offset_bytes,
                    f"a second chunk {chunk.name}; the first starts at byte "
                    f"{seen[chunk.chunk_id].header_offset_bytes}",
                    field=chunk.name,
                )
            seen.setdefault(chunk.chunk_id, chunk)
            if chunk.chunk_id != b"data" and not chunk.whole:
                self.say(
                    rules.CHUNK_PAST_END,
                    chunk.header_offset_bytes,
                    f"chunk {chunk.name} declares {chunk.declared_bytes} bytes; "
                    f"{chunk.present_bytes} are there",
                    field=chunk.name,
                )
        for needed in (b"fmt ", b"data"):
            if needed not in seen:
                self.say(
                    rules.CHUNK_MISSING, self.file_bytes, f"no chunk {id_text(needed)}",
                    field=id_text(needed),
                )  # fmt: skip
        order = [chunk_id for chunk_id in seen if chunk_id in (b"fmt ", b"data")]
        if order == [b"data", b"fmt "]:
            self.say(
                rules.FORMAT_LATE,
                seen[b"fmt "].header_offset_bytes,
                "fmt stands after data",
                field="fmt",
            )
        if b"fmt " in seen and self.format is not None:
            self._judge_format(self.format, seen[b"fmt "].header_offset_bytes)
        if data is not None:
            self._judge_data(data, seen[b"data"])
        if self.ds64 is not None:
            self._judge_ds64(self.ds64, data)

    def _judge_format(self, found: Format, at: int) -> None:
        for fault in fmt_chunk.faults(found):
            self.say(rules.FORMAT_WRONG, at, fault, field="fmt")
        expected = found.sample_rate_hz * found.block_align_bytes
        if found.coding in (fmt_chunk.PCM, fmt_chunk.IEEE_FLOAT) and (
            found.average_bytes_per_second != min(expected, UNKNOWN_SIZE)
        ):
            self.say(
                rules.BYTE_RATE_WRONG,
                at,
                f"nAvgBytesPerSec is {found.average_bytes_per_second}",
                f"{expected}, nSamplesPerSec times nBlockAlign",
                "fmt",
            )

    def _judge_data(self, data: DataSpan, chunk: Chunk) -> None:
        at = chunk.header_offset_bytes
        if data.declared_bytes is not None and data.present_bytes < data.declared_bytes:
            self.say(
                rules.TRUNCATED,
                at,
                f"data declares {self._length(data.declared_bytes)}; "
                f"{self._length(data.present_bytes)} are there",
                field="data",
            )
        if not data.present_bytes:
            self.say(rules.NO_SAMPLES, at, "data holds no sample", field="data")
        elif self.format is not None and self.format.block_align_bytes:
            over = data.present_bytes - data.sample_bytes
            if over:
                self.say(
                    rules.PARTIAL_FRAME,
                    at,
                    f"{over} bytes at the end of data make no whole frame of "
                    f"{self.format.block_align_bytes} bytes and are left out",
                    field="data",
                )

    def _length(self, size: int) -> str:
        if self.format is None or not (
            self.format.block_align_bytes and self.format.sample_rate_hz
        ):
            return f"{size} bytes"
        frames = size // self.format.block_align_bytes
        return f"{size} bytes ({frames} frames, {frames / self.format.sample_rate_hz:.3f} s)"

    def _judge_ds64(self, sizes: Ds64, data: DataSpan | None) -> None:
        # BW64 calls the field a dummy; 0 occurs in RF64 where the writer did not count.
        if self.form is not Form.RF64 or not sizes.frames or data is None or self.format is None:
            return
        if self.format.block_align_bytes and data.declared_bytes is not None:
            declared = data.declared_bytes // self.format.block_align_bytes
            if sizes.frames != declared:
                self.say(
                    rules.DS64_FAULT,
                    _START_BYTES,
                    f"sampleCount is {sizes.frames}; data declares {declared} frames",
                    field="ds64",
                )


def walk(file: BinaryIO, name: str) -> Walk:
    """Walk through a RIFF, RF64 or BW64 wave file.

    Parameters
    ----------
    file : binary file
        Open for reading; its position is moved.
    name : str
        What findings and errors call the file.

    Raises
    ------
    InputError
        It is empty, not a wave file, or in the big-endian form RIFX.
    SurroundingsError
        It cannot be read.
    """
    with translated(Path(name), "read"):
        file_bytes = file.seek(0, 2)
    start = _read(file, 0, _START_BYTES, name)
    accepted = "a wave file in the form RIFF, RF64 or BW64"
    if not start:
        raise InputError(
            "the file is empty", where=name, accepted=accepted, remedy=rules.TRUNCATED.remedy
        )
    if start[:4] == b"RIFX":
        raise InputError(
            "the file is in the big-endian form RIFX",
            where=name,
            accepted=accepted,
            remedy="Convert it with an audio editor to a little-endian wave file",
        )
    if start[:4] not in (b"RIFF", b"RF64", b"BW64"):
        raise InputError(
            f"the file begins with {start[:4]!r}, so it is no wave file",
            where=name,
            accepted=accepted,
            remedy="Check that it is the file that is meant",
        )
    if len(start) < _START_BYTES:
        raise InputError(
            f"the file ends after {len(start)} bytes",
            where=name,
            accepted=accepted,
            remedy=rules.TRUNCATED.remedy,
        )
    if start[8:] != b"WAVE":
        raise InputError(
            f"the file is {start[:4].decode()} of type {start[8:]!r}, not WAVE",
            where=name,
            accepted=accepted,
            remedy="Check that it is the file that is meant",
        )
    return _Walker(
        file=file,
        name=name,
        form=Form(start[:4].decode()),
        file_bytes=file_bytes,
        size_field=int.from_bytes(start[4:8], "little"),
    ).run()
