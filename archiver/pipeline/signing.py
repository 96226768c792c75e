"""Signing bags."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from archiver import files
from archiver.custody.audit import plain
from archiver.custody.entry import Draft, EntryKind, moment_text
from archiver.custody.ledger import open_ledger
from archiver.custody.verify import verify_bag
from archiver.errors import ArchiverError, IntegrityError
from archiver.package.signature import SignatureCheck, sign_bag
from archiver.pipeline.verify import require_read
from archiver.progress import Progress, Silent

__all__ = ["SignedBag", "sign_bags", "sign_report"]

_SCHEMA = "sign-report 1"
_LARGEST_KEY_BYTES = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedBag:
    """A bag that is signed now, or why not."""

    bag: Path
    signatures: tuple[SignatureCheck, ...] = ()
    error: ArchiverError | None = None

    @property
    def exit_status(self) -> int:
        """Exit status of this bag alone."""
        return 0 if self.error is None else self.error.exit_status

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        return {
            "bag": plain(str(self.bag)),
            "signatures": [made.as_json() for made in self.signatures],
            "error": None if self.error is None else plain(str(self.error)),
            "exit_status": self.exit_status,
        }


def sign_report(done: Sequence[SignedBag]) -> dict[str, Any]:
    """Return the report for machines, as ``sign-report.schema.json`` describes it."""
    return {
        "schema": _SCHEMA,
        "bags": [one.as_json() for one in done],
        "exit_status": max((one.exit_status for one in done), default=0),
    }


def sign_bags(
    bags: Sequence[Path],
    key: Path,
    *,
    passphrase: Callable[[], str] | None = None,
    require: Callable[[Path], object] | None = None,
    ledger: Path | None = None,
    progress: Progress | None = None,
) -> tuple[SignedBag, ...]:
    """Verify bags and sign the tag manifests of those that are intact.

    ``require`` is asked before a bag is looked at; what it raises is the result.

    Raises
    ------
    SurroundingsError
        Key or ledger cannot be read; what is wrong with a bag is a result.
    """
    progress = progress or Silent()
    content = files.read_bytes(key, limit=_LARGEST_KEY_BYTES)
    done: list[SignedBag] = []
    with ExitStack() as held:
        book = None if ledger is None else held.enter_context(open_ledger(ledger))
        for bag in bags:
            progress.step(bag.name, 0)
            try:
                if require is not None:
                    require(bag)
                found = verify_bag(bag, progress.advance)
                require_read(found, "it was not signed")
                if not found.report.valid:
                    raise IntegrityError(
                        "is not intact, so nobody should answer for it",
                        where=str(bag),
                        remedy="Repair the bag first",
                    )
                made = sign_bag(bag, content, passphrase=passphrase)
            except ArchiverError as error:
                done.append(SignedBag(bag=bag, error=error))
                continue
            if book is not None:
                book.append(
                    *(
                        Draft(
                            kind=EntryKind.SIGNED,
                            store=plain(str(files.resolved(bag.parent))),
                            bag=plain(bag.name),
                            moment=moment_text(datetime.now(UTC)),
                            facts={"file": one.file, "key": one.key},
                        )
                        for one in made
                    )
                )
            done.append(SignedBag(bag=bag, signatures=made))
    return tuple(done)
