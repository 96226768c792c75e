"""Setting a package aside: the answer first, then the package, then the ledger.

A run that dies in between leaves a folder that says all there is to be said; the next run
enters it in the ledger, so that nothing lies in quarantine that the ledger does not know.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
from collections.abc import Sequence
from pathlib import Path

from archiver import files
from archiver.custody.audit import plain
from archiver.custody.entry import Draft, EntryKind
from archiver.custody.intake import move_aside
from archiver.custody.ledger import Ledger
from archiver.custody.receipts import RECEIPT_NAME, Receipt, decode_receipt, encode_receipt
from archiver.custody.statements import LARGEST_STATEMENT_BYTES
from archiver.errors import ArchiverError, MisuseError
from archiver.findings import Severity
from archiver.pages.papers.letters import LETTER_NAME, refusal_letter
from archiver.pages.papers.receipt_page import RECEIPT_PAGE, receipt_page

__all__ = [
    "PACKAGE_FOLDER",
    "catch_up",
    "is_set_aside",
    "received_facts",
    "set_aside",
    "write_answer",
]

PACKAGE_FOLDER = "package"
"""Where the package lies, beside the letter."""

_FOLDER = re.compile(r"R-[0-9a-f]{12}", re.ASCII)
_MOST_FINDINGS = 100


def is_set_aside(folder: Path) -> bool:
    """Say whether a package lies in the folder of an answer, or a part of one."""
    place = folder / PACKAGE_FOLDER
    return files.exists(place) and any(
        not entry.name.startswith(".") for entry in files.entries(place)
    )


def write_answer(folder: Path, papers: dict[str, bytes]) -> dict[str, str]:
    """Write the papers of an answer; return their digests by name."""
    files.make_directory(folder)
    for name, content in papers.items():
        files.write_whole(folder / name, content)
    return {name: hashlib.sha256(content).hexdigest() for name, content in papers.items()}


def received_facts(receipt: Receipt) -> dict[str, object]:
    """Return what the ledger is to keep of any answer."""
    return {
        "receipt": receipt.receipt,
        "deposit": receipt.deposit,
        "institution": plain(receipt.institution.name),
        "depositor": plain(receipt.depositor.name),
        "packages": [one.as_json() | {"name": plain(one.name)} for one in receipt.packages],
        "program": receipt.program,
    }


def set_aside(
    quarantine: Path, receipt: Receipt, sources: Sequence[Path], *, store: str, ledger: Ledger
) -> int:
    """Write the letter, move the package beside it, and enter that.

    Parameters
    ----------
    quarantine : Path
    receipt : Receipt
        The refusal.
    sources : sequence of Path
        What is moved.
    store : str
        Name of the store that it was not taken into.
    ledger : Ledger

    Returns
    -------
    int
        Number of the entry.

    Raises
    ------
    SurroundingsError, IntegrityError
        It cannot be moved or entered; what was not moved lies where it was.
    """
    folder = quarantine / receipt.receipt
    arrived = [source.name for source in sources]
    with _held(folder):
        write_answer(
            folder,
            {
                LETTER_NAME: refusal_letter(receipt, arrived),
                RECEIPT_NAME: encode_receipt(receipt),
                RECEIPT_PAGE: receipt_page(receipt, arrived),
            },
        )
        for source in sources:
            move_aside(source, folder / PACKAGE_FOLDER / source.name)
        return _enter(folder, receipt, store, ledger)


def catch_up(quarantine: Path, *, store: str, ledger: Ledger) -> int:
    """Enter what a run that died has set aside; return how many packages that were."""
    known = {
        str(entry.parsed_facts().get("receipt"))
        for entry in ledger.entries(kind=EntryKind.QUARANTINED)
    }
    count = 0
    for entry in files.entries(quarantine):
        folder = quarantine / entry.name
        if not _FOLDER.fullmatch(entry.name) or entry.name in known:
            continue
        if not is_set_aside(folder):
            continue
        # One that another process is at is no business of ours, and what is no receipt of
        # ours is not entered.
        with contextlib.suppress(ArchiverError), _held(folder):
            content = files.read_bytes(folder / RECEIPT_NAME, limit=LARGEST_STATEMENT_BYTES)
            receipt = decode_receipt(content, str(folder / RECEIPT_NAME))
            if receipt.receipt == entry.name and not _entered(ledger, receipt):
                _enter(folder, receipt, store, ledger)
                count += 1
    return count


def _entered(ledger: Ledger, receipt: Receipt) -> bool:
    return any(
        entry.parsed_facts().get("receipt") == receipt.receipt
        for entry in ledger.entries(kind=EntryKind.QUARANTINED)
    )


def _held(folder: Path) -> contextlib.AbstractContextManager[None]:
    busy = MisuseError("is being set aside by another process", where=str(folder))
    return files.lock(folder.with_name(f".{folder.name}.lock"), busy=busy)


def _enter(folder: Path, receipt: Receipt, store: str, ledger: Ledger) -> int:
    named = [receipt.bag.name] if receipt.bag is not None else []
    named += [one.name for one in receipt.packages]
    papers = {
        name: files.digests_of(folder / name, ["sha256"])[1]["sha256"]
        for name in (LETTER_NAME, RECEIPT_NAME, RECEIPT_PAGE)
    }
    (entry,) = ledger.append(
        Draft(
            kind=EntryKind.QUARANTINED,
            store=store,
            bag=plain(named[0] if named else receipt.receipt),
            moment=receipt.moment,
            facts=received_facts(receipt)
            | {
                "to": plain(str(folder)),
                "findings": [
                    {
                        "code": reason.code,
                        "severity": str(Severity.ERROR),
                        "where": plain(reason.where),
                        "message": plain(reason.message),
                    }
                    for reason in receipt.reasons[:_MOST_FINDINGS]
                ],
                "papers": papers,
            },
        )
    )
    return entry.number
