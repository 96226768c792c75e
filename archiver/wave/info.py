"""``LIST`` of type ``INFO``: short texts about the sound.

Source: Microsoft and IBM, RIFF 1991, chapter 2 (ZSTR, and the list of identifiers);
meanings of most identifiers are from memory. The standard fixes no character set:
UTF-8 with one NUL is written; on reading ASCII, UTF-8 and ISO 8859-1, and no NUL or
several, are taken and come back byte for byte.
"""

from __future__ import annotations

from dataclasses import dataclass

from archiver.wave.layout import broken
from archiver.wave.subchunks import RawChunk, id_text, join, split
from archiver.wave.text import Charset, charset_of, decode_text

__all__ = ["LIST_TYPE", "MEANINGS", "Info", "InfoEntry", "decode", "encode", "merge"]

LIST_TYPE = b"INFO"

MEANINGS = {
    "IARL": "archival location",
    "IART": "artist",
    "ICMS": "commissioned by",
    "ICMT": "comments",
    "ICOP": "copyright",
    "ICRD": "creation date",
    "IDIT": "date of digitising",
    "IENG": "engineer",
    "IGNR": "genre",
    "IKEY": "keywords",
    "IMED": "medium",
    "INAM": "name",
    "IPRD": "product",
    "ISBJ": "subject",
    "ISFT": "software",
    "ISMP": "time code",
    "ISRC": "source",
    "ISRF": "source form",
    "ITCH": "technician",
    "ITRK": "track",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class InfoEntry:
    """One text.

    Parameters
    ----------
    id : str
        Four characters; bytes beyond ASCII stand as their ISO 8859-1 characters.
    text : str
        Without NUL.
    tail : bytes
        What stands behind the text; one NUL in the standard form.
    pad : bytes
        Pad byte; zero in the standard form, empty where a payload of odd length has none.
    latin_1 : bool
        Stored in ISO 8859-1, as the bytes are no UTF-8.
    """

    id: str
    text: str
    tail: bytes = b"\0"
    pad: bytes = b"\0"
    latin_1: bool = False

    def __post_init__(self) -> None:
        """Refuse what would read back otherwise."""
        if len(self.id.encode("latin-1")) != 4:
            raise ValueError(f"an INFO identifier has four characters, not {self.id!r}")
        if "\0" in self.text:
            raise ValueError(f"{self.id} holds a NUL")
        if self.tail and self.tail[0]:
            raise ValueError(f"the tail of {self.id} does not begin with a NUL")
        if len(self.pad) > 1:
            raise ValueError(f"{self.id} has {len(self.pad)} pad bytes")
        if self.latin_1 != (charset_of(self._stored()) is Charset.LATIN_1):
            raise ValueError(f"{self.id} is not marked with its character set")
        if not (len(self._stored()) + len(self.tail)) % 2 and self.pad != b"\0":
            # No pad byte is due, so nothing but the default can be said about it.
            object.__setattr__(self, "pad", b"\0")

    def _stored(self) -> bytes:
        return self.text.encode("latin-1" if self.latin_1 else "utf-8")

    @property
    def charset(self) -> Charset:
        """Character set that the text is stored in."""
        return charset_of(self._stored())

    def chunk(self) -> RawChunk:
        """Return the sub-chunk as it stands in the file."""
        payload = self._stored() + self.tail
        pad = self.pad if len(payload) % 2 else b""
        return RawChunk(chunk_id=self.id.encode("latin-1"), payload=payload, pad=pad)


@dataclass(frozen=True, slots=True, kw_only=True)
class Info:
    """Texts in order; ``rest`` is what follows the last whole sub-chunk, byte for byte."""

    entries: tuple[InfoEntry, ...] = ()
    rest: bytes = b""

    def get(self, identifier: str) -> str | None:
        """Return the first text of an identifier; None when there is none."""
        return next((entry.text for entry in self.entries if entry.id == identifier), None)


def _entry(chunk: RawChunk) -> InfoEntry:
    end = chunk.payload.find(b"\0")
    head, tail = (chunk.payload, b"") if end < 0 else (chunk.payload[:end], chunk.payload[end:])
    text, charset = decode_text(head)
    return InfoEntry(
        id=chunk.chunk_id.decode("latin-1"),
        text=text,
        tail=tail,
        pad=chunk.pad if len(chunk.payload) % 2 else b"\0",
        latin_1=charset is Charset.LATIN_1,
    )


def decode(payload: bytes) -> Info:
    """Read the payload of a ``LIST``, its type included.

    Raises
    ------
    InputError
        The list is not of type ``INFO``.
    """
    if payload[:4] != LIST_TYPE:
        raise broken("LIST", 0, f"list type {id_text(payload[:4])}", "INFO")
    chunks, rest = split(payload, 4)
    return Info(entries=tuple(_entry(chunk) for chunk in chunks), rest=rest)


def encode(record: Info) -> bytes:
    """Write the payload of a ``LIST``, its type included."""
    return LIST_TYPE + join(tuple(entry.chunk() for entry in record.entries)) + record.rest


def merge(existing: Info, ours: Info) -> tuple[Info, tuple[str, ...]]:
    """Keep what is there and add what is not.

    Returns
    -------
    merged : Info
        Entries of ``existing`` in their order, then those of ``ours`` whose
        identifier has no text there. Leftover bytes of ``existing`` are kept only
        while nothing has to be added before them.
    kept : tuple of str
        Identifiers whose existing text differs from ours and was kept.
    """
    filled = {entry.id for entry in existing.entries if entry.text.strip()}
    added = tuple(entry for entry in ours.entries if entry.id not in filled)
    replaced = {entry.id for entry in added}
    kept = tuple(
        entry.id
        for entry in ours.entries
        if entry.id in filled and existing.get(entry.id) != entry.text
    )
    if not added:
        return existing, kept
    entries = tuple(entry for entry in existing.entries if entry.id not in replaced)
    return Info(entries=entries + added), kept
