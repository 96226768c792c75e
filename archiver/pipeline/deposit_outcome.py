"""What is to be deposited, and what came of it, bag by bag."""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from archiver.custody.audit import plain
from archiver.custody.deposit_record import Package
from archiver.errors import ArchiverError
from archiver.findings import Finding, stops_deposit
from archiver.pipeline.consignment import PlannedPackage

__all__ = ["BagDeposit", "DepositOutcome", "DepositPlan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DepositPlan:
    """What is to be deposited.

    Parameters
    ----------
    bags : sequence of Path
        Directories.
    profile : str
        File or name of the institution profile.
    ledger : Path
    to : str
        Folder or URL; empty for the destination of the profile.
    papers : Path, optional
        Folder for the papers; ``deposits`` beside the ledger by default.
    person : str
        Who deposits; empty for the contact that the bag names.
    form : str
        In place of the form that the profile names; empty for that.
    only_new : bool
        Leave out payload that the institution has given a receipt for.
    again : bool
        Deposit once more what was deposited before.
    rehearse : bool
        Say what would be sent, and send nothing.
    """

    bags: Sequence[Path]
    profile: str
    ledger: Path
    to: str = ""
    papers: Path | None = None
    person: str = ""
    form: str = ""
    only_new: bool = False
    again: bool = False
    rehearse: bool = False


class DepositOutcome(enum.StrEnum):
    """What became of one bag."""

    DEPOSITED = "deposited"
    BEFORE = "deposited before"
    REHEARSED = "would be deposited"
    NOT_FIT = "not fit"
    FAILED = "failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class BagDeposit:
    """What depositing one bag came to.

    Parameters
    ----------
    bag : Path
    outcome : DepositOutcome
    institution, to, form, deposit : str
    packages : tuple of Package or PlannedPackage
        What was sent, or would be.
    files_sent, files_referenced, bytes_left_out : int
    papers : Path, optional
        Folder of the papers.
    entry : int, optional
        Number in the ledger.
    receipt_due : str
    findings : tuple of Finding
        Of the check against the profile.
    error : ArchiverError, optional
    changed : bool
        Whether the bag itself is not what it was.
    """

    bag: Path
    outcome: DepositOutcome
    institution: str
    to: str = ""
    form: str = ""
    deposit: str = ""
    packages: tuple[Package | PlannedPackage, ...] = ()
    files_sent: int = 0
    files_referenced: int = 0
    bytes_left_out: int = 0
    papers: Path | None = None
    entry: int | None = None
    receipt_due: str = ""
    findings: tuple[Finding, ...] = ()
    error: ArchiverError | None = None
    changed: bool = False

    @property
    def exit_status(self) -> int:
        """Exit status of this bag alone."""
        if self.error is not None:
            return self.error.exit_status
        if self.changed:
            return 3
        return 1 if stops_deposit(self.findings) else 0

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        return {
            "bag": plain(str(self.bag)),
            "deposit": self.deposit,
            "outcome": str(self.outcome),
            "institution": self.institution,
            "to": self.to,
            "form": self.form,
            "packages": [
                {
                    "name": one.name,
                    "size": one.size,
                    "sha256": one.sha256 if isinstance(one, Package) else "",
                    "verified_by": one.verified_by if isinstance(one, Package) else "",
                }
                for one in self.packages
            ],
            "files_sent": self.files_sent,
            "files_referenced": self.files_referenced,
            "bytes_left_out": self.bytes_left_out,
            "papers": "" if self.papers is None else plain(str(self.papers)),
            "entry": self.entry,
            "receipt_due": self.receipt_due,
            "findings": [finding.as_json() for finding in self.findings],
            "error": "" if self.error is None else str(self.error),
            "exit_status": self.exit_status,
        }
