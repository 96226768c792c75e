"""Auditing a store: choose the bags that are due, check them, enter each check in the ledger.

An audit that was interrupted is taken up by the next one of the same kind: bags checked
since it began are done, and files of the bag in hand that were read are not read again.
"""

from __future__ import annotations

import contextlib
import difflib
import itertools
import secrets
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from archiver import files
from archiver.custody.audit import (
    AuditVerdict,
    BagCheck,
    Notebook,
    check_bag,
    enter,
    gone,
    plain,
)
from archiver.custody.due import Selection, choose, known_to_be_bad
from archiver.custody.entry import Draft, Entry, EntryKind, moment_text
from archiver.custody.ledger import Head, LastCheck, Ledger, open_ledger
from archiver.custody.ledger_check import LedgerReport, verify_ledger
from archiver.custody.recorded_signatures import good_signatures
from archiver.custody.store import Store, bags_of, is_url, opened_store
from archiver.custody.verify import Depth
from archiver.errors import ArchiverError, IntegrityError, MisuseError, SurroundingsError
from archiver.findings import Finding
from archiver.package.hashing import HashingStopped
from archiver.package.reader import read_bag
from archiver.package.signers import Signer
from archiver.package.sshsig import fingerprint
from archiver.pipeline.kinds import Kind, look_at
from archiver.pipeline.run import PROGRAM
from archiver.progress import Progress, Silent
from archiver.telling import command_line

__all__ = ["AuditOutcome", "AuditPlan", "AuditResult", "audit_store"]

_SCHEMA = "audit-report 1"
_TAKEN_UP_WITHIN = timedelta(days=7)
# A few seconds of work. The entry that a bag's manifests are held against is verified in any case.
_MOST_ENTRIES_VERIFIED = 250_000
_MOST_STORES_NAMED = 5
_MOST_PACKAGES_NAMED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditPlan:
    """What an audit is to do.

    Parameters
    ----------
    store : str
        Path or URL.
    ledger : Path
    name : str
        What the ledger calls the store; by default its resolved path or URL.
    depth : Depth
    selection : Selection
    time_budget : timedelta, optional
        No file is begun after this time; the next audit goes on from there.
    fresh : bool
        Do not take up an interrupted audit.
    jobs : int
        Processes that check bags side by side.
    scheduler : str, optional
        Address of a dask scheduler whose workers check the bags.
    signers : tuple of Signer, optional
        One of whom must have signed each bag.
    """

    store: str
    ledger: Path
    name: str = ""
    depth: Depth = Depth.FULL
    selection: Selection = field(default_factory=Selection)
    time_budget: timedelta | None = None
    fresh: bool = False
    jobs: int = 1
    scheduler: str | None = None
    signers: tuple[Signer, ...] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditResult:
    """A bag that is not as it should be.

    Parameters
    ----------
    bag : str
    verdict : AuditVerdict
    entry : int
        Number in the ledger.
    findings : tuple of mapping
        As the ledger keeps them.
    """

    bag: str
    verdict: AuditVerdict
    entry: int
    findings: tuple[dict[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditOutcome:
    """What an audit gave, from its beginning, interruptions included.

    Parameters
    ----------
    store, run : str
    depth : Depth
    begun : str
    ended : str, optional
        None if bags are left.
    resumed : bool
        Whether this took up an interrupted audit.
    bags_held : int
        Bags in the store.
    left : int
        Bags that were due and are not checked yet.
    counts : tuple of (AuditVerdict, int)
    bytes_read : int
    signed : tuple of (str, int)
        Fingerprint of each key, and how many of the bags checked carry a good signature of it.
    results : tuple of AuditResult
        Only bags that are not as they should be.
    head : Head
        Last entry of the ledger; keep it.
    ledger_findings : tuple of Finding
        What was altered in the ledger, which every verdict rests on.
    notes : tuple of str
        What the ledger did not know, as sentences.
    signers : tuple of Signer, optional
        One of whom each bag had to be signed by.
    """

    store: str
    run: str
    depth: Depth
    begun: str
    ended: str | None
    resumed: bool
    bags_held: int
    left: int
    counts: tuple[tuple[AuditVerdict, int], ...]
    bytes_read: int
    signed: tuple[tuple[str, int], ...]
    results: tuple[AuditResult, ...]
    head: Head
    ledger_findings: tuple[Finding, ...] = ()
    notes: tuple[str, ...] = ()
    signers: tuple[Signer, ...] | None = None

    @property
    def checked(self) -> int:
        """Bags checked in this audit."""
        return sum(number for _, number in self.counts)

    @property
    def exit_status(self) -> int:
        """3 if anything has changed, 4 if anything could not be established, else 0."""
        found = {verdict.exit_status for verdict, number in self.counts if number}
        if self.ledger_findings:
            found.add(IntegrityError.exit_status)
        return 3 if 3 in found else max(found, default=0)

    def as_json(self) -> dict[str, Any]:
        """Return the report for machines, as ``audit-report.schema.json`` describes it."""
        return {
            "schema": _SCHEMA,
            "store": plain(self.store),
            "run": self.run,
            "depth": str(self.depth),
            "accepted_signers": _signers_json(self.signers),
            "begun": self.begun,
            "ended": self.ended,
            "resumed": self.resumed,
            "bags_held": self.bags_held,
            "bags_checked": self.checked,
            "bags_left": self.left,
            "verdicts": {str(verdict): number for verdict, number in self.counts},
            "bytes_read": self.bytes_read,
            "signed": [{"key": key, "bags": number} for key, number in self.signed],
            "results": [
                {
                    "bag": result.bag,
                    "verdict": str(result.verdict),
                    "entry": result.entry,
                    "findings": list(result.findings),
                }
                for result in self.results
            ],
            "ledger_head": str(self.head),
            "ledger_findings": [finding.as_json() for finding in self.ledger_findings],
            "notes": list(self.notes),
            "exit_status": self.exit_status,
        }


def audit_store(plan: AuditPlan, *, progress: Progress | None = None) -> AuditOutcome:
    """Audit a store.

    Raises
    ------
    MisuseError, SurroundingsError
        Store or ledger cannot be used, or there is no bag and never was; a bag that cannot be
        used is a result.
    IntegrityError
        The ledger is damaged beyond reading.
    """
    progress = progress or Silent()
    deadline = None
    if plan.time_budget is not None:
        deadline = time.monotonic() + plan.time_budget.total_seconds()

    def until() -> bool:
        return deadline is not None and time.monotonic() >= deadline

    with opened_store(plan.store, plan.name) as store, contextlib.ExitStack() as held:
        bags = list(bags_of(store))
        if not bags and not files.exists(plan.ledger):
            raise _no_bag(plan)
        ledger = held.enter_context(open_ledger(plan.ledger))
        if not bags and not ledger.bags_known(store.name):
            raise _no_bag(plan)
        notes = _not_known(ledger, store) if bags else (_nothing_there(store),)
        book = verify_ledger(ledger, newest=_MOST_ENTRIES_VERIFIED)
        held.enter_context(_explaining(book))
        now = datetime.now(UTC)
        begun = None if plan.fresh else _interrupted(ledger, store, plan, held)
        resumed = begun is not None
        lost = _lost(ledger, store, bags)
        told = _told_to_be_gone(ledger, store, begun)
        # That a bag is gone costs a listing only, so that every audit tells it, due or not.
        chosen = (
            *(bag for bag in lost if bag not in told),
            *_chosen(ledger, store, plan, bags, now, begun),
        )
        if begun is None:
            begun = _begin(ledger, store, plan, len(chosen), held)
        run = str(begun.parsed_facts()["run"])
        progress.step(
            f"{len(chosen)} of {len(bags)} bags", _bytes_of(ledger, store, chosen, progress)
        )
        bad = known_to_be_bad(ledger.last_checks(store.name))
        work = _Work(ledger, store, plan, run, progress, until, bad)
        done = 0
        for check in work.checks(chosen, lost):
            work.enter(check)
            done += 1
        ended = None
        if done == len(chosen):
            ended = _end(ledger, store, run, begun)
        return _outcome(
            ledger,
            store,
            plan,
            begun,
            ended,
            resumed=resumed,
            bags_held=len(bags),
            left=len(chosen) - done,
            ledger_findings=book.findings,
            notes=notes,
        )


def _nothing_there(store: Store) -> str:
    return (
        f"{plain(store.location)}: the store holds no bag at all. Check first that its disk is "
        "connected, and that the name is right."
    )


def _not_known(ledger: Ledger, store: Store) -> tuple[str, ...]:
    """Say that the ledger knows nothing of earlier checks; nobody would see it otherwise."""
    if ledger.knows(store.name):
        return ()
    known = ledger.stores()
    if not known:
        told = (
            f"{plain(str(ledger.path))}: a new ledger was begun. It knows nothing of earlier "
            "checks; if there was a ledger, check the name, or take it from a backup."
        )
        return (told,)
    near = difflib.get_close_matches(store.name, known, n=1)
    named = f"Is it {near[0]}?" if near else f"It knows {', '.join(known[:_MOST_STORES_NAMED])}."
    told = (
        f"{plain(str(ledger.path))}: the ledger knew nothing of the store {store.name}, which it "
        f"begins anew. {named} If it is the same store, name it with --store-name."
    )
    return (told,)


@contextlib.contextmanager
def _explaining(book: LedgerReport) -> Iterator[None]:
    """Name the altered entry, where the ledger is altered so that the audit cannot go on."""
    try:
        yield
    except IntegrityError as error:
        if not book.findings:
            raise
        finding = book.findings[0]
        raise IntegrityError(
            finding.message, where=str(finding.where), remedy=finding.remedy
        ) from error


def _no_bag(plan: AuditPlan) -> SurroundingsError:
    """Say that nothing can be said of a store that holds nothing and never did."""
    packages = () if is_url(plan.store) else _packages_in(Path(plan.store))
    if packages:
        return SurroundingsError(
            f"holds no bag but packages ({', '.join(packages)}), so nothing was verified",
            where=plan.store,
            remedy="Name the folder that holds the bags; to look into a package: "
            f"{command_line('unpack', Path(plan.store) / packages[0], '--to', 'DIR')}",
        )
    return SurroundingsError(
        "holds no bag, and the ledger knows of none here, so nothing was verified",
        where=plan.store,
        remedy="Check the name, and that the disk of the store is connected; if the store is "
        "new, put a bag there first",
    )


def _packages_in(folder: Path) -> tuple[str, ...]:
    """Return the names of the first packages in a folder."""
    names = (entry.name for entry in files.entries(folder) if entry.is_file)
    found = (name for name in names if look_at(folder / name).kind is Kind.PACKAGE)
    return tuple(itertools.islice(found, _MOST_PACKAGES_NAMED))


def _signers_json(signers: Sequence[Signer] | None) -> list[dict[str, str]] | None:
    """Say whose signature was asked for; None if nobody's was."""
    if signers is None:
        return None
    return [
        {"signer": plain(signer.principals), "key": fingerprint(signer.public_key)}
        for signer in signers
    ]


def _lock_path(ledger: Ledger, run: str) -> Path:
    return ledger.path.with_name(f"{ledger.path.name}.{run}.lock")


def _interrupted(
    ledger: Ledger, store: Store, plan: AuditPlan, held: contextlib.ExitStack
) -> Entry | None:
    """Find an audit of this kind that was begun, not ended, and that no process is at.

    One that has long been left alone is not taken up: who starts an audit today would be told
    of checks that are old.
    """
    limit = moment_text(datetime.now(UTC) - _TAKEN_UP_WITHIN)
    begun = {
        str(entry.parsed_facts().get("run")): entry
        for entry in ledger.entries(kind=EntryKind.AUDIT_BEGUN, store=store.name)
    }
    for run in _ended(ledger, store):
        begun.pop(run, None)
    wanted = (str(plan.depth), plan.selection.words(), _signers_json(plan.signers))
    for run, entry in reversed(begun.items()):
        facts = entry.parsed_facts()
        if tuple(map(facts.get, ("depth", "selection", "accepted_signers"))) != wanted:
            continue
        if ledger.last_activity(store.name, run) < limit:
            continue
        busy = MisuseError("is under way in another process")
        with contextlib.ExitStack() as tried:
            try:
                tried.enter_context(files.lock(_lock_path(ledger, run), busy=busy))
            except MisuseError:
                continue
            # Whoever was at it may have ended it between our look and our hold.
            if run in _ended(ledger, store):
                continue
            held.push(tried.pop_all())
            return entry
    return None


def _ended(ledger: Ledger, store: Store) -> set[str]:
    return {
        str(entry.parsed_facts().get("run"))
        for entry in ledger.entries(kind=EntryKind.AUDIT_ENDED, store=store.name)
    }


def _begin(
    ledger: Ledger, store: Store, plan: AuditPlan, bags: int, held: contextlib.ExitStack
) -> Entry:
    run = secrets.token_hex(8)
    busy = MisuseError("is under way in another process")
    held.enter_context(files.lock(_lock_path(ledger, run), busy=busy))
    (entry,) = ledger.append(
        Draft(
            kind=EntryKind.AUDIT_BEGUN,
            store=store.name,
            moment=moment_text(datetime.now(UTC)),
            facts={
                "run": run,
                "depth": str(plan.depth),
                "bags": bags,
                "selection": plan.selection.words(),
                "accepted_signers": _signers_json(plan.signers),
                "program": PROGRAM,
            },
        )
    )
    return entry


def _end(ledger: Ledger, store: Store, run: str, begun: Entry) -> str:
    counts = Counter(
        str(entry.parsed_facts()["verdict"]) for entry in _checks_of(ledger, store, run, begun)
    )
    moment = moment_text(datetime.now(UTC))
    ledger.append(
        Draft(
            kind=EntryKind.AUDIT_ENDED,
            store=store.name,
            moment=moment,
            facts={"run": run, "bags": dict(sorted(counts.items()))},
        )
    )
    ledger.forget_run(run)
    return moment


def _checks_of(ledger: Ledger, store: Store, run: str, begun: Entry) -> Iterator[Entry]:
    for entry in ledger.entries(kind=EntryKind.CHECK, store=store.name, after=begun.number):
        if entry.parsed_facts().get("run") == run:
            yield entry


def _lost(ledger: Ledger, store: Store, bags: Sequence[str]) -> dict[str, str]:
    """Return the bags that the ledger knows and that are not there, with when they last were."""
    present = {plain(bag) for bag in bags}
    lost: dict[str, str] = {}
    for bag in ledger.bags_known(store.name):
        if bag in present:
            continue
        entry = ledger.reference(bag, store.name)
        if entry is None or entry.parsed_facts().get("withdrawn") is not True:
            lost[bag] = ledger.last_seen(bag, store.name)
    return lost


def _told_to_be_gone(ledger: Ledger, store: Store, begun: Entry | None) -> frozenset[str]:
    """Return the bags that an audit which is taken up has told to be gone already."""
    if begun is None:
        return frozenset()
    run = str(begun.parsed_facts()["run"])
    return frozenset(
        entry.bag
        for entry in _checks_of(ledger, store, run, begun)
        if entry.parsed_facts().get("verdict") == AuditVerdict.GONE
    )


def _chosen(
    ledger: Ledger,
    store: Store,
    plan: AuditPlan,
    bags: Sequence[str],
    now: datetime,
    begun: Entry | None,
) -> tuple[str, ...]:
    return choose(
        bags,
        ledger.last_checks(store.name),
        depth=plan.depth,
        selection=plan.selection,
        now=now,
        begun="" if begun is None else begun.moment,
    )


def _bytes_of(ledger: Ledger, store: Store, bags: Sequence[str], progress: Progress) -> int:
    """Add up what is to be read, for the time left; only if somebody looks."""
    if isinstance(progress, Silent):
        return 0
    known: dict[str, int] = {}
    for entry in ledger.entries(kind=EntryKind.CHECK, store=store.name):
        known[entry.bag] = int(entry.parsed_facts().get("bytes_held", 0))
    total = 0
    for bag in bags:
        held = known.get(plain(bag))
        if held is None:
            try:
                oxum = read_bag(store.path_of(bag)).info.oxum
            except ArchiverError:
                oxum = None
            held = 0 if oxum is None else oxum[0]
        total += held
    return total


class _Work:
    """Checks bags one way or another and enters what comes back."""

    def __init__(
        self,
        ledger: Ledger,
        store: Store,
        plan: AuditPlan,
        run: str,
        progress: Progress,
        until: Callable[[], bool],
        bad: Mapping[str, Sequence[LastCheck]],
    ) -> None:
        self.ledger = ledger
        self.store = store
        self.plan = plan
        self.run = run
        self.progress = progress
        self.until = until
        self.bad = bad

    def enter(self, check: BagCheck) -> None:
        """Judge a check by what the ledger recorded before, and enter it."""
        # The end of the audit brings all of its entries to the disk.
        enter(
            check,
            self.ledger,
            store=self.store.name,
            run=self.run,
            durable=False,
            forget=True,
            bad=self.bad.get(plain(check.bag), ()),
        )

    def checks(self, bags: Sequence[str], lost: dict[str, str]) -> Iterator[BagCheck]:
        """Check bags until the time is up."""
        for bag in bags:
            if bag in lost:
                yield gone(bag, self.plan.depth, lost[bag])
        present = [bag for bag in bags if bag not in lost]
        if self.plan.scheduler is not None or self.plan.jobs > 1:
            from archiver.pipeline.spreading import spread  # noqa: PLC0415 - few need it

            for check in spread(self.store, present, self.plan, self.until):
                self.progress.advance(check.bytes_read)
                yield check
            return
        for bag in present:
            if self.until():
                return
            notebook = Notebook(self.ledger, self.run, bag)
            try:
                yield check_bag(
                    self.store,
                    bag,
                    self.plan.depth,
                    on_bytes=self.progress.advance,
                    notebook=notebook,
                    until=self.until,
                    signers=self.plan.signers,
                )
            except HashingStopped:
                notebook.keep()
                return
            except BaseException:
                notebook.keep()
                raise


def _outcome(
    ledger: Ledger,
    store: Store,
    plan: AuditPlan,
    begun: Entry,
    ended: str | None,
    *,
    resumed: bool,
    bags_held: int,
    left: int,
    ledger_findings: tuple[Finding, ...],
    notes: tuple[str, ...],
) -> AuditOutcome:
    run = str(begun.parsed_facts()["run"])
    counts: Counter[AuditVerdict] = Counter()
    bytes_read = 0
    signed: Counter[str] = Counter()
    results: list[AuditResult] = []
    for entry in _checks_of(ledger, store, run, begun):
        facts = entry.parsed_facts()
        verdict = AuditVerdict(facts["verdict"])
        counts[verdict] += 1
        bytes_read += int(facts["bytes_read"])
        signed.update({key for _, key in good_signatures(facts)})
        if verdict.exit_status:
            results.append(
                AuditResult(
                    bag=entry.bag,
                    verdict=verdict,
                    entry=entry.number,
                    findings=tuple(facts["findings"]),
                )
            )
    head = ledger.head()
    return AuditOutcome(
        store=store.name,
        run=run,
        depth=plan.depth,
        begun=begun.moment,
        ended=ended,
        resumed=resumed,
        bags_held=bags_held,
        left=left,
        counts=tuple(sorted(counts.items())),
        bytes_read=bytes_read,
        signed=tuple(sorted(signed.items())),
        results=tuple(results),
        signers=plan.signers,
        ledger_findings=ledger_findings,
        notes=notes,
        head=head if head is not None else Head(number=begun.number, digest=begun.digest),
    )
