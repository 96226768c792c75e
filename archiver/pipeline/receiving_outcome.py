"""What is to be received, and what came of it, package by package."""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from ssl import SSLContext
from typing import Any

from archiver.custody.audit import plain
from archiver.errors import ArchiverError
from archiver.findings import Finding

__all__ = ["PackageOutcome", "ReceivedPackage", "ReceivingPlan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivingPlan:
    """What is to be received.

    Parameters
    ----------
    packages : sequence of Path
        Folders of deposits, folders of bags, or packages.
    profile : str
        File or name of the institution's own profile.
    store, quarantine, ledger : Path
    receipts : Path, optional
        Folder for receipts; ``receipts`` beside the ledger by default.
    fetch_from : tuple of str
        Hosts that files of ``fetch.txt`` may be fetched from; none by default.
    reference : str
        Number or mark under which the institution keeps it.
    clear : bool
        Remove from the inbox what was accepted.
    rehearse : bool
        Look at everything, and leave all as it is.
    trust : SSLContext, optional
        Whose certificates count when fetching; those of this machine by default.
    """

    packages: Sequence[Path]
    profile: str
    store: Path
    quarantine: Path
    ledger: Path
    receipts: Path | None = None
    fetch_from: tuple[str, ...] = ()
    reference: str = ""
    clear: bool = False
    rehearse: bool = False
    trust: SSLContext | None = None


class PackageOutcome(enum.StrEnum):
    """What became of a package."""

    ACCEPTED = "accepted"
    HELD = "already held"
    QUARANTINED = "quarantined"
    INCOMPLETE = "not complete yet"
    FAILED = "failed"
    WOULD_ACCEPT = "would be accepted"
    WOULD_QUARANTINE = "would be quarantined"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceivedPackage:
    """What receiving one package came to.

    Parameters
    ----------
    package : Path
    outcome : PackageOutcome
    bag, deposit, receipt : str
    place : Path, optional
        Where the bag or, quarantined, the package lies now.
    papers : Path, optional
        Folder of receipt or letter.
    completed : int
        Files that were not sent and were taken from elsewhere.
    entry : int, optional
        Number in the ledger.
    reasons : tuple of Finding
        Why it was quarantined.
    notes : tuple of Finding
        What else was found.
    error : ArchiverError, optional
    under_way : bool
        It is not complete, and may well be tomorrow.
    """

    package: Path
    outcome: PackageOutcome
    bag: str = ""
    deposit: str = ""
    receipt: str = ""
    place: Path | None = None
    papers: Path | None = None
    completed: int = 0
    entry: int | None = None
    reasons: tuple[Finding, ...] = ()
    notes: tuple[Finding, ...] = ()
    error: ArchiverError | None = None
    under_way: bool = False

    @property
    def exit_status(self) -> int:
        """Exit status of this package alone."""
        if self.error is not None:
            return self.error.exit_status
        match self.outcome:
            case PackageOutcome.QUARANTINED | PackageOutcome.WOULD_QUARANTINE:
                return 1
            case PackageOutcome.INCOMPLETE:
                return 0 if self.under_way else 4
            case _:
                return 0

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        return {
            "package": plain(str(self.package)),
            "outcome": str(self.outcome),
            "bag": plain(self.bag),
            "deposit": self.deposit,
            "receipt": self.receipt,
            "place": "" if self.place is None else plain(str(self.place)),
            "papers": "" if self.papers is None else plain(str(self.papers)),
            "completed": self.completed,
            "entry": self.entry,
            "reasons": [finding.as_json() for finding in self.reasons],
            "notes": [finding.as_json() for finding in self.notes],
            "error": "" if self.error is None else plain(str(self.error)),
            "exit_status": self.exit_status,
        }
