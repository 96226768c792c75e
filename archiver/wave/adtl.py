"""``LIST`` of type ``adtl``: labels, notes and lengths for cue points.

Source: Microsoft and IBM, RIFF 1991, chapter 3. Character sets as in ``INFO``.
"""

from __future__ import annotations

from dataclasses import dataclass

from archiver.wave.layout import Field, Layout, broken
from archiver.wave.subchunks import RawChunk, id_text, join, split
from archiver.wave.text import Charset, charset_of, decode_text

__all__ = [
    "LABELLED",
    "LIST_TYPE",
    "Adtl",
    "CueLength",
    "CueText",
    "StoredText",
    "decode",
    "encode",
]

LIST_TYPE = b"adtl"
_CLAUSE = "RIFF 1991, ch. 3"
_NAMED = Layout("adtl", (Field(name="dwName", offset=0, code="I", clause=_CLAUSE),))
LABELLED = Layout(
    "ltxt",
    (
        Field(name="dwName", offset=0, code="I", clause=_CLAUSE),
        Field(name="dwSampleLength", offset=4, code="I", clause=_CLAUSE, unit="frame"),
        Field(name="dwPurpose", offset=8, code="4s", clause=_CLAUSE),
        Field(name="wCountry", offset=12, code="H", clause=_CLAUSE),
        Field(name="wLanguage", offset=14, code="H", clause=_CLAUSE),
        Field(name="wDialect", offset=16, code="H", clause=_CLAUSE),
        Field(name="wCodePage", offset=18, code="H", clause=_CLAUSE),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredText:
    """A text and how its bytes stand: what follows it, and whether it is ISO 8859-1."""

    text: str = ""
    tail: bytes = b"\0"
    latin_1: bool = False

    def __post_init__(self) -> None:
        """Refuse what would read back otherwise."""
        if "\0" in self.text or (self.tail and self.tail[0]):
            raise ValueError("a text holds no NUL, and what follows it begins with one")
        if self.latin_1 != (charset_of(self.raw()[: -len(self.tail) or None]) is Charset.LATIN_1):
            raise ValueError("the text is not marked with its character set")

    def raw(self) -> bytes:
        """Return the bytes as they stand."""
        return self.text.encode("latin-1" if self.latin_1 else "utf-8") + self.tail


_NO_TEXT = StoredText()
_NOTHING = StoredText(tail=b"")


@dataclass(frozen=True, slots=True, kw_only=True)
class CueText:
    """``labl`` or ``note``: title or comment of a cue point."""

    kind: bytes
    cue: int
    text: StoredText = _NO_TEXT
    pad: bytes = b"\0"

    def __post_init__(self) -> None:
        """Refuse another kind; settle the pad byte where none is due."""
        if self.kind not in (b"labl", b"note"):
            raise ValueError(f"{id_text(self.kind)} is neither labl nor note")
        if not len(self.text.raw()) % 2:
            object.__setattr__(self, "pad", b"\0")


@dataclass(frozen=True, slots=True, kw_only=True)
class CueLength:
    """``ltxt``: length in frames and purpose of the stretch that starts at a cue point."""

    cue: int
    length_frames: int
    purpose: bytes = b"rgn "
    country: int = 0
    language: int = 0
    dialect: int = 0
    code_page: int = 0
    text: StoredText = _NOTHING
    pad: bytes = b"\0"

    def __post_init__(self) -> None:
        """Settle the pad byte where none is due."""
        if not len(self.text.raw()) % 2:
            object.__setattr__(self, "pad", b"\0")


@dataclass(frozen=True, slots=True, kw_only=True)
class Adtl:
    """Sub-chunks in order, those not known here as they stand; ``rest`` as in ``INFO``."""

    entries: tuple[CueText | CueLength | RawChunk, ...] = ()
    rest: bytes = b""

    def label(self, cue: int) -> str | None:
        """Return the title of a cue point; None when it has none."""
        return next(
            (
                entry.text.text
                for entry in self.entries
                if isinstance(entry, CueText) and entry.kind == b"labl" and entry.cue == cue
            ),
            None,
        )


def _stored(raw: bytes) -> StoredText:
    end = raw.find(b"\0")
    head, tail = (raw, b"") if end < 0 else (raw[:end], raw[end:])
    text, charset = decode_text(head)
    return StoredText(text=text, tail=tail, latin_1=charset is Charset.LATIN_1)


def _entry(chunk: RawChunk) -> CueText | CueLength | RawChunk:
    pad = chunk.pad if len(chunk.payload) % 2 else b"\0"
    if chunk.chunk_id in (b"labl", b"note") and len(chunk.payload) >= _NAMED.size:
        (cue,) = _NAMED.unpack(chunk.payload)
        return CueText(
            kind=chunk.chunk_id, cue=cue, text=_stored(chunk.payload[_NAMED.size :]), pad=pad
        )
    if chunk.chunk_id == b"ltxt" and len(chunk.payload) >= LABELLED.size:
        cue, length, purpose, country, language, dialect, code_page = LABELLED.unpack(chunk.payload)
        return CueLength(
            cue=cue,
            length_frames=length,
            purpose=purpose,
            country=country,
            language=language,
            dialect=dialect,
            code_page=code_page,
            text=_stored(chunk.payload[LABELLED.size :]),
            pad=pad,
        )
    return chunk


def decode(payload: bytes) -> Adtl:
    """Read the payload of a ``LIST``, its type included.

    Raises
    ------
    InputError
        The list is not of type ``adtl``.
    """
    if payload[:4] != LIST_TYPE:
        raise broken("LIST", 0, f"list type {id_text(payload[:4])}", "adtl")
    chunks, rest = split(payload, 4)
    return Adtl(entries=tuple(_entry(chunk) for chunk in chunks), rest=rest)


def _chunk(entry: CueText | CueLength | RawChunk) -> RawChunk:
    if isinstance(entry, RawChunk):
        return entry
    if isinstance(entry, CueText):
        chunk_id, payload = entry.kind, _NAMED.pack(entry.cue) + entry.text.raw()
    else:
        chunk_id = b"ltxt"
        payload = (
            LABELLED.pack(
                entry.cue,
                entry.length_frames,
                entry.purpose,
                entry.country,
                entry.language,
                entry.dialect,
                entry.code_page,
            )
            + entry.text.raw()
        )
    return RawChunk(chunk_id=chunk_id, payload=payload, pad=entry.pad if len(payload) % 2 else b"")


def encode(record: Adtl) -> bytes:
    """Write the payload of a ``LIST``, its type included."""
    return LIST_TYPE + join(tuple(_chunk(entry) for entry in record.entries)) + record.rest
