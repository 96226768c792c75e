"""Verifying bags, one after another."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver import files
from archiver.custody.verdicts import BagVerdict, Verification
from archiver.custody.verify import Depth, verify_bag
from archiver.errors import (
    ArchiverError,
    DefectError,
    IntegrityError,
    MisuseError,
    SurroundingsError,
)
from archiver.package.validate import Verdict
from archiver.progress import Progress, Silent
from archiver.telling import command_line

if TYPE_CHECKING:
    from archiver.package.signers import Signer
    from archiver.pipeline.kinds import Found

__all__ = [
    "VerifiedBag",
    "accepted_signers",
    "asked_signers",
    "require_read",
    "verify_bags",
    "verify_report",
]

_SCHEMA = "verify-report 1"
_LARGEST_LIST_BYTES = 1 << 24


def exit_status_of(verdict: BagVerdict) -> int:
    """Return the exit status that tells a verdict."""
    match verdict:
        case BagVerdict.INTACT | BagVerdict.COMPLETE:
            return 0
        case BagVerdict.UNDECIDED:
            return SurroundingsError.exit_status
        case _:
            return IntegrityError.exit_status


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifiedBag:
    """The verdict on one bag, or why there is none."""

    bag: Path
    verification: Verification | None = None
    error: ArchiverError | None = None

    @property
    def exit_status(self) -> int:
        """Exit status of this bag alone."""
        if self.error is not None:
            return self.error.exit_status
        if self.verification is None:
            return DefectError.exit_status
        return exit_status_of(self.verification.verdict)

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        if self.verification is not None:
            return self.verification.as_json()
        return {
            "bag": str(self.bag),
            "intact": False,
            "verdict": None,
            "error": str(self.error),
        }


def require_read(found: Verification, so: str) -> None:
    """Refuse to go on with a bag of which nothing is known to be wrong, but not all was read.

    Raises
    ------
    SurroundingsError
        It is one; ``so`` says what was therefore not done.
    """
    if found.report.verdict is Verdict.UNDECIDED:
        raise SurroundingsError(
            f"could not be verified whole, so {so}",
            where=str(found.path),
            remedy=f"See what could not be read: {command_line('verify', found.path)}",
        )


def verify_report(verdicts: Sequence[VerifiedBag], skipped: Sequence[Found] = ()) -> dict[str, Any]:
    """Return the report for machines, as ``verify-report.schema.json`` describes it.

    Parameters
    ----------
    verdicts : sequence of VerifiedBag
    skipped : sequence of Found
        What was named and is no bag, but lies beside bags.
    """
    return {
        "schema": _SCHEMA,
        "bags": [verdict.as_json() for verdict in verdicts],
        "skipped": [{"path": str(one.path), "kind": str(one.kind)} for one in skipped],
        "exit_status": max((verdict.exit_status for verdict in verdicts), default=0),
    }


def accepted_signers(path: Path) -> tuple[Signer, ...]:
    """Read a list of accepted signers.

    Raises
    ------
    MisuseError
        A line is not of that form.
    SurroundingsError
        The file cannot be read.
    """
    from archiver.package.signers import read_signers  # noqa: PLC0415 - few calls name signers

    content = files.read_bytes(path, limit=_LARGEST_LIST_BYTES)
    return read_signers(content.decode("utf-8", "replace"), str(path))


def asked_signers(path: Path) -> tuple[Signer, ...]:
    """Read a list of signers, one of whom every bag has to be signed by.

    Raises
    ------
    SurroundingsError
        The file cannot be read.
    MisuseError
        A line is not of that form, or nobody whose signature could be checked is on the list.
    """
    signers = accepted_signers(path)
    if not signers:
        raise MisuseError(
            "the list names no signer whose signature can be checked",
            where=str(path),
            accepted="a line NAME ssh-ed25519 KEY for each accepted signer",
        )
    return signers


def verify_bags(
    bags: Sequence[Path],
    *,
    depth: Depth = Depth.FULL,
    signers: Path | None = None,
    require: Callable[[Path], object] | None = None,
    progress: Progress | None = None,
) -> tuple[VerifiedBag, ...]:
    """Verify bags one after another; an unusable one does not keep the others waiting.

    Parameters
    ----------
    bags : sequence of Path
        Directories.
    depth : Depth
        How deep to look.
    signers : Path, optional
        A list of accepted signers, as ssh-keygen takes it; a bag that none of them has
        signed is not as it should be.
    require : callable, optional
        Asked before each bag is looked at; what it raises is the result.
    progress : Progress, optional
        Told what is being done.
    """
    progress = progress or Silent()
    accepted = None if signers is None else asked_signers(signers)
    verdicts: list[VerifiedBag] = []
    for bag in bags:
        try:
            if require is not None:
                require(bag)
            # Nobody waits for the total where nobody looks.
            total = 0 if isinstance(progress, Silent) else _bytes_below(bag)
            progress.step(bag.name, total)
            found = verify_bag(bag, progress.advance, depth=depth, signers=accepted)
        except ArchiverError as error:
            verdicts.append(VerifiedBag(bag=bag, error=error))
        else:
            verdicts.append(VerifiedBag(bag=bag, verification=found))
    return tuple(verdicts)


def _bytes_below(folder: Path) -> int:
    return sum(entry.size or 0 for _, entry in files.walk_files(folder) if entry.is_file)
