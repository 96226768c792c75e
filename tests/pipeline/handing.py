"""A depositor and an institution on one machine: bags, profiles, folders, and what they hold."""

from __future__ import annotations

import io
import json
import tarfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

from archiver.custody.ledger import open_ledger
from archiver.custody.ledger_check import verify_ledger
from archiver.custody.ledger_export import json_lines
from archiver.custody.store import bags_of, opened_store
from archiver.pipeline.deposit import deposit_bags
from archiver.pipeline.deposit_outcome import BagDeposit, DepositPlan
from archiver.pipeline.deposits import DepositsReport, report_deposits
from archiver.pipeline.receipts import ImportedReceipt, ReceiptPlan, import_receipt
from archiver.pipeline.receiving import receive_packages
from archiver.pipeline.receiving_outcome import PackageOutcome, ReceivedPackage, ReceivingPlan
from archiver.schema_store import schema
from tests.package.small_bags import contents, write_bag

SENDER = "Lindehavn Håndværks- og Kontormuseum"
PAYLOAD = {
    "masters/t01.wav": bytes(range(256)) * 300,
    "masters/t02.wav": bytes(range(255, -1, -1)) * 500,
    "documents/notes.txt": b"Stylus no. 3\n",
}
PROFILE = """\
schema: institution 1
name: Egeskov State Sound Archive
contact: {name: Accessions desk, email: accessions@egeskov.example}
agreement:
  title: Agreement on the deposit of {bag}
  terms: ["{depositor} hands over {bag}.", "{institution} answers by {receipt_due}."]
bag_info:
  - {label: Source-Organization, asks: Your name as it stands in our register}
serialisation: FORM
receipt_days: 30
earlier_versions: referenced
reception:
  letter: Please correct {bag} and send it again.
  receipt: "{institution} keeps {bag} from today."
"""


def small_bag(
    root: Path,
    payload: Mapping[str, bytes] = PAYLOAD,
    *,
    sender: str = SENDER,
    version: int = 1,
    replaces: str = "",
) -> Path:
    """A bag by plain means, with what a depositor states in it."""
    octets = sum(map(len, payload.values()))
    info = (
        f"Source-Organization: {sender}\nContact-Email: lyd@lindehavn-museum.example\n"
        f"External-Identifier: lhm-1\nBag-Version: {version}\n"
        + (f"Bag-Replaces: {replaces}\n" if replaces else "")
        + f"Bagging-Date: 2026-11-25\nPayload-Oxum: {octets}.{len(payload)}\n"
    )
    return write_bag(root, dict(payload), extra={"bag-info.txt": info.encode()})


@dataclass(frozen=True, kw_only=True)
class Both:
    """The two sides, and the inbox between them."""

    root: Path

    @property
    def profile(self) -> Path:
        return self.root / "profile.yaml"

    @property
    def inbox(self) -> Path:
        return self.root / "inbox"

    @property
    def ledger(self) -> Path:
        return self.root / "home" / "ledger.sqlite3"

    @property
    def their_ledger(self) -> Path:
        return self.root / "archive" / "ledger.sqlite3"

    @property
    def store(self) -> Path:
        return self.root / "archive" / "store"

    @property
    def quarantine(self) -> Path:
        return self.root / "archive" / "quarantine"

    def plan(self, *bags: Path, **more: Any) -> DepositPlan:
        facts: dict[str, Any] = {
            "bags": bags,
            "profile": str(self.profile),
            "ledger": self.ledger,
            "to": str(self.inbox),
        }
        return DepositPlan(**(facts | more))

    def deposit(self, *bags: Path, **more: Any) -> tuple[BagDeposit, ...]:
        """Deposit, and hold the report and the ledger against their schemas."""
        done = deposit_bags(self.plan(*bags, **more))
        report = {
            "schema": "deposit-report 1",
            "bags": [one.as_json() for one in done],
            "exit_status": max(one.exit_status for one in done),
        }
        Draft202012Validator(schema("deposit-report")).validate(report)
        judge_ledger(self.ledger)
        return done

    def receiving(self, *packages: Path, **more: Any) -> ReceivingPlan:
        facts: dict[str, Any] = {
            "packages": packages or tuple(sorted(self.inbox.iterdir())),
            "profile": str(self.profile),
            "store": self.store,
            "quarantine": self.quarantine,
            "ledger": self.their_ledger,
        }
        return ReceivingPlan(**(facts | more))

    def receive(self, *packages: Path, **more: Any) -> tuple[ReceivedPackage, ...]:
        """Receive, and hold the report and the ledger against their schemas."""
        done = receive_packages(self.receiving(*packages, **more))
        report = {
            "schema": "receiving-report 1",
            "packages": [one.as_json() for one in done],
            "exit_status": max((one.exit_status for one in done), default=0),
        }
        Draft202012Validator(schema("receiving-report")).validate(report)
        judge_ledger(self.their_ledger)
        for one in done:
            if one.papers is not None:
                receipt = json.loads((one.papers / "receipt.json").read_text(encoding="utf-8"))
                Draft202012Validator(schema("receipt")).validate(receipt)
        # Whatever comes of it, nothing half-done stays in the store.
        assert not [path for path in self.store.iterdir() if path.name.startswith(".")]
        return done

    def import_receipt(self, file: Path | None = None, **more: Any) -> ImportedReceipt:
        imported = import_receipt(ReceiptPlan(ledger=self.ledger, file=file, **more))
        Draft202012Validator(schema("receipt-report")).validate(imported.as_json())
        judge_ledger(self.ledger)
        return imported

    def deposits(self, **more: Any) -> DepositsReport:
        report = report_deposits(self.ledger, **more)
        Draft202012Validator(schema("deposits-report")).validate(report.as_json())
        return report

    def use_form(self, form: str, more: str = "") -> None:
        """Write the profile for a form, with further lines."""
        self.profile.write_text(PROFILE.replace("FORM", form) + more, encoding="utf-8")


def both_sides(root: Path, form: str = "tar") -> Both:
    """Make the folders, a profile, and nothing else."""
    both = Both(root=root)
    for folder in (both.inbox, both.store, both.quarantine):
        folder.mkdir(parents=True)
    both.use_form(form)
    return both


def judge_ledger(path: Path) -> None:
    """Hold every entry against the schema, and the chain against itself."""
    if not path.exists():
        return
    judge = Draft202012Validator(schema("ledger"))
    with open_ledger(path, read_only=True) as ledger:
        assert verify_ledger(ledger).intact
        for line in json_lines(ledger.entries()):
            judge.validate(json.loads(line))


def same(one: Path, other: Path) -> bool:
    """Whether two folders hold the same files with the same bytes."""
    return contents(one) == contents(other)


def as_tar(bag: Path, target: Path, edit: Any = None) -> Path:
    """A package by the standard library; ``edit`` adds to it."""
    with tarfile.open(target, "w") as opened:
        opened.add(bag, bag.name)
        if edit is not None:
            edit(opened)
    return target


def kinds(both: Both) -> list[str]:
    with open_ledger(both.their_ledger, read_only=True) as ledger:
        return [entry.kind for entry in ledger.entries()]


def letter_of(received: ReceivedPackage) -> str:
    assert received.papers is not None
    text = (received.papers / "letter.txt").read_text(encoding="utf-8")
    return " ".join(text.split())


def held(both: Both) -> list[str]:
    with opened_store(str(both.store)) as store:
        return sorted(bags_of(store))


def is_refused(both: Both, received: ReceivedPackage, words: str) -> None:
    """It lies in quarantine as it arrived, the letter says why, and the store is empty."""
    assert (received.outcome, received.exit_status) == (PackageOutcome.QUARANTINED, 1)
    # A sentence of a letter begins with a capital.
    assert words.lower() in letter_of(received).lower()
    assert received.place is not None
    assert list(received.place.iterdir())
    assert not received.package.exists()
    assert kinds(both)[-1] == "quarantined"


def climbing(opened: tarfile.TarFile) -> None:
    """An entry that would lie outside of where it is unpacked."""
    entry = tarfile.TarInfo("lhm-1/../../evil")
    entry.size = 4
    opened.addfile(entry, io.BytesIO(b"evil"))
