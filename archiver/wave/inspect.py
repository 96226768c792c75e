"""What is inside a wave file, chunk by chunk, in the standards' own field names.

The result says nothing about display: names, values as text, units, offsets. A chunk
that breaks its standard is shown with what is wrong, and the others all the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from archiver import files
from archiver.errors import InputError, MisuseError
from archiver.files import open_read, translated
from archiver.findings import Finding
from archiver.wave import adtl, axml, bext, cue, ds64, fact, history, info, ixml, md5
from archiver.wave import format as fmt_chunk
from archiver.wave.adtl import CueLength, CueText
from archiver.wave.bext import LOUDNESS_FIELDS, TEXT_FIELDS, Bext
from archiver.wave.capture import HEAD_BYTES, CaptureKind, identify
from archiver.wave.container import Chunk, Walk, read_payload, walk
from archiver.wave.existing import FILLERS
from archiver.wave.subchunks import RawChunk, id_text
from archiver.wave.text import Charset

__all__ = ["ChunkView", "FieldView", "Inspection", "inspect"]

_ACCEPTED = "a wave file in the form RIFF, RF64 or BW64"
_SHOWN_BYTES = 32
_MOST_ROWS = 5000


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldView:
    """One field.

    Parameters
    ----------
    name : str
        As the standard spells it.
    value : str or int or float, optional
        None where the standard says that the field is not used.
    unit : str
    note : str
        Meaning of a code, character set, deviation.
    """

    name: str
    value: str | int | float | None
    unit: str = ""
    note: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines, without empty members."""
        facts: dict[str, Any] = {"name": self.name, "value": self.value}
        if self.unit:
            facts["unit"] = self.unit
        if self.note:
            facts["note"] = self.note
        return facts


@dataclass(frozen=True, slots=True, kw_only=True)
class ChunkView:
    """One chunk.

    Parameters
    ----------
    id : str
        Without trailing blanks.
    list_type : str
        Of a ``LIST``; empty otherwise.
    header_offset_bytes, payload_offset_bytes : int
    declared_bytes, present_bytes : int
    pad : str
        Pad byte in hexadecimal; empty when there is none.
    fields : tuple of FieldView
    fault : str
        How the chunk breaks its standard; empty when it does not.
    """

    id: str
    list_type: str
    header_offset_bytes: int
    payload_offset_bytes: int
    declared_bytes: int
    present_bytes: int
    pad: str
    fields: tuple[FieldView, ...]
    fault: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines, without empty members."""
        facts: dict[str, Any] = {
            "id": self.id,
            "header_offset_bytes": self.header_offset_bytes,
            "payload_offset_bytes": self.payload_offset_bytes,
            "declared_bytes": self.declared_bytes,
            "present_bytes": self.present_bytes,
        }
        for name in ("list_type", "pad", "fault"):
            if getattr(self, name):
                facts[name] = getattr(self, name)
        if self.fields:
            facts["fields"] = [field.as_json() for field in self.fields]
        return facts


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """A wave file laid open.

    Parameters
    ----------
    name, form : str
    file_bytes : int
    declared_bytes : int, optional
        Length of the file by its own account; None when it gives none.
    coding : str
        For people, such as ``PCM``; empty without ``fmt ``.
    frames : int, optional
    duration_s : float, optional
    chunks : tuple of ChunkView
    trailing_offset_bytes, trailing_bytes : int
        Bytes that belong to no chunk.
    findings : tuple of Finding
    """

    name: str
    form: str
    file_bytes: int
    declared_bytes: int | None
    coding: str
    frames: int | None
    duration_s: float | None
    chunks: tuple[ChunkView, ...]
    trailing_offset_bytes: int
    trailing_bytes: int
    findings: tuple[Finding, ...]

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        return {
            "name": self.name,
            "form": self.form,
            "file_bytes": self.file_bytes,
            "declared_bytes": self.declared_bytes,
            "coding": self.coding,
            "frames": self.frames,
            "duration_s": self.duration_s,
            "chunks": [chunk.as_json() for chunk in self.chunks],
            "trailing_offset_bytes": self.trailing_offset_bytes,
            "trailing_bytes": self.trailing_bytes,
            "findings": [finding.as_json() for finding in self.findings],
        }


def _charset(charset: Charset) -> str:
    return "" if charset is Charset.ASCII else str(charset)


def _fmt(payload: bytes) -> Iterator[FieldView]:
    record = fmt_chunk.decode(payload)
    values = fmt_chunk.FIXED.unpack(payload)
    for field, value in zip(fmt_chunk.FIXED.fields, values, strict=True):
        if field.name == "wFormatTag":
            note = "WAVE_FORMAT_EXTENSIBLE" if value == fmt_chunk.EXTENSIBLE else (
                fmt_chunk.CODINGS.get(value, "unknown")
            )  # fmt: skip
            yield FieldView(name=field.name, value=f"{value:#06x}", note=note)
        else:
            yield FieldView(name=field.name, value=value, unit=field.unit)
    if record.extension is not None:
        extension = record.extension
        yield FieldView(name="cbSize", value=extension.extension_bytes, unit="byte")
        yield FieldView(
            name="wValidBitsPerSample", value=extension.valid_bits_per_sample, unit="bit"
        )
        yield FieldView(
            name="dwChannelMask",
            value=f"{extension.channel_mask:#x}",
            note=" ".join(fmt_chunk.speakers(extension.channel_mask)),
        )
        yield FieldView(
            name="SubFormat", value=extension.sub_format.hex(), note=fmt_chunk.coding_name(record)
        )
    elif len(record.rest) >= 2:
        size = int.from_bytes(record.rest[:2], "little")
        yield FieldView(name="cbSize", value=size, unit="byte")


def _ds64(payload: bytes) -> Iterator[FieldView]:
    record = ds64.decode(payload)
    for field, value in zip(ds64.FIXED.fields, ds64.FIXED.unpack(payload), strict=True):
        yield FieldView(name=field.name, value=value, unit=field.unit)
    for entry in record.table[:_MOST_ROWS]:
        name = f"table {id_text(entry.chunk_id)}"
        yield FieldView(name=name, value=entry.size_bytes, unit="byte")


def _fact(payload: bytes) -> Iterator[FieldView]:
    frames = fact.decode(payload).frames
    note = "see ds64" if frames == fact.IN_DS64 else ""
    yield FieldView(name="dwSampleLength", value=frames, unit="frame", note=note)


def _bext(payload: bytes) -> Iterator[FieldView]:
    record = bext.decode(payload)
    for attribute, (name, _) in TEXT_FIELDS.items():
        yield FieldView(
            name=name, value=getattr(record, attribute), note=_charset(record.charset(attribute))
        )
    yield FieldView(name="TimeReference", value=record.time_reference, unit="frame")
    yield FieldView(name="Version", value=record.version)
    if record.umid is not None:
        none = not any(record.umid)
        basic = not any(record.umid[32:])
        shown = record.umid[:32] if basic else record.umid
        yield FieldView(
            name="UMID", value=None if none else shown.hex(), note="none" if none else ""
        )
    yield from _loudness(record)
    if any(record.reserved):
        yield FieldView(
            name="Reserved", value=_hex(record.reserved), note="not zero, as the standard asks"
        )
    lines = history.parse(record.coding_history)
    for line in lines[:_MOST_ROWS]:
        yield FieldView(name="CodingHistory", value=line.raw, note="; ".join(line.deviations))
    if not lines:
        yield FieldView(name="CodingHistory", value="", note="empty")


def _loudness(record: Bext) -> Iterator[FieldView]:
    if record.loudness is None:
        return
    for attribute, (name, unit) in LOUDNESS_FIELDS.items():
        value = record.loudness.read(attribute)  # type: ignore[arg-type]
        stored = getattr(record.loudness, attribute)
        if value is not None:
            yield FieldView(name=name, value=value, unit=unit)
        elif stored == bext.UNUSED:
            yield FieldView(name=name, value=None, note="not used")
        else:
            yield FieldView(name=name, value=None, note=f"stored {stored}, outside the range")


def _list(payload: bytes) -> Iterator[FieldView]:
    if payload[:4] == info.LIST_TYPE:
        record = info.decode(payload)
        for entry in record.entries[:_MOST_ROWS]:
            notes = (info.MEANINGS.get(entry.id, ""), _charset(entry.charset))
            shown = id_text(entry.id.encode("latin-1"))
            yield FieldView(name=shown, value=entry.text, note=", ".join(filter(None, notes)))
        yield from _rest(record.rest)
    elif payload[:4] == adtl.LIST_TYPE:
        labels = adtl.decode(payload)
        for item in labels.entries[:_MOST_ROWS]:
            yield _label(item)
        yield from _rest(labels.rest)
    else:
        yield FieldView(name="payload", value=_hex(payload[4:]))


def _label(entry: CueText | CueLength | RawChunk) -> FieldView:
    match entry:
        case CueText():
            return FieldView(
                name=id_text(entry.kind), value=entry.text.text, note=f"cue {entry.cue}"
            )
        case CueLength():
            note = f"cue {entry.cue}, purpose {id_text(entry.purpose)}"
            if entry.text.text:
                note += f", {entry.text.text}"
            return FieldView(name="ltxt", value=entry.length_frames, unit="frame", note=note)
        case RawChunk():
            return FieldView(name=id_text(entry.chunk_id), value=_hex(entry.payload))


def _rest(rest: bytes) -> Iterator[FieldView]:
    if rest:
        yield FieldView(
            name="rest", value=_hex(rest), note=f"{len(rest)} bytes that make no whole sub-chunk"
        )


def _cue(payload: bytes) -> Iterator[FieldView]:
    record = cue.decode(payload)
    yield FieldView(name="dwCuePoints", value=len(record.points))
    for point in record.points[:_MOST_ROWS]:
        yield FieldView(
            name=f"cue {point.name}",
            value=point.sample_offset,
            unit="frame",
            note="" if point.position == point.sample_offset else f"dwPosition {point.position}",
        )


def _ixml(payload: bytes) -> Iterator[FieldView]:
    for at, (path, text) in enumerate(ixml.leaves(ixml.decode(payload))):
        if at == _MOST_ROWS:
            return
        yield FieldView(name=path, value=text)


def _axml(payload: bytes) -> Iterator[FieldView]:
    root = axml.root_of(axml.decode(payload))
    yield FieldView(name="root element", value=str(root.tag))


def _md5(payload: bytes) -> Iterator[FieldView]:
    yield FieldView(name="digest", value=md5.decode(payload).stored.hex(), note="as stored")


def _raw(payload: bytes) -> Iterator[FieldView]:
    if payload:
        yield FieldView(name="payload", value=_hex(payload))


def _hex(raw: bytes) -> str:
    return raw[:_SHOWN_BYTES].hex(" ") + (" ..." if len(raw) > _SHOWN_BYTES else "")


_READERS: dict[bytes, Callable[[bytes], Iterator[FieldView]]] = {
    b"fmt ": _fmt,
    b"ds64": _ds64,
    b"fact": _fact,
    b"bext": _bext,
    b"LIST": _list,
    b"cue ": _cue,
    b"iXML": _ixml,
    b"axml": _axml,
    b"MD5 ": _md5,
}


def _view(file: BinaryIO, chunk: Chunk, name: str) -> ChunkView:
    fields: list[FieldView] = []
    fault = list_type = ""
    if chunk.chunk_id not in FILLERS | {b"data"}:
        try:
            payload = read_payload(file, chunk, name)
            if chunk.chunk_id == b"LIST":
                list_type = id_text(payload[:4])
            fields.extend(_READERS.get(chunk.chunk_id, _raw)(payload))
        except InputError as error:
            fault = error.found
    return ChunkView(
        id=chunk.name,
        list_type=list_type,
        header_offset_bytes=chunk.header_offset_bytes,
        payload_offset_bytes=chunk.payload_offset_bytes,
        declared_bytes=chunk.declared_bytes,
        present_bytes=chunk.present_bytes,
        pad=chunk.pad.hex(),
        fields=tuple(fields),
        fault=fault,
    )


def _inspected(file: BinaryIO, found: Walk) -> Inspection:
    data, fmt = found.data, found.format
    known = data is not None and fmt is not None and fmt.block_align_bytes > 0
    frames = data.frames if data is not None and known else None
    rate = fmt.sample_rate_hz if fmt is not None else 0
    return Inspection(
        name=found.name,
        form=str(found.form),
        file_bytes=found.file_bytes,
        declared_bytes=found.declared_end_bytes,
        coding="" if fmt is None else fmt_chunk.coding_name(fmt),
        frames=frames,
        duration_s=None if frames is None or not rate else frames / rate,
        chunks=tuple(_view(file, chunk, found.name) for chunk in found.chunks),
        trailing_offset_bytes=found.trailing_offset_bytes,
        trailing_bytes=found.trailing_bytes,
        findings=found.findings,
    )


def _refuse_other(head: bytes, name: str) -> None:
    """Refuse what has no chunks of a wave file, and say what it is."""
    try:
        kind = identify(head, name)
    except InputError as error:
        remedy = error.remedy if head else "There is nothing in it; copy it again from the recorder"
        raise MisuseError(error.found, where=name, accepted=_ACCEPTED, remedy=remedy) from error
    if kind is CaptureKind.WAVE:
        return
    what = "MP4, MOV or MKV" if kind is CaptureKind.VIDEO else str(kind)
    raise MisuseError(
        f"the file is {what}, which has no chunks of a wave file",
        where=name,
        accepted=_ACCEPTED,
        remedy="For its format and levels: archiver measure FILE; check and archive take it too",
    )


def inspect(path: Path, name: str | None = None) -> Inspection:
    """Lay a wave file open.

    Parameters
    ----------
    path : Path
    name : str, optional
        What findings and errors call the file; its path when not given.

    Raises
    ------
    MisuseError
        It is a folder, empty, or a file of another kind.
    InputError
        It is a wave file whose first bytes cannot be read as one.
    SurroundingsError
        It cannot be read.
    """
    name = str(path) if name is None else name
    if files.exists(path) and files.status(files.resolved(path)).is_directory:
        raise MisuseError(
            "it is a folder", where=name, accepted=_ACCEPTED, remedy="Name one file in it"
        )
    with open_read(path) as file:
        with translated(path, "read"):
            head = file.read(HEAD_BYTES)
            file.seek(0)
        _refuse_other(head, name)
        return _inspected(file, walk(file, name))
