"""Making recovery data for bags, and healing bags with it."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from archiver import files
from archiver.custody.audit import BagCheck, check_of, enter, plain
from archiver.custody.entry import Draft, EntryKind, moment_text
from archiver.custody.healing import Healed, heal_bag
from archiver.custody.ledger import open_ledger
from archiver.custody.repair import sweep
from archiver.custody.store import opened_store
from archiver.custody.verdicts import BagVerdict, Verification
from archiver.custody.verify import Depth, verify_bag
from archiver.errors import ArchiverError, IntegrityError, MisuseError
from archiver.findings import Finding, in_order
from archiver.package.recovery import make_recovery
from archiver.package.recovery_data import RecoveryRecord, recovery_place
from archiver.pipeline.verify import require_read
from archiver.progress import Progress, Silent
from archiver.telling import command_line

__all__ = ["HealOutcome", "ProtectedBag", "heal", "protect_bags", "protect_report"]

_HEAL_SCHEMA = "heal-report 1"
_PROTECT_SCHEMA = "protect-report 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProtectedBag:
    """A bag that has recovery data now, or why not."""

    bag: Path
    record: RecoveryRecord | None = None
    error: ArchiverError | None = None

    @property
    def exit_status(self) -> int:
        """Exit status of this bag alone."""
        return 0 if self.error is None else self.error.exit_status

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        made = None
        if self.record is not None:
            made = {
                "place": plain(str(recovery_place(self.bag))),
                "redundancy_percent": self.record.redundancy_percent,
                "block_bytes": self.record.block_bytes,
                "source_blocks": self.record.source_blocks,
                "recovery_blocks": self.record.recovery_blocks,
            }
        return {
            "bag": plain(str(self.bag)),
            "recovery_data": made,
            "error": None if self.error is None else plain(str(self.error)),
            "exit_status": self.exit_status,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class HealOutcome:
    """What was healed, and the bag as it was found afterwards.

    Parameters
    ----------
    healed : Healed
    after : Verification
        Of the whole bag, once it was healed.
    check : BagCheck
        The same, held against what the ledger recorded before.
    entry : int, optional
        Number of the check in the ledger; None without one.
    """

    healed: Healed
    after: Verification
    check: BagCheck
    entry: int | None = None

    @property
    def exit_status(self) -> int:
        """0 if the bag is intact now, whatever the recovery data is like that made it so."""
        return 0 if self._only_recovery_damaged else self.check.verdict.exit_status

    @property
    def verdict(self) -> str:
        """What is to be said of the bag now."""
        return str(self.after.verdict if self._only_recovery_damaged else self.check.verdict)

    @property
    def _only_recovery_damaged(self) -> bool:
        # What only the ledger knows against the bag is among the findings of the check alone.
        beyond = set(self.check.findings) - set(self.after.findings)
        return self.after.verdict is BagVerdict.RECOVERY_DAMAGED and not beyond

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is to be said of the bag now, errors first."""
        return in_order(dict.fromkeys((*self.after.findings, *self.check.findings)))

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines, as ``heal-report.schema.json`` describes them."""
        return {
            "schema": _HEAL_SCHEMA,
            "bag": plain(str(self.after.path)),
            "restored": [plain(path) for path in self.healed.restored],
            "set_aside": [plain(path) for path in self.healed.set_aside],
            "verdict": self.verdict,
            "findings": [finding.as_json() for finding in self.findings],
            "ledger_entry": self.entry,
            "exit_status": self.exit_status,
        }


def protect_report(done: Sequence[ProtectedBag]) -> dict[str, Any]:
    """Return the report for machines, as ``protect-report.schema.json`` describes it."""
    return {
        "schema": _PROTECT_SCHEMA,
        "bags": [one.as_json() for one in done],
        "exit_status": max((one.exit_status for one in done), default=0),
    }


def protect_bags(
    bags: Sequence[Path],
    *,
    redundancy_percent: int = 5,
    replace: bool = False,
    require: Callable[[Path], object] | None = None,
    ledger: Path | None = None,
    progress: Progress | None = None,
) -> tuple[ProtectedBag, ...]:
    """Make recovery data beside each bag that is intact; each bag is read for that first.

    ``require`` is asked before a bag is looked at; what it raises is the result.

    Raises
    ------
    SurroundingsError
        The ledger cannot be used; what is wrong with a bag is a result.
    """
    progress = progress or Silent()
    done: list[ProtectedBag] = []
    with ExitStack() as held:
        book = None if ledger is None else held.enter_context(open_ledger(ledger))
        for bag in bags:
            progress.step(bag.name, 0)
            try:
                if require is not None:
                    require(bag)
                found = verify_bag(bag, progress.advance)
                require_read(found, "no recovery data was made")
                if not found.report.valid:
                    raise IntegrityError(
                        "is not intact, so recovery data would keep the damage",
                        where=str(bag),
                        remedy="Repair the bag from another copy first",
                    )
                record = make_recovery(
                    bag,
                    redundancy_percent=redundancy_percent,
                    replace=replace,
                    on_bytes=progress.advance,
                )
            except ArchiverError as error:
                done.append(ProtectedBag(bag=bag, error=error))
                continue
            if book is not None:
                made = files.entries(recovery_place(bag))
                book.append(
                    Draft(
                        kind=EntryKind.RECOVERY_DATA,
                        store=plain(str(files.resolved(bag.parent))),
                        bag=plain(bag.name),
                        moment=moment_text(datetime.now(UTC)),
                        facts={
                            "redundancy_percent": redundancy_percent,
                            "files": len(made),
                            "bytes": sum(entry.size or 0 for entry in made),
                        },
                    )
                )
            done.append(ProtectedBag(bag=bag, record=record))
    return tuple(done)


def heal(bag: Path, *, ledger: Path | None = None, progress: Progress | None = None) -> HealOutcome:
    """Heal a bag from the recovery data beside it, then verify it whole and enter the check.

    Raises
    ------
    IntegrityError
        The damage is beyond the recovery data; the bag was not changed.
    MisuseError, SurroundingsError
        There is no recovery data, or the machine stands in the way.
    """
    progress = progress or Silent()
    if not files.exists(recovery_place(bag)):
        # Of a bag that is not there, or cannot be opened, nothing else is worth telling.
        files.entries(bag)
        raise MisuseError(
            "has no recovery data beside it",
            where=str(bag),
            accepted="a bag that archiver protect was used on",
            remedy="Repair it from another copy: "
            f"{command_line('copies', bag.parent, 'STORE', '--ledger', 'FILE', '--repair')}",
        )
    with ExitStack() as held:
        store = held.enter_context(opened_store(str(bag.absolute().parent)))
        book = None if ledger is None else held.enter_context(open_ledger(ledger))
        sweep(store, [bag.name])
        progress.step(bag.name, 0)
        try:
            healed = heal_bag(store, bag.name, book, on_bytes=progress.advance)
        except IntegrityError as error:
            if book is not None:
                book.append(_refused(store.name, bag.name, error))
            raise
        begun = time.monotonic()
        after = verify_bag(bag, progress.advance)
        duration_ms = int((time.monotonic() - begun) * 1000)
        check = check_of(bag.name, Depth.FULL, after, duration_ms=duration_ms)
        if book is None:
            return HealOutcome(healed=healed, after=after, check=check)
        check, entry = enter(check, book, store=store.name, run=secrets.token_hex(8))
    return HealOutcome(healed=healed, after=after, check=check, entry=entry.number)


def _refused(store: str, bag: str, error: IntegrityError) -> Draft:
    return Draft(
        kind=EntryKind.REPAIR_FAILED,
        store=store,
        bag=plain(bag),
        moment=moment_text(datetime.now(UTC)),
        facts={"path": "", "reason": plain(error.found)},
    )
