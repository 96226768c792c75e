"""Making recovery data for bags, and healing bags with it."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from archiver import files
from archiver.custody.audit import plain
from archiver.custody.entry import Draft, EntryKind, moment_text
from archiver.custody.healing import Healed, heal_bag
from archiver.custody.ledger import open_ledger
from archiver.custody.repair import sweep
from archiver.custody.store import opened_store
from archiver.custody.verdicts import Verification
from archiver.custody.verify import verify_bag
from archiver.errors import ArchiverError, IntegrityError, MisuseError
from archiver.package.recovery import make_recovery
from archiver.package.recovery_data import RecoveryRecord, recovery_place
from archiver.progress import Progress, Silent

__all__ = ["HealOutcome", "ProtectedBag", "heal", "protect_bags"]


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
        if self.record is None:
            return {"bag": str(self.bag), "error": str(self.error)}
        return {
            "bag": str(self.bag),
            "place": str(recovery_place(self.bag)),
            "redundancy_percent": self.record.redundancy_percent,
            "block_bytes": self.record.block_bytes,
            "source_blocks": self.record.source_blocks,
            "recovery_blocks": self.record.recovery_blocks,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class HealOutcome:
    """What was healed, and the bag as it was found afterwards."""

    healed: Healed
    after: Verification

    @property
    def exit_status(self) -> int:
        """0 if the bag is intact now."""
        return 0 if self.after.intact else 3

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        return {
            "restored": list(self.healed.restored),
            "set_aside": list(self.healed.set_aside),
            "after": self.after.as_json(),
        }


def protect_bags(
    bags: Sequence[Path],
    *,
    redundancy_percent: int = 5,
    replace: bool = False,
    ledger: Path | None = None,
    progress: Progress | None = None,
) -> tuple[ProtectedBag, ...]:
    """Make recovery data beside each bag that is intact; each bag is read for that first.

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
                found = verify_bag(bag, progress.advance)
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
    """Heal a bag from the recovery data beside it, then verify it whole.

    Raises
    ------
    IntegrityError
        The damage is beyond the recovery data; the bag was not changed.
    MisuseError, SurroundingsError
        There is no recovery data, or the machine stands in the way.
    """
    progress = progress or Silent()
    if not files.exists(recovery_place(bag)):
        raise MisuseError(
            "has no recovery data beside it",
            where=str(bag),
            accepted="a bag that archiver protect was used on",
            remedy="Repair it from another copy with archiver copies --repair",
        )
    with ExitStack() as held:
        store = held.enter_context(opened_store(str(bag.absolute().parent)))
        book = None if ledger is None else held.enter_context(open_ledger(ledger))
        sweep(store, [bag.name])
        progress.step(bag.name, 0)
        healed = heal_bag(store, bag.name, book, on_bytes=progress.advance)
    return HealOutcome(healed=healed, after=verify_bag(bag, progress.advance))
