"""Exports of the ledger, and entries that a person answers for."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from archiver import __version__, files
from archiver.custody.audit import check_bag, plain
from archiver.custody.entry import Draft, Entry, EntryKind, moment_text
from archiver.custody.ledger import Ledger, open_ledger
from archiver.custody.ledger_export import json_lines, premis_events
from archiver.custody.store import Store, opened_store
from archiver.custody.verify import Depth
from archiver.errors import IntegrityError, MisuseError
from archiver.findings import Severity
from archiver.package.reader import read_bag
from archiver.package.signature import SignatureCheck, check_signatures
from archiver.pipeline.run import NAME
from archiver.progress import Progress, Silent

__all__ = ["accept", "exported"]


def exported(ledger: Ledger, form: str) -> Iterator[bytes]:
    """Yield the ledger in a form, in pieces.

    Raises
    ------
    MisuseError
        There is no such form.
    """
    if form == "json-lines":
        return (line.encode() for line in json_lines(ledger.entries()))
    if form == "premis":
        return iter([premis_events(ledger.entries(), program=NAME, version=__version__)])
    raise MisuseError(f"{form!r} is no form", where="--form", accepted="json-lines, premis")


def accept(
    path: Path,
    location: str,
    bag: str,
    *,
    reason: str,
    name: str = "",
    progress: Progress | None = None,
) -> Entry:
    """Enter that a bag is right as it is, or that it was withdrawn.

    A bag that is there is read first: one that contradicts itself cannot be right. What is accepted are its manifests, and the signatures that it carries, or that it carries
    none.

    Raises
    ------
    MisuseError
        There is no reason given, or the ledger does not know the bag.
    IntegrityError
        The bag does not agree with its own manifests.
    SurroundingsError
        Ledger or store is not there.
    """
    if not reason.strip():
        raise MisuseError("no reason is given", where="--reason", accepted="a sentence")
    with opened_store(location, name) as store, open_ledger(path, known=True) as ledger:
        known = next(ledger.entries(store=store.name, bag=bag), None)
        if known is None:
            raise MisuseError(
                f"the ledger knows no bag {bag!r} in {store.name}",
                accepted="store and bag as an audit has entered them",
            )
        present = files.exists(store.path_of(bag))
        manifests: tuple[tuple[str, str], ...] = ()
        signatures: tuple[SignatureCheck, ...] = ()
        if present:
            place = store.path_of(bag)
            read = read_bag(place)
            progress = progress or Silent()
            progress.step("reading the bag", (read.info.oxum or (0,))[0])
            _require_agreement(store, bag, progress)
            manifests = read.manifest_digests
            signatures, _ = check_signatures(place, [one.name for one in files.entries(place)])
        (entry,) = ledger.append(
            Draft(
                kind=EntryKind.ACCEPTED,
                store=store.name,
                bag=bag,
                moment=moment_text(datetime.now(UTC)),
                facts={
                    "reason": plain(reason.strip()),
                    "withdrawn": not present,
                    "manifests": dict(manifests),
                    "signatures": [
                        {name: plain(value) for name, value in one.as_json().items()}
                        for one in signatures
                    ],
                },
            )
        )
    return entry


def _require_agreement(store: Store, bag: str, progress: Progress) -> None:
    """Refuse a bag whose content its own manifests deny: the next audit would deny it again."""
    check = check_bag(store, bag, Depth.FULL, on_bytes=progress.advance)
    denied = [
        finding
        for finding in check.findings
        # Recovery data beside the bag is of the bag as it was before.
        if finding.severity is Severity.ERROR and not finding.where.file.startswith("../")
    ]
    if not denied:
        return
    finding = denied[0]
    raise IntegrityError(
        f"does not agree with its own manifests, so that accepting cannot help: {finding.where}: "
        f"{finding.message}",
        where=bag,
        remedy="Take what is wrong from another copy, with archiver copies or heal; if the content "
        "is right as it is, make a new version of the bag",
    )
