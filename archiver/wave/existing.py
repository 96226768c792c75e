"""What a capture brings along beside its samples, decoded where it is understood.

Chunks that are not read here are kept byte for byte, before and behind the sound as
they stood. Fillers (``JUNK``, ``PAD ``, ``FLLR``) and sizes (``ds64``, ``fact``) are
not kept: a master has its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import BinaryIO, TypeVar

from archiver.errors import InputError
from archiver.findings import Finding, Rule, Where
from archiver.wave import adtl, axml, bext, cue, info, ixml, md5, rules
from archiver.wave.adtl import Adtl
from archiver.wave.axml import Axml
from archiver.wave.bext import Bext
from archiver.wave.container import LARGEST_CHUNK_BYTES, Chunk, Walk, read_payload
from archiver.wave.cue import Cue
from archiver.wave.info import Info
from archiver.wave.ixml import Ixml
from archiver.wave.md5 import Md5
from archiver.wave.subchunks import RawChunk, id_text
from archiver.wave.text import Charset

__all__ = ["FILLERS", "NOTHING", "Existing", "carried_findings", "read_existing"]

FILLERS = frozenset({b"JUNK", b"junk", b"PAD ", b"FLLR"})
_OWN = frozenset({b"fmt ", b"data", b"ds64", b"fact"})

Record = TypeVar("Record")


@dataclass(frozen=True, slots=True, kw_only=True)
class Existing:
    """The chunks of a capture.

    Parameters
    ----------
    bext, info, cue, adtl, ixml, axml, md5 : record, optional
        The first chunk of its kind that follows its standard.
    raw_bext : bytes, optional
        Payload of the first ``bext`` as it stands, also where it is broken.
    before, after : tuple of RawChunk
        Chunks carried byte for byte, by their place relative to ``data``.
    withheld : frozenset of bytes
        Ids (list types for ``LIST``) of broken chunks among them: ours must not
        stand beside those.
    original : tuple of RawChunk
        Every chunk that was read, as it stood and in the order of the file, for the
        record: also those that a master merges with ours or writes anew.
    """

    bext: Bext | None = None
    raw_bext: bytes | None = None
    info: Info | None = None
    cue: Cue | None = None
    adtl: Adtl | None = None
    ixml: Ixml | None = None
    axml: Axml | None = None
    md5: Md5 | None = None
    before: tuple[RawChunk, ...] = ()
    after: tuple[RawChunk, ...] = ()
    withheld: frozenset[bytes] = frozenset()
    original: tuple[RawChunk, ...] = ()


NOTHING = Existing()
"""What a capture without any chunk of interest brings."""


@dataclass(slots=True, kw_only=True)
class _Reader:
    file: BinaryIO
    walk: Walk
    findings: list[Finding] = field(default_factory=list)
    records: dict[str, object] = field(default_factory=dict)
    raw_bext: bytes | None = None
    before: list[RawChunk] = field(default_factory=list)
    after: list[RawChunk] = field(default_factory=list)
    withheld: set[bytes] = field(default_factory=set)
    original: list[RawChunk] = field(default_factory=list)
    bytes_kept: int = 0

    def say(self, rule: Rule, chunk: Chunk, message: str, accepted: str = "") -> None:
        where = Where(file=self.walk.name, field=chunk.name, offset_bytes=chunk.header_offset_bytes)
        self.findings.append(rule.at(where, message, accepted=accepted))

    def run(self) -> Existing:
        sound = self.walk.first(b"data")
        behind = sound.header_offset_bytes if sound else self.walk.file_bytes
        skipped: list[Chunk] = []
        for chunk in self.walk.chunks:
            if chunk.chunk_id in FILLERS:
                skipped.append(chunk)
            elif chunk.chunk_id not in _OWN and chunk.whole:
                self._take(chunk, self.before if chunk.header_offset_bytes < behind else self.after)
        if skipped:
            names = ", ".join(sorted({chunk.name for chunk in skipped}))
            self.say(rules.NOT_CARRIED, skipped[0], f"filler is not carried over: {names}")
        existing = Existing(
            **self.records,  # type: ignore[arg-type]
            raw_bext=self.raw_bext,
            before=tuple(self.before),
            after=tuple(self.after),
            withheld=frozenset(self.withheld),
            original=tuple(self.original),
        )
        self.findings += carried_findings(existing, self.walk.name)
        return existing

    def _take(self, chunk: Chunk, carried: list[RawChunk]) -> None:
        self.bytes_kept += chunk.present_bytes
        if self.bytes_kept > LARGEST_CHUNK_BYTES:
            self.say(
                rules.CHUNK_TOO_LARGE,
                chunk,
                f"chunk {chunk.name} has {chunk.present_bytes} bytes",
                f"at most {LARGEST_CHUNK_BYTES} bytes in all chunks but data",
            )
            self.bytes_kept -= chunk.present_bytes
            return
        payload = read_payload(self.file, chunk, self.walk.name)
        raw = RawChunk(chunk_id=chunk.chunk_id, payload=payload, pad=chunk.pad)
        self.original.append(raw)
        match chunk.chunk_id, payload[:4]:
            case b"bext", _:
                self._bext(chunk, payload)
            case b"MD5 ", _:
                if not self._read(chunk, "md5", md5.decode, payload):
                    self.say(rules.NOT_CARRIED, chunk, "the broken MD5 is not carried over")
            case b"LIST", b"INFO":
                self._read_or_carry(raw, chunk, info.decode, carried, b"INFO")
            case b"LIST", b"adtl":
                self._read_or_carry(raw, chunk, adtl.decode, carried, b"adtl")
            case b"cue ", _:
                self._read_or_carry(raw, chunk, cue.decode, carried, b"cue ")
            case b"iXML", _:
                self._read_or_carry(raw, chunk, ixml.decode, carried, b"iXML")
            case b"axml", _:
                self._read_or_carry(raw, chunk, axml.decode, carried, b"axml")
            case _:
                carried.append(raw)

    def _read(
        self, chunk: Chunk, name: str, decode: Callable[[bytes], Record], payload: bytes
    ) -> bool:
        try:
            record = decode(payload)
        except InputError as error:
            self.say(rules.CHUNK_UNREADABLE, chunk, error.found, error.accepted)
            return False
        self.records.setdefault(name, record)
        return True

    def _read_or_carry(
        self,
        raw: RawChunk,
        chunk: Chunk,
        decode: Callable[[bytes], Record],
        carried: list[RawChunk],
        kind: bytes,
    ) -> None:
        name = kind.decode().strip().lower()
        if name in self.records:
            carried.append(raw)
        elif not self._read(chunk, name, decode, raw.payload):
            carried.append(raw)
            self.withheld.add(kind)

    def _bext(self, chunk: Chunk, payload: bytes) -> None:
        if self.raw_bext is not None:
            return
        self.raw_bext = payload
        if not self._read(chunk, "bext", bext.decode, payload):
            return
        record = self.records["bext"]
        if isinstance(record, Bext):
            for note in record.foreign:
                if note.charset is not Charset.ASCII:
                    name = bext.TEXT_FIELDS.get(note.field, ("CodingHistory", 0))[0]
                    self.say(
                        rules.TEXT_NOT_ASCII, chunk, f"{name} is stored in {note.charset}", "ASCII"
                    )


def carried_findings(existing: Existing, name: str) -> tuple[Finding, ...]:
    """Say which chunks are carried byte for byte; ``name`` is what the finding calls the file."""
    carried = sorted({id_text(chunk.chunk_id) for chunk in (*existing.before, *existing.after)})
    if not carried:
        return ()
    return (rules.CARRIED.at(Where(file=name), f"carried byte for byte: {', '.join(carried)}"),)


def read_existing(file: BinaryIO, walk: Walk) -> tuple[Existing, tuple[Finding, ...]]:
    """Read what stands beside the samples.

    Parameters
    ----------
    file : binary file
        The file that was walked.
    walk : Walk
        Its walk.

    Returns
    -------
    existing : Existing
    findings : tuple of Finding
        Chunks that break their standard, are too large, or are only carried.
    """
    reader = _Reader(file=file, walk=walk)
    existing = reader.run()
    return existing, tuple(reader.findings)
