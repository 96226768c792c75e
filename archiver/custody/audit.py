"""One bag of an audit: look at it as deep as asked and say what the ledger is to keep.

The result is a plain record that can travel between processes and machines.
"""

from __future__ import annotations

import enum
import json
import platform
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Protocol

from archiver import files
from archiver.custody.entry import Draft, Entry, EntryKind, moment_text
from archiver.custody.recorded_signatures import (
    RecordedSignature,
    good_signatures,
    recorded_signatures,
)
from archiver.custody.rules import (
    BAG_GONE,
    DAMAGE_NOT_TAKEN_BACK,
    LEDGER_EDITED,
    MANIFEST_NOT_AS_RECORDED,
    SIGNATURE_GONE,
    SIGNATURE_OTHER_KEY,
)
from archiver.custody.store import Store
from archiver.custody.verdicts import BagVerdict, Verification
from archiver.custody.verify import Depth, verify_bag
from archiver.errors import ArchiverError
from archiver.findings import Finding, Rule, Severity, Where, in_order
from archiver.package.signers import Signer

if TYPE_CHECKING:
    from archiver.custody.ledger import LastCheck, Ledger

__all__ = [
    "ACCEPTABLE",
    "AuditVerdict",
    "BagCheck",
    "Notebook",
    "Notes",
    "check_bag",
    "check_of",
    "enter",
    "gone",
    "judged",
    "judged_by",
    "reminded",
]

ACCEPTABLE: Mapping[str, Rule] = {
    rule.code: rule
    for rule in (BAG_GONE, MANIFEST_NOT_AS_RECORDED, SIGNATURE_GONE, SIGNATURE_OTHER_KEY)
}
"""What only the ledger knows: right or wrong only by what somebody decides."""

_MOST_FINDINGS = 100
_NOTE_BYTES = 4 << 20
_NOTE_S = 1.0


class AuditVerdict(enum.StrEnum):
    """What an audit says of a bag."""

    INTACT = "intact"
    COMPLETE = "complete"
    CHANGED = "changed"
    UNSIGNED = "not signed by an accepted signer"
    UNDECIDED = "cannot be established"
    GONE = "gone"
    UNUSABLE = "unusable"

    @property
    def exit_status(self) -> int:
        """Exit status that this verdict alone asks for."""
        match self:
            case AuditVerdict.INTACT | AuditVerdict.COMPLETE:
                return 0
            case AuditVerdict.CHANGED | AuditVerdict.GONE | AuditVerdict.UNSIGNED:
                return 3
            case _:
                return 4


# How a look that was less deep has to end; a bag that is there is not gone any more, and
# whose signature is asked for may have changed.
_REMINDED = {
    str(AuditVerdict.CHANGED): AuditVerdict.CHANGED,
    str(AuditVerdict.UNDECIDED): AuditVerdict.UNDECIDED,
    str(AuditVerdict.UNUSABLE): AuditVerdict.UNDECIDED,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BagCheck:
    """What a check of one bag gave.

    Parameters
    ----------
    bag : str
        Path in the store.
    depth : Depth
    verdict : AuditVerdict
    moment : str
        When the check ended.
    duration_ms : int
    bytes_read, bytes_held, payload_files, payload_bytes : int
    algorithms : tuple of str
    not_looked_at : int
        Files whose content was compared with nothing.
    manifests : tuple of tuple of str
        Name and SHA-256 of each manifest as it was read.
    signatures : tuple of tuple of str
        File, verdict, signer and key of each signature.
    signature_asked : bool
        Whether accepted signers were named, so that one of them must have signed.
    findings : tuple of Finding
        Errors and warnings.
    resumed : bool
        Whether files read before an interruption were not read again.
    host : str
        Machine that read the bag.
    """

    bag: str
    depth: Depth
    verdict: AuditVerdict
    moment: str
    duration_ms: int = 0
    bytes_read: int = 0
    bytes_held: int = 0
    payload_files: int = 0
    payload_bytes: int = 0
    algorithms: tuple[str, ...] = ()
    not_looked_at: int = 0
    manifests: tuple[tuple[str, str], ...] = ()
    signatures: tuple[tuple[str, str, str, str], ...] = ()
    signature_asked: bool = False
    findings: tuple[Finding, ...] = ()
    resumed: bool = False
    host: str = field(default_factory=platform.node)

    def signatures_json(self) -> list[dict[str, str]]:
        """Return the signatures as the ledger keeps them."""
        names = ("file", "verdict", "signer", "key")
        return [dict(zip(names, map(plain, one), strict=True)) for one in self.signatures]

    def draft(self, *, store: str, run: str) -> Draft:
        """Return what the ledger is to keep."""
        facts = {
            "run": run,
            "depth": str(self.depth),
            "verdict": str(self.verdict),
            "bytes_read": self.bytes_read,
            "bytes_held": self.bytes_held,
            "payload_files": self.payload_files,
            "payload_bytes": self.payload_bytes,
            "algorithms": list(self.algorithms),
            "not_looked_at": self.not_looked_at,
            "manifests": dict(self.manifests),
            "signature_asked": self.signature_asked,
            "signatures": self.signatures_json(),
            "findings": [
                {
                    "code": finding.code,
                    "severity": str(finding.severity),
                    "where": plain(str(finding.where)),
                    "message": plain(finding.message),
                }
                for finding in self.findings[:_MOST_FINDINGS]
            ],
            "findings_total": len(self.findings),
            "duration_ms": self.duration_ms,
            "resumed": self.resumed,
            "host": plain(self.host),
        }
        return Draft(
            kind=EntryKind.CHECK,
            store=store,
            bag=plain(self.bag),
            moment=self.moment,
            facts=facts,
        )


def plain(text: str) -> str:
    """Write bytes of a name that are no text as escapes, so that every text has a UTF-8 form."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


class Notes(Protocol):
    """Where a notebook keeps what it knows; the ledger is one."""

    def note(self, run: str, bag: str, notes: list[tuple[str, int, int, str]]) -> None:
        """Keep path, size, mtime_ns and digests of files."""

    def notes(self, run: str, bag: str) -> Mapping[str, tuple[int, int, str]]:
        """Return what was kept, by path."""


class Notebook:
    """Remembers files of a bag under check, so that an interrupted check goes on.

    Large files are noted at once, small ones when together they are 4 MiB or a second has
    passed: that much, and the files in hand, is what an interruption costs.
    """

    def __init__(self, notes: Notes, run: str, bag: str) -> None:
        self._notes = notes
        self._run = run
        self._bag = bag
        self._known = dict(notes.notes(run, bag))
        self._waiting: list[tuple[str, int, int, dict[str, str]]] = []
        self._waiting_bytes = 0
        self._written = time.monotonic()
        self._mutex = threading.Lock()
        self.recalled = 0

    def wants(self, total_bytes: int) -> bool:
        """Say whether so many bytes are worth remembering file by file."""
        return bool(self._known) or total_bytes >= _NOTE_BYTES

    def recall(self, path: str, status: files.Status) -> dict[str, str] | None:
        """Return the digests of a file that is still as it was when it was read."""
        known = self._known.get(plain(path)) if self._known else None
        # Without a time of change nothing says that the file is the same.
        if known is None or not status.mtime_ns or known[:2] != (status.size, status.mtime_ns):
            return None
        with self._mutex:
            self.recalled += 1
        return {str(name): str(digest) for name, digest in json.loads(known[2]).items()}

    def note(self, path: str, status: files.Status, digests: dict[str, str]) -> None:
        """Keep the digests of a file."""
        with self._mutex:
            self._waiting.append((path, status.size, status.mtime_ns, digests))
            self._waiting_bytes += status.size
            now = time.monotonic()
            if self._waiting_bytes >= _NOTE_BYTES or now - self._written >= _NOTE_S:
                self._write()
                self._waiting_bytes, self._written = 0, now

    def keep(self) -> None:
        """Write down what waits."""
        with self._mutex:
            if self._waiting:
                self._write()

    def _write(self) -> None:
        # Most bags are done before anything is written, so that only here it gets its form.
        notes = [
            (plain(path), size, mtime_ns, json.dumps(digests))
            for path, size, mtime_ns, digests in self._waiting
        ]
        self._notes.note(self._run, self._bag, notes)
        self._waiting = []


def check_bag(
    store: Store,
    bag: str,
    depth: Depth,
    *,
    workers: int | None = None,
    on_bytes: Callable[[int], None] | None = None,
    notebook: Notebook | None = None,
    until: Callable[[], bool] | None = None,
    signers: Sequence[Signer] | None = None,
    ask_signature: bool = True,
) -> BagCheck:
    """Check one bag of an open store; what cannot be checked is a result too.

    Parameters
    ----------
    store : Store
    bag : str
        Path in the store.
    depth : Depth
    workers : int, optional
        Threads; the number of processors by default.
    on_bytes : callable, optional
        Called with the number of bytes of each block read, from any thread.
    notebook : Notebook, optional
        Of this bag.
    until : callable, optional
        Once it says yes no further file is begun.
    signers : sequence of Signer, optional
        Who may have signed.
    ask_signature : bool
        Whether a bag that none of them has signed is not as it should be.

    Raises
    ------
    HashingStopped
        ``until`` said yes; what was read is in the notebook.
    """
    begun = time.monotonic()
    try:
        found = verify_bag(
            store.path_of(bag),
            on_bytes,
            workers,
            depth,
            journal=notebook,
            until=until,
            signers=signers,
            ask_signature=ask_signature,
        )
    except ArchiverError as error:
        return _unusable(bag, depth, error)
    return check_of(
        bag,
        depth,
        found,
        duration_ms=int((time.monotonic() - begun) * 1000),
        resumed=notebook is not None and notebook.recalled > 0,
    )


def check_of(
    bag: str, depth: Depth, found: Verification, *, duration_ms: int, resumed: bool = False
) -> BagCheck:
    """Return what the ledger is to know of a verification that has just ended.

    Parameters
    ----------
    bag : str
        Path in the store.
    depth : Depth
    found : Verification
    duration_ms : int
    resumed : bool
        Whether files read before an interruption were not read again.
    """
    verdict = {
        BagVerdict.INTACT: AuditVerdict.INTACT,
        BagVerdict.COMPLETE: AuditVerdict.COMPLETE,
        BagVerdict.CHANGED: AuditVerdict.CHANGED,
        BagVerdict.RECOVERY_DAMAGED: AuditVerdict.CHANGED,
        BagVerdict.UNSIGNED: AuditVerdict.UNSIGNED,
        BagVerdict.UNDECIDED: AuditVerdict.UNDECIDED,
    }[found.verdict]
    report = found.report
    return BagCheck(
        bag=bag,
        depth=depth,
        verdict=verdict,
        moment=moment_text(datetime.now(UTC)),
        duration_ms=duration_ms,
        bytes_read=report.bytes_read,
        bytes_held=report.bytes_held,
        payload_files=report.payload_files,
        payload_bytes=report.payload_bytes,
        algorithms=report.algorithms,
        not_looked_at=len(report.not_looked_at),
        manifests=report.manifests,
        signatures=tuple((c.file, str(c.verdict), c.signer, c.key) for c in found.signatures),
        signature_asked=found.signature_asked,
        findings=tuple(f for f in found.findings if f.severity is not Severity.NOTE),
        resumed=resumed,
    )


def _unusable(bag: str, depth: Depth, error: ArchiverError) -> BagCheck:
    finding = Finding(
        code="bag-unusable",
        severity=Severity.ERROR,
        where=Where(file="."),
        message=error.found,
        accepted=error.accepted,
        remedy=error.remedy,
    )
    return BagCheck(
        bag=bag,
        depth=depth,
        verdict=AuditVerdict.UNUSABLE,
        moment=moment_text(datetime.now(UTC)),
        findings=(finding,),
    )


def gone(bag: str, depth: Depth, last_seen: str) -> BagCheck:
    """Say of a bag that the ledger knows that it is not in the store any more."""
    finding = BAG_GONE.at(Where(file="."), f"the bag was here at {last_seen} and is not there now")
    return BagCheck(
        bag=bag,
        depth=depth,
        verdict=AuditVerdict.GONE,
        moment=moment_text(datetime.now(UTC)),
        findings=(finding,),
    )


def judged_by(ledger: Ledger, check: BagCheck, store: str) -> BagCheck:
    """Hold a check against all that the ledger recorded of the bag when it was intact.

    Parameters
    ----------
    ledger : Ledger
    check : BagCheck
    store : str
        What the ledger calls the store.
    """
    doubtful: list[Finding] = []
    for recorded in ledger.references(plain(check.bag), store):
        if not recorded.is_as_entered():
            told = (
                f"entry {recorded.number} of the ledger, which says how its manifests should be, "
                "is not as it was entered"
            )
            doubtful.append(LEDGER_EDITED.at(Where(file="."), told))
            continue
        since = f"entry {recorded.number} of the ledger ({recorded.moment})"
        check = judged(check, recorded.parsed_facts().get("manifests"), since)
        break
    if doubtful and check.verdict not in {AuditVerdict.GONE, AuditVerdict.UNUSABLE}:
        good = check.verdict in {AuditVerdict.INTACT, AuditVerdict.COMPLETE}
        check = replace(
            check,
            # What cannot be judged must not become what later checks are judged by.
            verdict=AuditVerdict.UNDECIDED if good else check.verdict,
            findings=in_order((*check.findings, *doubtful)),
        )
    return _by_signatures(check, recorded_signatures(ledger, plain(check.bag), store))


def _by_signatures(check: BagCheck, recorded: Sequence[RecordedSignature]) -> BagCheck:
    """Hold the signatures of a bag against those that it carried."""
    if not recorded or check.verdict in {AuditVerdict.GONE, AuditVerdict.UNUSABLE}:
        return check
    facts = check.signatures_json()
    good = dict(good_signatures({"signatures": facts}))
    # One that is there and bad is told as that already.
    there = {one["file"] for one in facts}
    findings: list[Finding] = []
    for one in recorded:
        where = Where(file=one.file)
        if one.file not in there:
            told = f"the signature of the key {one.key} is not there any more; {one.since} knew it"
            findings.append(SIGNATURE_GONE.at(where, told))
        elif good.get(one.file, one.key) != one.key:
            told = f"it is of the key {good[one.file]}; {one.since} knew one of the key {one.key}"
            findings.append(SIGNATURE_OTHER_KEY.at(where, told))
    if not findings:
        return check
    return replace(
        check, verdict=AuditVerdict.CHANGED, findings=in_order((*check.findings, *findings))
    )


def reminded(
    check: BagCheck, ledger: Ledger, store: str, bad: Sequence[LastCheck] = ()
) -> BagCheck:
    """Hold a check that found nothing against deeper ones that did.

    Parameters
    ----------
    check : BagCheck
    ledger : Ledger
    store : str
        What the ledger calls the store.
    bad : sequence of LastCheck
        Those that found the bag bad, and that were not taken back since.
    """
    if check.verdict not in {AuditVerdict.INTACT, AuditVerdict.COMPLETE}:
        return check
    for earlier in bad:
        deeper = not check.depth.covers(Depth(earlier.depth))
        verdict = _REMINDED.get(earlier.verdict)
        if not deeper or verdict is None or _accepted_since(ledger, store, earlier):
            continue
        told = (
            f"entry {earlier.number} of the ledger ({earlier.moment}, depth {earlier.depth}) says: "
            f"{earlier.verdict}; no check as deep has found it good since"
        )
        finding = DAMAGE_NOT_TAKEN_BACK.at(Where(file="."), told)
        return replace(check, verdict=verdict, findings=in_order((*check.findings, finding)))
    return check


def _accepted_since(ledger: Ledger, store: str, earlier: LastCheck) -> bool:
    """Say whether all that a check found was accepted; damage to the payload cannot be."""
    entries = ledger.entries(store=store, bag=earlier.bag, after=earlier.number - 1)
    facts = next(entries).parsed_facts()
    findings = facts["findings"]
    if facts["findings_total"] > len(findings) or any(
        one["severity"] == Severity.ERROR and one["code"] not in ACCEPTABLE for one in findings
    ):
        return False
    return any(entry.kind == EntryKind.ACCEPTED for entry in entries)


def judged(check: BagCheck, recorded: Mapping[str, Any] | None, since: str = "") -> BagCheck:
    """Hold the manifests of a bag against those that the ledger recorded when it was intact.

    Parameters
    ----------
    check : BagCheck
    recorded : mapping of str to str, optional
        SHA-256 by name; None if the ledger knows none.
    since : str
        Which entry of the ledger that is, in words.
    """
    if recorded is None or not check.manifests or dict(check.manifests) == recorded:
        return check
    now = dict(check.manifests)
    findings = [
        MANIFEST_NOT_AS_RECORDED.at(
            Where(file=name),
            f"its SHA-256 is {now.get(name, 'unknown, since it is not there')}; {since} recorded "
            f"{recorded.get(name, 'no such file')}",
        )
        for name in sorted({*now, *recorded})
        if now.get(name) != recorded.get(name)
    ]
    return replace(
        check,
        verdict=AuditVerdict.CHANGED,
        findings=in_order((*check.findings, *findings)),
    )


def enter(
    check: BagCheck,
    ledger: Ledger,
    *,
    store: str,
    run: str,
    durable: bool = True,
    forget: bool = False,
    bad: Sequence[LastCheck] = (),
) -> tuple[BagCheck, Entry]:
    """Judge a check by what the ledger recorded before, and enter it.

    Parameters
    ----------
    check : BagCheck
    ledger : Ledger
    store : str
        What the ledger calls the store.
    run : str
        Which run of the program the check belongs to.
    durable : bool
        Whether it must survive a power failure once this returns.
    forget : bool
        Whether the run's notes on this bag have done their service.
    bad : sequence of LastCheck
        Earlier checks that found the bag bad, and that were not taken back.

    Returns
    -------
    check : BagCheck
        As it was entered.
    entry : Entry
    """
    check = reminded(judged_by(ledger, check, store), ledger, store, bad)
    (entry,) = ledger.append(
        check.draft(store=store, run=run), durable=durable, forget=run if forget else ""
    )
    return check, entry
