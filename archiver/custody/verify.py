"""Verify a bag, and say of each master whether its sound is intact.

A file digest that agrees proves the samples, so that sound is read on its own only where
the file digest disagrees, or on request.
"""

from __future__ import annotations

import contextlib
import enum
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from archiver import files
from archiver.custody.locating import (
    DamagedSpan,
    DamageKind,
    SoundState,
    check_sound,
    locate_sound,
)
from archiver.custody.rules import (
    METADATA_CHANGED,
    RECORD_DOUBTFUL,
    RECORD_MALFORMED,
    RECORD_MISSING,
    SOUND_DAMAGED,
    SOUND_DISAGREES,
    SOUND_NOT_JUDGED,
    SOUND_TRUNCATED,
)
from archiver.custody.sound import SOUND_DIRECTORY, SoundDigests, decode_sound_digests
from archiver.errors import ArchiverError
from archiver.findings import Finding, Where, clock, in_order
from archiver.package.hashing import Journal
from archiver.package.names import shown
from archiver.package.reader import read_bag
from archiver.package.recovery import RecoveryReport, check_recovery
from archiver.package.signature import (
    SignatureCheck,
    SignatureVerdict,
    Signer,
    check_signatures,
)
from archiver.package.validate import BagReport, CheckedFile, Outcome, Verdict, validate

__all__ = [
    "BagVerdict",
    "Depth",
    "MasterVerification",
    "SoundVerdict",
    "Verification",
    "verify_bag",
]

_MASTERS = "data/masters/"
_LARGEST_RECORD_BYTES = 1 << 26


class Depth(enum.StrEnum):
    """How deep a verification looks; each includes the ones before."""

    QUICK = "quick"
    """Lists, sizes, Payload-Oxum and the tag files."""
    FULL = "full"
    """Every byte."""
    SOUND = "sound"
    """Every byte, and the samples of intact masters on their own."""

    def covers(self, other: Depth) -> bool:
        """Say whether this look is at least as deep as another."""
        order = list(Depth)
        return order.index(self) >= order.index(other)


class BagVerdict(enum.StrEnum):
    """What can be said of a bag."""

    INTACT = "intact"
    COMPLETE = "complete"
    CHANGED = "changed"
    UNDECIDED = "cannot be established"


class SoundVerdict(enum.StrEnum):
    """What can be said of a master."""

    INTACT = "intact"
    METADATA_CHANGED = "sound intact, metadata changed"
    DAMAGED = "sound damaged"
    TRUNCATED = "sound truncated"
    NOT_JUDGED = "changed, sound not judged"
    DISAGREES = "file intact, record of its sound disagrees"
    MISSING = "missing"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterVerification:
    """The verdict on one master.

    Parameters
    ----------
    file : str
        Path in the bag.
    verdict : SoundVerdict
    spans : tuple of DamagedSpan
        Where the sound is not what was stored.
    truncated_after_s : float, optional
        Where the sound ends now, if its end is gone.
    displaced_from_s : float, optional
        From here on the sound lies elsewhere in the file than the sound before it.
    duration_s : float, optional
        Length of the sound as stored; None without a record.
    sound_bytes_read : int
        Bytes read for the sound alone.
    """

    file: str
    verdict: SoundVerdict
    spans: tuple[DamagedSpan, ...] = ()
    truncated_after_s: float | None = None
    displaced_from_s: float | None = None
    duration_s: float | None = None
    sound_bytes_read: int = 0

    def playable(self) -> tuple[tuple[float, float], ...]:
        """Return the stretches that are as they were stored, in seconds; none without a record."""
        if self.duration_s is None or self.verdict in {
            SoundVerdict.MISSING,
            SoundVerdict.NOT_JUDGED,
            SoundVerdict.UNREADABLE,
        }:
            return ()
        parts: list[tuple[float, float]] = []
        at = 0.0
        for span in self.spans:
            if span.start_s > at:
                parts.append((at, span.start_s))
            at = span.end_s
        if self.duration_s > at:
            parts.append((at, self.duration_s))
        return tuple(parts)

    def sentence(self) -> str:
        """Say the verdict with the places that it is about."""
        match self.verdict:
            case SoundVerdict.TRUNCATED if self.truncated_after_s is not None:
                return f"sound truncated after {clock(self.truncated_after_s)}"
            case SoundVerdict.DAMAGED:
                places = [_place(span) for span in self.spans]
                if self.displaced_from_s is not None:
                    places.append(f"displaced from {clock(self.displaced_from_s)} on")
                return f"sound damaged at {', '.join(places)}"
            case _:
                return str(self.verdict)

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        return {
            "file": self.file,
            "verdict": str(self.verdict),
            "sentence": self.sentence(),
            "damaged": [
                {
                    "first_frame": span.first_frame,
                    "end_frame": span.end_frame,
                    "start_s": span.start_s,
                    "end_s": span.end_s,
                    "kind": str(span.kind),
                }
                for span in self.spans
            ],
            "playable": [{"start_s": start, "end_s": end} for start, end in self.playable()],
            "truncated_after_s": self.truncated_after_s,
            "displaced_from_s": self.displaced_from_s,
            "duration_s": self.duration_s,
            "sound_bytes_read": self.sound_bytes_read,
        }


def _place(span: DamagedSpan) -> str:
    kind = "" if span.kind is DamageKind.CHANGED else f" ({span.kind})"
    return f"{clock(span.start_s)} to {clock(span.end_s)}{kind}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """The verdict on a bag and its masters, and how deep the look was.

    Parameters
    ----------
    path : Path
        The bag.
    report : BagReport
        Of the bag by the rules of its standard.
    masters : tuple of MasterVerification
        In the order of paths.
    findings : tuple of Finding
        Of the bag, its masters and its recovery data, errors first.
    recovery : RecoveryReport, optional
        None if there is no recovery data beside the bag.
    signatures : tuple of SignatureCheck
        Of the tag manifests.
    """

    path: Path
    report: BagReport
    masters: tuple[MasterVerification, ...]
    findings: tuple[Finding, ...]
    recovery: RecoveryReport | None = None
    signatures: tuple[SignatureCheck, ...] = ()

    @property
    def intact(self) -> bool:
        """Whether the bag is valid, and its masters, recovery data and signatures intact."""
        return (
            self.report.valid
            and all(m.verdict is SoundVerdict.INTACT for m in self.masters)
            and self._beside_intact
        )

    @property
    def _beside_intact(self) -> bool:
        """Whether what a bag has beyond its standard is as it was made."""
        good = {SignatureVerdict.KNOWN, SignatureVerdict.UNKNOWN}
        return (self.recovery is None or not self.recovery.findings) and all(
            check.verdict in good for check in self.signatures
        )

    @property
    def verdict(self) -> BagVerdict:
        """What can be said of the bag."""
        if self.intact:
            return BagVerdict.INTACT
        if self.report.verdict is Verdict.COMPLETE and self._beside_intact:
            return BagVerdict.COMPLETE
        return BagVerdict.UNDECIDED if self.undecided else BagVerdict.CHANGED

    @property
    def undecided(self) -> bool:
        """Whether nothing is known to be wrong, but not everything could be verified."""
        return self.report.verdict is Verdict.UNDECIDED and self._beside_intact

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        report = self.report
        return {
            "bag": str(self.path),
            "intact": self.intact,
            "verdict": str(self.verdict),
            "bagit": {
                "version": report.version,
                "verdict": str(report.verdict),
                "missing": list(report.missing),
                "unlisted": list(report.unlisted),
                "payload_files": report.payload_files,
                "payload_bytes": report.payload_bytes,
            },
            "depth": {
                "bytes_read": report.bytes_read,
                "bytes_held": report.bytes_held,
                "sound_bytes_read": sum(m.sound_bytes_read for m in self.masters),
                "algorithms": list(report.algorithms),
                "not_looked_at": list(report.not_looked_at),
            },
            "masters": [master.as_json() for master in self.masters],
            "recovery": None if self.recovery is None else self.recovery.as_json(),
            "signatures": [check.as_json() for check in self.signatures],
            "findings": [finding.as_json() for finding in self.findings],
        }


def verify_bag(
    path: Path,
    on_bytes: Callable[[int], None] | None = None,
    workers: int | None = None,
    depth: Depth = Depth.FULL,
    *,
    journal: Journal | None = None,
    until: Callable[[], bool] | None = None,
    signers: Sequence[Signer] | None = None,
) -> Verification:
    """Verify a bag and the sound of its masters. Nothing is written.

    Parameters
    ----------
    path : Path
        Directory of the bag.
    on_bytes : callable, optional
        Called with the number of bytes of each block read, from any thread.
    workers : int, optional
        Threads; the number of processors by default.
    depth : Depth
        How deep to look.
    journal : Journal, optional
        Remembers what was read, so that an interrupted verification can go on.
    until : callable, optional
        Asked before each file; once it says yes no further file is begun.
    signers : sequence of Signer, optional
        Who may have signed; without it every signer is unknown.

    Raises
    ------
    MisuseError, SurroundingsError
        There is no directory to read; everything else is a finding.
    HashingStopped
        ``until`` said yes.
    """
    report = validate(
        read_bag(path),
        on_bytes,
        workers,
        content=depth is not Depth.QUICK,
        journal=journal,
        until=until,
    )
    recovery = check_recovery(
        path, report.manifests, content=depth is not Depth.QUICK, on_bytes=on_bytes
    )
    signatures, more = check_signatures(path, report.not_looked_at, signers)
    if recovery is not None:
        more = (*more, *recovery.findings)
    if depth is Depth.QUICK:
        return Verification(
            path=path,
            report=report,
            masters=(),
            findings=in_order((*report.findings, *more)),
            recovery=recovery,
            signatures=signatures,
        )
    work = _Work(path, report, on_bytes, sound=depth is Depth.SOUND)
    records = work.records()
    known = {file.path: file for file in report.files}
    names = {name for name in (*known, *report.missing) if name.startswith(_MASTERS)}
    names |= {name for name in records if name in known or name in report.missing}
    ordered = sorted(names)
    # Only what has to be read is worth a thread.
    many = workers or os.cpu_count() or 1
    if depth is not Depth.SOUND and all(
        name not in known or known[name].outcome is Outcome.INTACT for name in ordered
    ):
        many = 1
    with _pool(many) as each:
        judged = list(each(lambda name: work.judge(name, known.get(name), records), ordered))
    findings = [*report.findings, *work.findings, *more]
    for _, found in judged:
        findings += found
    return Verification(
        path=path,
        report=report,
        masters=tuple(master for master, _ in judged),
        findings=in_order(findings),
        recovery=recovery,
        signatures=signatures,
    )


@contextlib.contextmanager
def _pool(threads: int) -> Iterator[Callable[..., Iterable[_Judged]]]:
    if threads == 1:
        yield map
        return
    with ThreadPoolExecutor(threads, thread_name_prefix="sound") as pool:
        yield pool.map


@dataclass(frozen=True, slots=True, kw_only=True)
class _Record:
    """A record of sound digests, and whether its own file is as it was stored."""

    digests: SoundDigests
    path: str
    trusted: bool


_Judged = tuple[MasterVerification, list[Finding]]


class _Work:
    """Judges the masters of one bag."""

    def __init__(
        self,
        root: Path,
        report: BagReport,
        on_bytes: Callable[[int], None] | None,
        *,
        sound: bool,
    ) -> None:
        self.root = root
        self.report = report
        self.on_bytes = on_bytes
        self.sound = sound
        self.findings: list[Finding] = []

    def records(self) -> dict[str, _Record]:
        """Read the records of sound digests, by the master that each is about."""
        records: dict[str, _Record] = {}
        for file in self.report.files:
            if not (file.path.startswith(f"{SOUND_DIRECTORY}/") and file.path.endswith(".json")):
                continue
            try:
                content = files.read_bytes(
                    self.root / file.path, limit=_LARGEST_RECORD_BYTES, follow=False
                )
                digests = decode_sound_digests(content)
            except ArchiverError as error:
                self.findings.append(
                    RECORD_MALFORMED.at(
                        Where(file=shown(file.path)), error.found, accepted=error.accepted
                    )
                )
                continue
            trusted = file.outcome in {Outcome.INTACT, Outcome.UNSTEADY}
            records[digests.file] = _Record(digests=digests, path=file.path, trusted=trusted)
        return records

    def judge(self, name: str, file: CheckedFile | None, records: dict[str, _Record]) -> _Judged:
        """Judge one master."""
        record = records.get(name)
        duration = record.digests.duration_s if record else None
        if file is None:
            missing = MasterVerification(
                file=name, verdict=SoundVerdict.MISSING, duration_s=duration
            )
            return missing, []
        if file.outcome in {Outcome.INTACT, Outcome.UNSTEADY}:
            return self._intact(name, record)
        if record is None:
            finding = SOUND_NOT_JUDGED.at(
                Where(file=shown(name)), "the bag has no usable record of the samples of this file"
            )
            return MasterVerification(file=name, verdict=SoundVerdict.NOT_JUDGED), [finding]
        return self._changed(name, record)

    def _intact(self, name: str, record: _Record | None) -> _Judged:
        where = Where(file=shown(name))
        if record is None:
            finding = RECORD_MISSING.at(where, "there is no usable record of its samples")
            return MasterVerification(file=name, verdict=SoundVerdict.INTACT), [finding]
        duration = record.digests.duration_s
        if not self.sound:
            intact = MasterVerification(file=name, verdict=SoundVerdict.INTACT, duration_s=duration)
            return intact, []
        try:
            state = check_sound(self.root / name, record.digests, on_bytes=self.on_bytes)
        except ArchiverError:
            return _unreadable(name, duration)
        verdict = SoundVerdict.INTACT if state.intact else SoundVerdict.DISAGREES
        findings: list[Finding] = []
        if not state.intact:
            place = _place(state.spans[0]) if state.spans else "the MD5 of the whole"
            findings = [
                SOUND_DISAGREES.at(
                    where,
                    f"{shown(record.path)} states other digests than the samples have: {place}",
                )
            ]
        master = MasterVerification(
            file=name,
            verdict=verdict,
            spans=state.spans,
            duration_s=duration,
            sound_bytes_read=state.bytes_read,
        )
        return master, findings

    def _changed(self, name: str, record: _Record) -> _Judged:
        digests = record.digests
        try:
            state = locate_sound(self.root / name, digests, on_bytes=self.on_bytes)
        except ArchiverError:
            return _unreadable(name, digests.duration_s)
        verdict = _verdict(state)
        rate = digests.sample_format.sample_rate_hz
        gone = any(span.kind is DamageKind.GONE for span in state.spans)
        master = MasterVerification(
            file=name,
            verdict=verdict,
            spans=state.spans,
            truncated_after_s=state.present_frames / rate if gone else None,
            displaced_from_s=state.displaced_from_s,
            duration_s=digests.duration_s,
            sound_bytes_read=state.bytes_read,
        )
        findings = self._explained(name, master, state, digests)
        if not record.trusted and verdict is not SoundVerdict.METADATA_CHANGED:
            findings.append(
                RECORD_DOUBTFUL.at(
                    Where(file=shown(record.path)),
                    f"the verdict on {shown(name)} rests on a record that was changed itself",
                )
            )
        return master, findings

    def _explained(
        self, name: str, master: MasterVerification, state: SoundState, digests: SoundDigests
    ) -> list[Finding]:
        file = shown(name)
        if master.verdict is SoundVerdict.METADATA_CHANGED:
            moved = state.offset_bytes != digests.data_offset_bytes
            place = f"; it begins at byte {state.offset_bytes} now" if moved else ""
            message = f"all {digests.frames} frames of the sound are as stored{place}"
            return [METADATA_CHANGED.at(Where(file=file), message)]
        findings = [
            SOUND_DAMAGED.at(
                Where(file=file, start_s=span.start_s, end_s=span.end_s),
                f"the sound is {span.kind} within this span",
            )
            for span in state.spans
            if span.kind is not DamageKind.GONE
        ]
        if master.truncated_after_s is not None:
            first = next(span for span in state.spans if span.kind is DamageKind.GONE)
            findings.append(
                SOUND_TRUNCATED.at(
                    Where(file=file, start_s=master.truncated_after_s, end_s=digests.duration_s),
                    f"the sound ends at {clock(master.truncated_after_s)} of "
                    f"{clock(digests.duration_s)}; it is known to be intact up to "
                    f"{clock(first.start_s)}",
                )
            )
        if state.displaced_from_s is not None:
            findings.append(
                SOUND_DAMAGED.at(
                    Where(file=file, start_s=state.displaced_from_s),
                    "bytes came or went before this place; the sound from here on was found "
                    "elsewhere in the file",
                )
            )
        return findings


def _unreadable(name: str, duration_s: float) -> _Judged:
    # The bag's own findings say why; the verdict only repeats it.
    unreadable = MasterVerification(
        file=name, verdict=SoundVerdict.UNREADABLE, duration_s=duration_s
    )
    return unreadable, []


def _verdict(state: SoundState) -> SoundVerdict:
    if state.intact:
        return SoundVerdict.METADATA_CHANGED
    kinds = {span.kind for span in state.spans}
    if kinds == {DamageKind.GONE} and state.displaced_from_s is None:
        return SoundVerdict.TRUNCATED
    return SoundVerdict.DAMAGED
