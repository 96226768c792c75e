"""What a capture brings along that must not be public: left out of its master and its record.

A recorder writes what its owner once told it, so a name or a telephone number can stand
where nobody looks. The texts of INFO, ``bext`` and marks are left out one by one; any other
chunk with what is withheld in it is left out whole, for nothing says how to take it out.
"""

from __future__ import annotations

import contextlib
import dataclasses
import html
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from archiver.describe import rules
from archiver.describe.withholding import Secret, Secrets
from archiver.errors import InputError
from archiver.findings import Finding, Where
from archiver.wave import adtl, axml, bext, cue, info, ixml
from archiver.wave.adtl import Adtl
from archiver.wave.bext import TEXT_FIELDS, Bext
from archiver.wave.existing import Existing
from archiver.wave.info import Info
from archiver.wave.subchunks import RawChunk, id_text

__all__ = ["HeldBack", "hold_back"]

Record = TypeVar("Record")


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldBack:
    """The chunks of a capture, parted.

    Parameters
    ----------
    public : Existing
        What may go into the master.
    original : tuple of RawChunk
        Every chunk as it stands in the capture. Texts of a file that has no chunks are there
        only if something of them is held back, as a ``LIST`` of type INFO.
    private : frozenset of int
        Which of these chunks hold what is withheld.
    left_out : tuple of (str, Secret)
        Each field or chunk that the master lacks, in words, and what stands there.
    """

    public: Existing
    original: tuple[RawChunk, ...]
    private: frozenset[int] = frozenset()
    left_out: tuple[tuple[str, Secret], ...] = ()

    def findings(self, file: str) -> tuple[Finding, ...]:
        """Say of each field and chunk that it is left out; ``file`` is the capture."""
        return tuple(
            rules.CAPTURE_PRIVATE.at(
                Where(file=file, field=what),
                f"{what} of the capture holds what is withheld at {secret.where}; the master "
                "does without it",
            )
            for what, secret in self.left_out
        )


def hold_back(existing: Existing, secrets: Secrets) -> HeldBack:
    """Part what a capture brings along.

    Parameters
    ----------
    existing : Existing
        The chunks of the capture.
    secrets : Secrets
        What must not be found in public.
    """
    unchanged = HeldBack(public=existing, original=existing.original)
    if not secrets:
        return unchanged
    parting = _Parting(secrets)
    original = existing.original
    if not original and existing.info is not None:
        original = (RawChunk(chunk_id=b"LIST", payload=info.encode(existing.info)),)
    private = frozenset(
        number
        for number, chunk in enumerate(original)
        if parting.found(chunk.payload, *_texts_in(chunk))
    )
    carried = tuple(
        tuple(chunk for chunk in side if not parting.drops(chunk))
        for side in (existing.before, existing.after)
    )
    public = dataclasses.replace(
        existing,
        bext=parting.bext(existing.bext),
        raw_bext=parting.raw(existing.raw_bext),
        info=parting.info(existing.info),
        cue=parting.whole("cue", existing.cue, cue.encode),
        adtl=parting.adtl(existing.adtl),
        ixml=parting.whole("iXML", existing.ixml, ixml.encode),
        axml=parting.whole("axml", existing.axml, axml.encode),
        before=carried[0],
        after=carried[1],
        withheld=existing.withheld & {_kind(chunk) for side in carried for chunk in side},
        original=tuple(chunk for n, chunk in enumerate(original) if n not in private),
    )
    if not private and not parting.left_out:
        return unchanged
    return HeldBack(
        public=public,
        original=original,
        private=private,
        left_out=tuple(parting.left_out),
    )


def _kind(chunk: RawChunk) -> bytes:
    return chunk.payload[:4] if chunk.chunk_id == b"LIST" else chunk.chunk_id


class _Parting:
    def __init__(self, secrets: Secrets) -> None:
        self._secrets = secrets
        self.left_out: list[tuple[str, Secret]] = []

    def found(self, raw: bytes, *texts: str) -> list[Secret]:
        known = {one.text: one for one in self._secrets.found_in_bytes(raw)}
        for text in (*texts, *_unescaped(raw)):
            known |= {one.text: one for one in self._secrets.found_in(text)}
        return list(known.values())

    def keeps(self, what: str, raw: bytes, *texts: str) -> bool:
        """Say whether something may stay; if not, remember why."""
        found = self.found(raw, *texts)
        self.left_out += [(what, secret) for secret in found[:1]]
        return not found

    def raw(self, payload: bytes | None) -> bytes | None:
        return None if payload is None or self.found(payload) else payload

    def whole(
        self, what: str, record: Record | None, encode: Callable[[Record], bytes]
    ) -> Record | None:
        return record if record is None or self.keeps(what, encode(record)) else None

    def drops(self, chunk: RawChunk) -> bool:
        return not self.keeps(f"chunk {id_text(chunk.chunk_id)}", chunk.payload)

    def info(self, record: Info | None) -> Info | None:
        if record is None:
            return None
        entries = tuple(
            entry
            for entry in record.entries
            if self.keeps(f"INFO {entry.id}", entry.chunk().payload, entry.text)
        )
        left = dataclasses.replace(record, entries=entries)
        # Something may be withheld in what stands beside its texts.
        return left if self.keeps("INFO", info.encode(left)) else None

    def adtl(self, record: Adtl | None) -> Adtl | None:
        if record is None:
            return None
        kept = tuple(
            entry
            for entry in record.entries
            if self.keeps(_of_mark(entry), adtl.encode(Adtl(entries=(entry,))), *_texts(entry))
        )
        left = dataclasses.replace(record, entries=kept)
        # Something may be withheld in what stands beside its texts.
        return left if self.keeps("adtl", adtl.encode(left)) else None

    def bext(self, record: Bext | None) -> Bext | None:
        if record is None:
            return None
        names = {attribute: name for attribute, (name, _) in TEXT_FIELDS.items()}
        names["coding_history"] = "CodingHistory"
        left = record
        for attribute, name in names.items():
            if not self.keeps(f"bext {name}", record.raw(attribute), getattr(record, attribute)):
                left = dataclasses.replace(
                    left,
                    foreign=tuple(one for one in left.foreign if one.field != attribute),
                    **{attribute: ""},  # type: ignore[arg-type]
                )
        # Something may be withheld in what stands beside its texts.
        return left if self.keeps("bext", bext.encode(left)) else None


def _of_mark(entry: object) -> str:
    return f"label of mark {entry.cue}" if isinstance(entry, adtl.CueText) else "a mark"


def _texts(entry: object) -> Iterator[str]:
    if isinstance(entry, adtl.CueText | adtl.CueLength):
        yield entry.text.text


def _texts_in(chunk: RawChunk) -> Iterator[str]:
    """Yield the texts of a chunk whose form is known; none of one that breaks it."""
    with contextlib.suppress(InputError):
        match _kind(chunk):
            case b"INFO":
                yield from (entry.text for entry in info.decode(chunk.payload).entries)
            case b"adtl":
                for entry in adtl.decode(chunk.payload).entries:
                    yield from _texts(entry)
            case b"bext":
                record = bext.decode(chunk.payload)
                yield from (getattr(record, name) for name in (*TEXT_FIELDS, "coding_history"))


def _unescaped(raw: bytes) -> Iterator[str]:
    """Yield bytes as text without the escapes of XML, if they can be such a text."""
    if b"&" in raw:
        yield html.unescape(raw.decode("utf-8", errors="replace"))
