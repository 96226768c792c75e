"""Exports of the ledger, and entries that a person answers for."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from archiver import __version__, files
from archiver.custody.audit import plain
from archiver.custody.entry import Draft, Entry, EntryKind, moment_text
from archiver.custody.ledger import Ledger, open_ledger
from archiver.custody.ledger_export import json_lines, premis_events
from archiver.custody.store import opened_store
from archiver.errors import MisuseError
from archiver.package.reader import read_bag
from archiver.package.signature import SignatureCheck, check_signatures
from archiver.pipeline.run import NAME

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


def accept(path: Path, location: str, bag: str, *, reason: str, name: str = "") -> Entry:
    """Enter that a bag is right as it is, or that it was withdrawn.

    What is accepted are its manifests, and the signatures that it carries, or that it carries
    none.

    Raises
    ------
    MisuseError
        There is no reason given, or the ledger does not know the bag.
    """
    if not reason.strip():
        raise MisuseError("no reason is given", where="--reason", accepted="a sentence")
    with opened_store(location, name) as store, open_ledger(path) as ledger:
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
            manifests = read_bag(place).manifest_digests
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
