"""The walk through RIFF, RF64 and BW64 files: what is declared against what is there.

It runs before any foreign decoder sees a file, because such decoders shorten a
truncated take without a word. Nothing is read but headers and the small chunks that
say how long the others are, so a walk is as quick for ten hours as for ten seconds.

Sources: Microsoft and IBM, RIFF 1991, chapter 2; EBU Tech 3285 v2, appendix A;
EBU Tech 3306 and ITU-R BS.2088 for the 64-bit forms. RIFX is refused.
"""

from __future__ import annotations

import dataclasses
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
from archiver.wave.judging import judge
from archiver.wave.layout import broken
from archiver.wave.subchunks import id_text
from archiver.wave.walked import HEADER_BYTES, TAGS, UNKNOWN_SIZE, Chunk, DataSpan, Form, Walk

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

MOST_CHUNKS = 4096
"""A file with more chunks is not walked further."""
LARGEST_CHUNK_BYTES = 1 << 26
"""A chunk other than ``data`` that is larger is not read into memory."""
_LARGEST_FORMAT_BYTES = 1 << 12
_DEEPEST = 8
_START_BYTES = 12


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
        len(header) == HEADER_BYTES
        and all(0x20 <= byte <= 0x7E for byte in header[:4])
        and not header.startswith(TAGS)
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
        return _read(self.file, at, HEADER_BYTES, self.name)

    def run(self) -> Walk:
        end = self._declared_end()
        at = _START_BYTES
        limit = self.file_bytes if end is None else min(end, self.file_bytes)
        while limit - at >= HEADER_BYTES:
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
        seen = Walk(
            name=self.name,
            form=self.form,
            file_bytes=self.file_bytes,
            size_field=self.size_field,
            declared_end_bytes=end,
            chunks=tuple(self.chunks),
            ds64=self.ds64,
            format=self.format,
            data=self._data(),
            trailing_offset_bytes=at,
            trailing_bytes=self.file_bytes - at,
            findings=(),
        )
        head = _read(self.file, at, 4, self.name) if seen.trailing_bytes else b""
        judged = judge(seen, head)
        return dataclasses.replace(seen, findings=(*self.findings, *judged))

    def _declared_end(self) -> int | None:
        if self.form is Form.RIFF:
            if self.size_field in (0, UNKNOWN_SIZE):
                return None
            return self.size_field + HEADER_BYTES
        self._read_ds64()
        if self.size_field != UNKNOWN_SIZE:
            return self.size_field + HEADER_BYTES
        if self.ds64 is None or not self.ds64.riff_bytes:
            return None
        return self.ds64.riff_bytes + HEADER_BYTES

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
        start = at + HEADER_BYTES
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
        return not _plausible(follows, room - HEADER_BYTES) and not follows.startswith(TAGS)

    def _pad(self, at: int) -> bytes:
        """Return the pad byte at an offset; empty when the next chunk starts there already."""
        found = _read(self.file, at, 1 + HEADER_BYTES, self.name)
        if found.startswith(TAGS):
            return b""
        if len(found) > 1 and found[0]:
            room = self.file_bytes - at - HEADER_BYTES
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
            f"the file begins with {id_text(start[:4])}, so it is no wave file",
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
            f"the file is {start[:4].decode()} of type {id_text(start[8:])}, not WAVE",
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
