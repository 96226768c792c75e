"""What a master takes over from its capture, and what it adds: the merging rules.

A field that a capture has already filled is kept; ours go where it is empty, or into
the coding history. By chunk:

``bext``
    Filled fields are kept, each for itself; our lines go behind the coding history.
    The version is the higher one of both.
INFO
    Texts are kept; identifiers that are absent are added.
``iXML``
    Kept byte for byte; top-level elements that it lacks are put before its end tag.
``axml``
    Kept; ours is not written, as two documents in one chunk are hard to read.
``cue ``, adtl
    Kept; our points are added under free numbers, and all labels put first.
``MD5 ``
    Always written anew; one that disagrees with the sound is a finding.
others
    Carried byte for byte, before or behind the sound as they stood. So is a chunk
    that breaks its standard; ours of that kind is then left out, but for ``bext``.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

from archiver.findings import Finding, Rule, Where
from archiver.wave import history, info, ixml, rules
from archiver.wave.adtl import Adtl, CueLength, CueText
from archiver.wave.axml import Axml
from archiver.wave.bext import LOUDNESS_FIELDS, TEXT_FIELDS, Bext, Loudness, with_fields
from archiver.wave.cue import Cue
from archiver.wave.existing import Existing
from archiver.wave.master import MasterChunks
from archiver.wave.md5 import agreement
from archiver.wave.subchunks import RawChunk

__all__ = ["Carried", "carry", "check_md5", "merge_bext"]

_TOLERANCE = 10
"""Hundredths: a tenth of a unit, what EBU Tech 3341 allows between two meters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """The chunks of a master, and what happened to those of its capture."""

    chunks: MasterChunks
    findings: tuple[Finding, ...]


def _is_filled(bext: Bext, attribute: str) -> bool:
    text: str = getattr(bext, attribute)
    if attribute in ("origination_date", "origination_time"):
        # Writers that do not know the date leave zeros or blanks between separators.
        return any(character not in "0-_:/. " for character in text)
    return bool(text.strip())


def merge_bext(existing: Bext, ours: Bext) -> tuple[Bext, tuple[str, ...]]:
    """Put ours where the capture's is empty.

    Parameters
    ----------
    existing, ours : Bext

    Returns
    -------
    merged : Bext
        Coding history: theirs, then ours. Bytes that an older version reserved and
        the merged version uses as fields start unused.
    kept : tuple of str
        Standard names of the fields where both had something else and theirs was kept.
    """
    kept: list[str] = []
    texts: dict[str, str] = {}
    for attribute, (name, _) in TEXT_FIELDS.items():
        our_text: str = getattr(ours, attribute)
        # Midnight is a time when a date stands beside it.
        filled = _is_filled(existing, attribute) or (
            attribute == "origination_time"
            and _is_filled(existing, "origination_date")
            and bool(existing.origination_time.strip())
        )
        if not filled:
            if our_text:
                texts[attribute] = our_text
        elif our_text and our_text != getattr(existing, attribute):
            kept.append(name)
    joined, _ = history.append(existing.coding_history, ours.coding_history)
    if joined != existing.coding_history:
        texts["coding_history"] = joined
    version = max(existing.version, ours.version)
    merged = with_fields(existing, version=version)
    foreign_history = next((n for n in merged.foreign if n.field == "coding_history"), None)
    if "coding_history" in texts and foreign_history is not None:
        # What stood behind the last line goes; the characters stay in their set.
        notes = [n for n in merged.foreign if n.field != "coding_history"]
        if not existing.coding_history.isascii():
            notes.append(dataclasses.replace(foreign_history, tail=b""))
        merged = dataclasses.replace(
            merged, foreign=tuple(notes), coding_history=texts.pop("coding_history")
        )
    merged = with_fields(merged, version=version, **texts)
    if not existing.time_reference:
        merged = dataclasses.replace(merged, time_reference=ours.time_reference)
    elif ours.time_reference not in (0, existing.time_reference):
        kept.append("TimeReference")
    if ours.umid is not None and any(ours.umid):
        if existing.umid is None or not any(existing.umid):
            merged = dataclasses.replace(merged, umid=ours.umid)
        elif existing.umid != ours.umid:
            kept.append("UMID")
    if ours.loudness is not None and merged.loudness is not None:
        loudness, loudness_kept = _merge_loudness(existing.loudness, ours.loudness)
        merged = dataclasses.replace(merged, loudness=loudness)
        kept += loudness_kept
    return merged, tuple(kept)


def _merge_loudness(existing: Loudness | None, ours: Loudness) -> tuple[Loudness, list[str]]:
    if existing is None or not any(_stored(existing)):
        # All zero means that a writer of version 2 never filled the fields.
        return ours, []
    kept: list[str] = []
    values: dict[str, int] = {}
    for attribute, (name, _) in LOUDNESS_FIELDS.items():
        theirs, own = existing.read(attribute), ours.read(attribute)  # type: ignore[arg-type]
        values[attribute] = getattr(ours if theirs is None else existing, attribute)
        if theirs is not None and own is not None and theirs != own:
            kept.append(name)
    return Loudness(**values), kept


def _stored(loudness: Loudness) -> tuple[int, ...]:
    return tuple(getattr(loudness, attribute) for attribute in LOUDNESS_FIELDS)


def _merge_markers(
    cue: Cue | None, adtl: Adtl | None, ours: MasterChunks
) -> tuple[Cue | None, Adtl | None]:
    if ours.cue is None or not ours.cue.points:
        return cue, adtl if ours.adtl is None or adtl is not None else ours.adtl
    if cue is None:
        return ours.cue, adtl if ours.adtl is None else ours.adtl
    taken = {point.name for point in cue.points}
    free = iter(number for number in range(1, 1 << 32) if number not in taken)
    names = {point.name: next(free) for point in ours.cue.points}
    points = tuple(dataclasses.replace(point, name=names[point.name]) for point in ours.cue.points)
    entries: list[CueText | CueLength | RawChunk] = [
        entry if isinstance(entry, RawChunk) else dataclasses.replace(entry, cue=names[entry.cue])
        for entry in (ours.adtl.entries if ours.adtl else ())
        if isinstance(entry, RawChunk) or entry.cue in names
    ]
    merged_adtl = adtl
    if entries:
        # libsndfile 1.2.2 stops reading labels at the first note or length, so labels go first.
        every = [*(adtl.entries if adtl else ()), *entries]
        every.sort(key=lambda entry: not (isinstance(entry, CueText) and entry.kind == b"labl"))
        merged_adtl = Adtl(entries=tuple(every))
    return Cue(points=cue.points + points), merged_adtl


@dataclass(slots=True, kw_only=True)
class _Merger:
    existing: Existing
    ours: MasterChunks
    name: str
    findings: list[Finding]

    def say(self, rule: Rule, field: str, message: str) -> None:
        self.findings.append(rule.at(Where(file=self.name, field=field), message))

    def run(self) -> MasterChunks:
        existing, ours = self.existing, self.ours
        bext = self._bext()
        cue, adtl = ours.cue, ours.adtl
        if not existing.withheld & {b"cue ", b"adtl"}:
            cue, adtl = _merge_markers(existing.cue, existing.adtl, ours)
        elif cue is not None or adtl is not None:
            self.say(rules.KEPT, "cue", "marks are not added beside a broken chunk of marks")
            cue, adtl = existing.cue, existing.adtl
        return dataclasses.replace(
            ours,
            bext=bext,
            info=self._info(),
            cue=cue,
            adtl=adtl,
            ixml=self._ixml(bext),
            axml=self._axml(),
            carried_before=existing.before,
            carried_after=existing.after,
        )

    def _bext(self) -> Bext:
        theirs, ours = self.existing.bext, self.ours.bext
        if theirs is None:
            return ours
        merged, kept = merge_bext(theirs, ours)
        for name in kept:
            attribute = {n: a for a, (n, _) in TEXT_FIELDS.items()}.get(name)
            if attribute is not None:
                self.say(
                    rules.KEPT,
                    name,
                    f"bext {name} says {getattr(theirs, attribute)!r} and is kept; "
                    f"the sheet gives {getattr(ours, attribute)!r}",
                )
            elif name == "TimeReference":
                self.say(
                    rules.KEPT,
                    name,
                    f"bext {name} says {theirs.time_reference} and is kept; "
                    f"the sheet gives {ours.time_reference}",
                )
            elif name == "UMID":
                self.say(rules.KEPT, name, "the UMID of the capture is kept")
        _, ended = history.append(theirs.coding_history, ours.coding_history)
        if ended:
            self.say(rules.HISTORY_LINE_ENDED, "CodingHistory", "the last line lacked its line end")
        if (
            theirs.loudness is not None
            and ours.loudness is not None
            and any(_stored(theirs.loudness))
        ):
            self._compare(theirs.loudness, ours.loudness)
        return merged

    def _compare(self, theirs: Loudness, ours: Loudness) -> None:
        for attribute, (name, unit) in LOUDNESS_FIELDS.items():
            stated, measured = theirs.read(attribute), ours.read(attribute)  # type: ignore[arg-type]
            off = abs(getattr(theirs, attribute) - getattr(ours, attribute))
            if stated is not None and measured is not None and off > _TOLERANCE:
                self.say(
                    rules.LOUDNESS_DISAGREES,
                    name,
                    f"{name} states {stated:.2f} {unit}; {measured:.2f} {unit} was measured",
                )

    def _info(self) -> info.Info | None:
        theirs, ours = self.existing.info, self.ours.info
        if b"INFO" in self.existing.withheld:
            return None
        if theirs is None or ours is None:
            return ours if theirs is None else theirs
        merged, kept = info.merge(theirs, ours)
        for identifier in kept:
            self.say(
                rules.KEPT,
                identifier,
                f"INFO {identifier} says {theirs.get(identifier)!r} and is kept; "
                f"the sheet gives {ours.get(identifier)!r}",
            )
        return merged

    def _ixml(self, bext: Bext) -> ixml.Ixml | None:
        theirs, ours = self.existing.ixml, self.ours.ixml
        if b"iXML" in self.existing.withheld:
            self.say(rules.IXML_KEPT, "iXML", "the capture's iXML is broken; ours is left out")
            return None
        if theirs is not None:
            for difference in ixml.differences(theirs, self.ours.format, bext):
                self.say(rules.IXML_DIFFERS, "iXML", difference)
        if theirs is None or ours is None:
            return ours if theirs is None else theirs
        merged, added = ixml.merge(theirs, ours)
        told = f"added to it: {', '.join(added)}" if added else "nothing is added to it"
        self.say(rules.IXML_KEPT, "iXML", f"the capture's iXML is kept; {told}")
        return merged

    def _axml(self) -> Axml | None:
        theirs, ours = self.existing.axml, self.ours.axml
        if theirs is not None and ours is not None:
            self.say(rules.AXML_KEPT, "axml", "the capture's axml is kept and ours left out")
        return ours if theirs is None else theirs


def check_md5(existing: Existing, digest: bytes, name: str) -> Finding | None:
    """Compare the digest that a capture stored with that of its sound.

    Parameters
    ----------
    existing : Existing
    digest : bytes
        MD5 of the samples, 16 bytes.
    name : str
        What the finding calls the file.

    Returns
    -------
    Finding or None
        None also when the capture stored none; both byte orders are taken.
    """
    if existing.md5 is None or agreement(existing.md5, digest) is not None:
        return None
    return rules.MD5_DISAGREES.at(
        Where(file=name, field="MD5"),
        f"MD5 says {existing.md5.stored.hex()}; the sound has {digest.hex()}",
    )


def carry(existing: Existing, ours: MasterChunks, name: str) -> Carried:
    """Merge what a capture brings along with what is ours.

    Parameters
    ----------
    existing : Existing
        The chunks of the capture.
    ours : MasterChunks
        The chunks that the master should have; its ``format`` is taken as it is.
    name : str
        What findings call the capture.
    """
    findings: list[Finding] = []
    chunks = _Merger(existing=existing, ours=ours, name=name, findings=findings).run()
    return Carried(chunks=chunks, findings=tuple(findings))
