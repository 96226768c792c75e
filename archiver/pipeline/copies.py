"""Comparing the copies of bags in several stores, and repairing the bad from the good."""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver import files
from archiver.custody.audit import AuditVerdict, BagCheck, check_bag, plain
from archiver.custody.copies import Comparison, CopyVerdict, compare_copies, read_copy
from archiver.custody.entry import Draft, EntryKind, moment_text
from archiver.custody.ledger import Ledger, open_ledger
from archiver.custody.repair import Repair, repair_copies, sweep
from archiver.custody.store import Store, bags_of, opened_store
from archiver.custody.verify import Depth
from archiver.errors import ArchiverError, MisuseError, SurroundingsError
from archiver.progress import Progress, Silent
from archiver.session.conform import nearest
from archiver.telling import command_line

if TYPE_CHECKING:
    from archiver.package.signers import Signer

__all__ = ["ComparedBag", "CopiesPlan", "compare_stores", "copies_report"]

_SCHEMA = "copies-report 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class CopiesPlan:
    """What to compare.

    Parameters
    ----------
    stores : sequence of str
        Paths or URLs, two or more.
    ledger : Path, optional
        Where comparisons and repairs are entered, and whose word decides.
    bags : sequence of str
        Paths in the stores; all if empty.
    repair : bool
        Repair what can be repaired; the ledger is needed for that.
    signers : sequence of Signer, optional
        Whose signature decides where the ledger knows nothing of a bag.
    """

    stores: Sequence[str]
    ledger: Path | None = None
    bags: Sequence[str] = ()
    repair: bool = False
    signers: Sequence[Signer] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedBag:
    """What was found of one bag, and what was done.

    Parameters
    ----------
    comparison : Comparison
        As the copies were found.
    repair : Repair, optional
        None if none was asked for or needed.
    after : tuple of BagCheck
        A full check of each copy that was repaired.
    error : ArchiverError, optional
        Why no repair was made.
    """

    comparison: Comparison
    repair: Repair | None = None
    after: tuple[BagCheck, ...] = ()
    error: ArchiverError | None = None

    @property
    def exit_status(self) -> int:
        """0 if all copies are good now, else 3; a repair that could not be tried says its own."""
        if self.error is not None and not isinstance(self.error, MisuseError):
            return self.error.exit_status
        return 0 if self.good_now else 3

    @property
    def mended(self) -> bool:
        """Whether copies were not good, and all of them were repaired and verified."""
        return (
            self.repair is not None
            and self.repair.complete
            and all(verdict is AuditVerdict.INTACT for _, verdict in self.now)
        )

    @property
    def good_now(self) -> bool:
        """Whether every copy is good now, after a repair if there was one."""
        return self.error is None and (self.comparison.good or self.mended)

    @property
    def now(self) -> tuple[tuple[str, AuditVerdict], ...]:
        """The stores whose copies were repaired, and what verifying these gave afterwards."""
        stores = [
            copy.store.name
            for copy, verdict in zip(self.comparison.copies, self.comparison.verdicts, strict=True)
            if verdict is not CopyVerdict.GOOD
        ]
        return tuple(
            (store, check.verdict) for store, check in zip(stores, self.after, strict=False)
        )

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        steps = () if self.repair is None else self.repair.steps
        return self.comparison.as_json() | {
            "repair": [
                {
                    "store": plain(step.store),
                    "path": plain(step.path),
                    "step": str(step.kind),
                    "note": plain(step.note),
                }
                for step in steps
            ],
            "after": [
                {"store": plain(store), "verdict": str(verdict)} for store, verdict in self.now
            ],
            "good_now": self.good_now,
            "error": None if self.error is None else plain(str(self.error)),
            "exit_status": self.exit_status,
        }


def copies_report(compared: Sequence[ComparedBag]) -> dict[str, Any]:
    """Return the report for machines, as ``copies-report.schema.json`` describes it."""
    return {
        "schema": _SCHEMA,
        "bags": [one.as_json() for one in compared],
        "exit_status": max((one.exit_status for one in compared), default=0),
    }


def compare_stores(
    plan: CopiesPlan, *, progress: Progress | None = None
) -> tuple[ComparedBag, ...]:
    """Compare, and repair if the plan says so.

    Raises
    ------
    MisuseError
        There are fewer than two stores, one is named twice, or a repair has no ledger.
    SurroundingsError
        A store or the ledger cannot be reached.
    """
    progress = progress or Silent()
    if plan.repair and plan.ledger is None:
        raise MisuseError(
            "a repair has no ledger to be entered in", where="--ledger", accepted="a file"
        )
    with contextlib.ExitStack() as held:
        stores = [held.enter_context(opened_store(location)) for location in plan.stores]
        if len({store.name for store in stores}) < max(2, len(stores)):
            raise MisuseError(
                "the same store is named twice" if len(stores) > 1 else "there is only one store",
                where=plan.stores[-1],
                accepted="two or more stores that hold copies of the same bags",
                remedy=""
                if len(stores) > 1
                else "To verify the bags of one store: "
                f"{command_line('audit', plan.stores[0], '--ledger', plan.ledger or 'FILE')}",
            )
        names = plan.bags or _held_by_any(stores, plan)
        ledger = None if plan.ledger is None else held.enter_context(open_ledger(plan.ledger))
        for name in plan.bags:
            _require_known(name, stores, ledger)
        if plan.repair:
            for store in stores:
                sweep(store, names)
        return tuple(
            _compared(name, stores, ledger, progress, plan.signers, repair=plan.repair)
            for name in names
        )


def _held_by_any(stores: Sequence[Store], plan: CopiesPlan) -> list[str]:
    """Return the bags that any of the stores holds.

    A disk that is not connected often leaves an empty folder behind. To find all bags missing
    there would be wrong, and to bring them all there would fill another disk.

    Raises
    ------
    SurroundingsError
        A store holds no bag at all.
    """
    held = {store.name: list(bags_of(store)) for store in stores}
    names = sorted({bag for bags in held.values() for bag in bags})
    for store in stores:
        if held[store.name]:
            continue
        remedy = "Check the name, and that the disk of the store is connected"
        if names:
            line = command_line(
                "copies", *plan.stores, "--ledger", plan.ledger or "FILE", "--repair",
                "--bag", names[0],
            )  # fmt: skip
            remedy += f"; if the store is new, bring a first bag there: {line}"
        raise SurroundingsError(
            "holds no bag, so nothing was compared", where=store.location, remedy=remedy
        )
    return names


def _require_known(bag: str, stores: Sequence[Store], ledger: Ledger | None) -> None:
    """Refuse a bag that no store holds and the ledger never heard of."""
    if any(files.exists(store.path_of(bag)) for store in stores):
        return
    if _recorded(ledger, bag, stores)[0] is not None:
        return
    names = sorted({name for store in stores for name in bags_of(store)})
    near = nearest(bag, names)
    raise MisuseError(
        f"no store holds a bag {bag!r}",
        where="--bag",
        accepted="the path of a bag in the stores, as archiver copies shows it",
        remedy=f"Did you mean {near}?" if near else "Check the name",
    )


def _compared(
    bag: str,
    stores: Sequence[Store],
    ledger: Ledger | None,
    progress: Progress,
    signers: Sequence[Signer] | None,
    *,
    repair: bool,
) -> ComparedBag:
    progress.step(bag, 0)
    copies = [read_copy(store, bag, on_bytes=progress.advance) for store in stores]
    recorded, words = _recorded(ledger, bag, stores)
    comparison = compare_copies(
        bag,
        copies,
        recorded=recorded,
        entry=words,
        signers=signers,
        on_bytes=progress.advance,
    )
    if ledger is None:
        return ComparedBag(comparison=comparison)
    _enter(ledger, comparison)
    if comparison.good or not repair:
        return ComparedBag(comparison=comparison)
    try:
        done = repair_copies(comparison, ledger, on_bytes=progress.advance)
    except ArchiverError as error:
        return ComparedBag(comparison=comparison, error=error)
    run = secrets.token_hex(8)
    after = []
    for copy, verdict in zip(comparison.copies, comparison.verdicts, strict=True):
        if verdict is CopyVerdict.GOOD:
            continue
        check = check_bag(copy.store, bag, Depth.FULL, on_bytes=progress.advance)
        ledger.append(check.draft(store=copy.store.name, run=run))
        after.append(check)
    return ComparedBag(comparison=comparison, repair=done, after=tuple(after))


def _recorded(
    ledger: Ledger | None, bag: str, stores: Sequence[Store]
) -> tuple[dict[str, str] | None, str]:
    """Return the manifests that the ledger knows of this bag in any of the stores."""
    if ledger is None:
        return None, ""
    entries = [
        entry
        for store in stores
        if (entry := ledger.reference(plain(bag), store.name)) is not None
        and not entry.parsed_facts().get("withdrawn")
    ]
    if not entries:
        return None, ""
    # The oldest statement stands nearest to the day when the bag was made; a change that
    # somebody accepted later overrules it.
    accepted = [entry for entry in entries if entry.kind == EntryKind.ACCEPTED]
    entry = max(accepted, key=lambda e: e.number) if accepted else _oldest(ledger, bag, stores)
    manifests = entry.parsed_facts().get("manifests")
    return manifests, f"entry {entry.number} of the ledger ({entry.moment})"


def _oldest(ledger: Ledger, bag: str, stores: Sequence[Store]) -> Any:
    names = {store.name for store in stores}
    return next(
        entry
        for entry in ledger.entries(kind=EntryKind.CHECK, bag=plain(bag))
        if entry.store in names and entry.parsed_facts().get("verdict") == "intact"
    )


def _enter(ledger: Ledger, comparison: Comparison) -> None:
    reference = comparison.reference
    ledger.append(
        Draft(
            kind=EntryKind.COMPARISON,
            store=plain(comparison.copies[0].store.name),
            bag=plain(comparison.bag),
            moment=moment_text(datetime.now(UTC)),
            facts={
                "stores": [plain(copy.store.name) for copy in comparison.copies],
                "reference": "nothing decides" if reference is None else reference.basis,
                "manifests": {} if reference is None else dict(reference.manifests),
                "copies": [str(verdict) for verdict in comparison.verdicts],
                "bad_files": sum(len(states) for states in comparison.states),
            },
        )
    )
