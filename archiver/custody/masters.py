"""Judge the masters of a bag: whether their sound is intact, and where it is not.

A file digest that agrees proves the samples, so that sound is read on its own only where
the file digest disagrees, or on request.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from archiver import files
from archiver.custody.damage import DamageKind
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
from archiver.custody.verdicts import MasterVerification, SoundVerdict
from archiver.errors import ArchiverError
from archiver.findings import Finding, Where, clock
from archiver.package.hashing import processors
from archiver.package.names import shown
from archiver.package.validate import BagReport, CheckedFile, Outcome

if TYPE_CHECKING:
    from archiver.custody.locating import SoundState
    from archiver.custody.sound import SoundDigests

__all__ = ["check_masters"]

_MASTERS = "data/masters/"
_RECORDS = "metadata/sound/"
_LARGEST_RECORD_BYTES = 1 << 26
_GOOD = frozenset({Outcome.INTACT, Outcome.UNSTEADY})
_OF_A_CUT = frozenset({DamageKind.UNPROVEN, DamageKind.GONE})


def check_masters(
    root: Path,
    report: BagReport,
    *,
    sound: bool = False,
    workers: int | None = None,
    on_bytes: Callable[[int], None] | None = None,
) -> tuple[tuple[MasterVerification, ...], tuple[Finding, ...]]:
    """Judge the masters of a bag that was validated.

    Parameters
    ----------
    root : Path
        The bag.
    report : BagReport
        What validating it gave, with the content read.
    sound : bool
        Whether to read the samples of intact masters too.
    workers : int, optional
        Threads; the number of processors by default.
    on_bytes : callable, optional
        Called with the number of bytes of each block read, from any thread.

    Returns
    -------
    masters : tuple of MasterVerification
        In the order of paths.
    findings : tuple of Finding
    """
    work = _Work(root, report, on_bytes, sound=sound)
    records = work.records()
    known = {file.path: file for file in report.files}
    names = {name for name in (*known, *report.missing) if name.startswith(_MASTERS)}
    names |= {name for name in records if name in known or name in report.missing}
    ordered = sorted(names)
    # Only what has to be read is worth a thread.
    many = workers or processors()
    if not sound and all(
        name not in known or known[name].outcome is Outcome.INTACT for name in ordered
    ):
        many = 1
    with _pool(many) as each:
        judged = list(each(lambda name: work.judge(name, known.get(name), records), ordered))
    findings = work.findings
    for _, found in judged:
        findings += found
    return tuple(master for master, _ in judged), tuple(findings)


@contextlib.contextmanager
def _pool(threads: int) -> Iterator[Callable[..., Iterable[_Judged]]]:
    if threads == 1:
        yield map
        return
    from concurrent.futures import ThreadPoolExecutor  # noqa: PLC0415 - few bags need it

    with ThreadPoolExecutor(threads, thread_name_prefix="sound") as pool:
        yield pool.map


@dataclass(frozen=True, slots=True, kw_only=True)
class _Record:
    """A record of sound digests, whether its own file is as it was stored, and listed at all."""

    digests: SoundDigests
    path: str
    trusted: bool
    listed: bool


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
        # What no manifest lists any more is a record still, and one that nothing proves.
        proven = {file.path: file.outcome in _GOOD for file in self.report.files}
        kept = [
            name
            for name in (*sorted(proven), *self.report.not_looked_at)
            if name.startswith(_RECORDS) and name.endswith(".json")
        ]
        if not kept:
            return records
        from archiver.custody.sound import decode_sound_digests  # noqa: PLC0415 - not every bag

        for name in kept:
            try:
                content = files.read_bytes(
                    self.root / name, limit=_LARGEST_RECORD_BYTES, follow=False
                )
                digests = decode_sound_digests(content)
            except ArchiverError as error:
                self.findings.append(
                    RECORD_MALFORMED.at(
                        Where(file=shown(name)), error.found, accepted=error.accepted
                    )
                )
                continue
            if name not in proven and digests.file in records:
                continue
            records[digests.file] = _Record(
                digests=digests, path=name, trusted=proven.get(name, False), listed=name in proven
            )
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
        if self.misnamed(file):
            # The finding of the bag says so, and nothing of the sound is lost.
            other = MasterVerification(
                file=name,
                verdict=SoundVerdict.MISNAMED,
                duration_s=duration,
                belongs_to=file.belongs_to,
            )
            return other, []
        if record is None:
            finding = SOUND_NOT_JUDGED.at(
                Where(file=shown(name)), "the bag has no usable record of the samples of this file"
            )
            return MasterVerification(file=name, verdict=SoundVerdict.NOT_JUDGED), [finding]
        return self._changed(name, record)

    def misnamed(self, file: CheckedFile) -> bool:
        """Say whether a file has only come under the name of another, which has lost it."""
        if not file.belongs_to:
            return False
        owner = next((one for one in self.report.files if one.path == file.belongs_to), None)
        return owner is None or owner.outcome is Outcome.DIFFERS

    def _intact(self, name: str, record: _Record | None) -> _Judged:
        where = Where(file=shown(name))
        if record is None:
            finding = RECORD_MISSING.at(where, "there is no usable record of its samples")
            return MasterVerification(file=name, verdict=SoundVerdict.INTACT), [finding]
        duration = record.digests.duration_s
        if not self.sound:
            intact = MasterVerification(file=name, verdict=SoundVerdict.INTACT, duration_s=duration)
            return intact, []
        from archiver.custody.locating import check_sound  # noqa: PLC0415 - few masters need it

        try:
            state = check_sound(self.root / name, record.digests, on_bytes=self.on_bytes)
        except ArchiverError:
            return _unreadable(name, duration)
        verdict = SoundVerdict.INTACT if state.intact else SoundVerdict.DISAGREES
        findings: list[Finding] = []
        if not state.intact:
            place = state.spans[0].place() if state.spans else "the MD5 of the whole"
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
        from archiver.custody.locating import locate_sound  # noqa: PLC0415 - few masters need it

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
                    f"the verdict on {shown(name)} rests on a record that "
                    + ("was changed itself" if record.listed else "no tag manifest proves"),
                )
            )
        return master, findings

    @staticmethod
    def _known(state: SoundState, end_s: float) -> str:
        """Say how far sound that is only cut off is known to be intact."""
        first = next(span for span in state.spans if span.kind in _OF_A_CUT)
        if first.kind is DamageKind.GONE:
            return " and is intact up to there"
        return (
            f"; it is intact up to {clock(first.start_s)}, and what follows up to "
            f"{clock(end_s)} is there, but cannot be compared"
        )

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
            if span.kind not in _OF_A_CUT
        ]
        if master.truncated_after_s is not None:
            known = "" if findings else self._known(state, master.truncated_after_s)
            findings.append(
                SOUND_TRUNCATED.at(
                    Where(file=file, start_s=master.truncated_after_s, end_s=digests.duration_s),
                    f"the sound ends at {clock(master.truncated_after_s)} of "
                    f"{clock(digests.duration_s)}{known}",
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
    if DamageKind.GONE in kinds and kinds <= _OF_A_CUT and state.displaced_from_s is None:
        return SoundVerdict.TRUNCATED
    return SoundVerdict.DAMAGED
