"""Deposits and their receipts as the ledger knows them, and what is to be said of each.

A deposit stands in the ledger only once it is complete and verified at the far end; of the
receipts for it the newest counts. A refusal after a receipt is two statements that disagree.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from archiver.custody.audit import plain
from archiver.custody.deposit_record import DEPOSIT_NAME, DepositRecord
from archiver.custody.entry import Draft, Entry, EntryKind
from archiver.custody.ledger import Ledger
from archiver.custody.receipts import Agreement, Decision, Known
from archiver.errors import MisuseError
from archiver.findings import Finding
from archiver.package.versions import unversioned_name

__all__ = [
    "DepositState",
    "HeldReceipt",
    "LedgerDeposit",
    "deposit_draft",
    "deposit_named",
    "deposits_in",
    "digests_held",
    "receipt_draft",
]

_MOST_FINDINGS = 100


class DepositState(enum.StrEnum):
    """What is to be said of a deposit."""

    RECEIPTED = "receipt held"
    UNPROVED = "receipt without digests"
    AWAITED = "awaits a receipt"
    OVERDUE = "receipt overdue"
    REFUSED = "refused"
    DISAGREES = "receipt disagrees"
    CONTRADICTED = "receipt contradicted"

    @property
    def exit_status(self) -> int:
        """Exit status that this state alone asks for."""
        match self:
            case DepositState.DISAGREES | DepositState.CONTRADICTED:
                return 3
            case DepositState.OVERDUE | DepositState.REFUSED:
                return 1
            case _:
                return 0


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldReceipt:
    """A receipt that was entered.

    Parameters
    ----------
    entry : int
        Number in the ledger.
    moment : str
        When it was entered.
    receipt : str
        Identifier or reference, in the words of the institution.
    decision : Decision
    agreement : Agreement
    file : str
        Name of the file kept; empty for a typed reference.
    sha256 : str
        Of that file.
    """

    entry: int
    moment: str
    receipt: str
    decision: Decision
    agreement: Agreement
    file: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerDeposit:
    """A deposit that was entered, and the receipts for it.

    Parameters
    ----------
    entry : int
        Number in the ledger.
    store, bag, moment : str
    deposit, institution, to, form, receipt_due : str
        As in the record of the deposit.
    packages : mapping of str to str
        SHA-256 by name.
    manifests : mapping of str to str
        SHA-256 by name.
    payload : tuple of str
        Digests of the payload, each as ``sha256:`` and hexadecimal digits.
    tag_files : tuple of str
        SHA-256 of each file that is not payload.
    papers : mapping of str to str
        SHA-256 of each paper that was written, by name; the record of the deposit among them.
    files_sent, files_referenced, bytes_sent : int
    receipts : tuple of HeldReceipt
        In the order of entry.
    """

    entry: int
    store: str
    bag: str
    moment: str
    deposit: str
    institution: str
    to: str
    form: str
    receipt_due: str
    packages: Mapping[str, str]
    manifests: Mapping[str, str]
    payload: tuple[str, ...]
    tag_files: tuple[str, ...]
    papers: Mapping[str, str]
    files_sent: int
    files_referenced: int
    bytes_sent: int
    receipts: tuple[HeldReceipt, ...] = ()

    def state(self, today: date) -> DepositState:
        """Say how the deposit stands on a day."""
        if not self.receipts:
            overdue = today > date.fromisoformat(self.receipt_due)
            return DepositState.OVERDUE if overdue else DepositState.AWAITED
        last = self.receipts[-1]
        if last.agreement is Agreement.DIFFERS:
            return DepositState.DISAGREES
        if last.decision is Decision.REFUSED:
            # The refusal stands, but whether the institution holds the bag is not known any more.
            return DepositState.REFUSED if self.taken_in is None else DepositState.CONTRADICTED
        if last.agreement is Agreement.NOT_STATED:
            return DepositState.UNPROVED
        return DepositState.RECEIPTED

    @property
    def taken_in(self) -> HeldReceipt | None:
        """The newest receipt that says that the institution holds what was sent."""
        return next(
            (
                held
                for held in reversed(self.receipts)
                if held.decision is Decision.ACCEPTED and held.agreement is not Agreement.DIFFERS
            ),
            None,
        )

    @property
    def known(self) -> Known:
        """The side that a receipt is held against."""
        return Known(
            deposit=self.deposit,
            bag=self.bag,
            manifests=self.manifests,
            packages=self.packages,
            others=frozenset(
                {
                    self.papers.get(DEPOSIT_NAME, ""),
                    *(one.partition(":")[2] for one in self.payload if one.startswith("sha256:")),
                }
            ),
            tag_files=frozenset(self.tag_files),
        )


def deposit_draft(
    record: DepositRecord,
    *,
    store: str,
    moment: str,
    papers: Mapping[str, str],
    payload: Iterable[tuple[str, str]],
) -> Draft:
    """Return what the ledger is to keep of a deposit.

    Parameters
    ----------
    record : DepositRecord
    store : str
        That the bag lies in.
    moment : str
        As :func:`~archiver.custody.entry.moment_text` writes it.
    papers : mapping of str to str
        SHA-256 of each paper that was written, by name; the record among them.
    payload : iterable of (str, str)
        Algorithm and digest of every line of every payload manifest.
    """
    sent, referenced = record.files_sent, record.files_referenced
    facts: dict[str, Any] = {
        "deposit": record.deposit,
        "institution": plain(record.institution.name),
        "depositor": plain(record.depositor.name),
        "person": plain(record.depositor.person),
        "to": plain(record.to),
        "form": record.form,
        "packages": [
            package.as_json() | {"name": plain(package.name)} for package in record.packages
        ],
        "manifests": {plain(name): sha for name, sha in record.bag.manifests.items()},
        "payload": sorted({f"{algorithm}:{digest}" for algorithm, digest in payload}),
        "tag_files": sorted(
            {
                file.digest
                for file in record.files
                if file.algorithm == "sha256" and not file.path.startswith("data/")
            }
        ),
        "files_sent": len(sent),
        "files_referenced": len(referenced),
        "bytes_sent": sum(package.size for package in record.packages),
        "receipt_due": record.receipt_due,
        "papers": dict(papers),
        "program": record.program,
    }
    return Draft(
        kind=EntryKind.DEPOSITED,
        store=store,
        bag=plain(record.bag.name),
        moment=moment,
        facts=facts,
    )


def receipt_draft(
    deposit: LedgerDeposit,
    *,
    moment: str,
    receipt: str,
    decision: Decision,
    agreement: Agreement,
    file: str,
    sha256: str,
    findings: Sequence[Finding],
) -> Draft:
    """Return what the ledger is to keep of a receipt.

    Parameters
    ----------
    deposit : LedgerDeposit
        That it is for.
    moment : str
    receipt : str
        Identifier or reference, in the words of the institution.
    decision : Decision
    agreement : Agreement
    file, sha256 : str
        The file kept; empty for a typed reference.
    findings : sequence of Finding
    """
    return Draft(
        kind=EntryKind.RECEIPT,
        store=deposit.store,
        bag=deposit.bag,
        moment=moment,
        facts={
            "deposit": deposit.deposit,
            "institution": deposit.institution,
            "receipt": plain(receipt),
            "decision": str(decision),
            "agreement": str(agreement),
            "file": plain(file),
            "sha256": sha256,
            "findings": finding_facts(findings),
        },
    )


def finding_facts(findings: Sequence[Finding]) -> list[dict[str, str]]:
    """Return the first findings as the ledger keeps them."""
    return [
        {
            "code": finding.code,
            "severity": str(finding.severity),
            "where": plain(str(finding.where)),
            "message": plain(finding.message),
        }
        for finding in findings[:_MOST_FINDINGS]
    ]


def deposits_in(ledger: Ledger) -> tuple[LedgerDeposit, ...]:
    """Return all deposits with their receipts, in the order of entry."""
    receipts: dict[str, list[HeldReceipt]] = {}
    for entry in ledger.entries(kind=EntryKind.RECEIPT):
        facts = entry.parsed_facts()
        receipts.setdefault(str(facts["deposit"]), []).append(_receipt(entry, facts))
    return tuple(_deposit(entry, receipts) for entry in ledger.entries(kind=EntryKind.DEPOSITED))


def _receipt(entry: Entry, facts: Mapping[str, Any]) -> HeldReceipt:
    return HeldReceipt(
        entry=entry.number,
        moment=entry.moment,
        receipt=facts["receipt"],
        decision=Decision(facts["decision"]),
        agreement=Agreement(facts["agreement"]),
        file=facts["file"],
        sha256=facts["sha256"],
    )


def _deposit(entry: Entry, receipts: Mapping[str, Sequence[HeldReceipt]]) -> LedgerDeposit:
    facts = entry.parsed_facts()
    return LedgerDeposit(
        entry=entry.number,
        store=entry.store,
        bag=entry.bag,
        moment=entry.moment,
        deposit=facts["deposit"],
        institution=facts["institution"],
        to=facts["to"],
        form=facts["form"],
        receipt_due=facts["receipt_due"],
        packages={one["name"]: one["sha256"] for one in facts["packages"]},
        manifests=facts["manifests"],
        payload=tuple(facts["payload"]),
        # A ledger of an earlier version of the program did not keep them.
        tag_files=tuple(facts.get("tag_files", ())),
        papers=facts["papers"],
        files_sent=facts["files_sent"],
        files_referenced=facts["files_referenced"],
        bytes_sent=facts["bytes_sent"],
        receipts=tuple(receipts.get(facts["deposit"], ())),
    )


def deposit_named(deposits: Sequence[LedgerDeposit], name: str) -> LedgerDeposit:
    """Find a deposit by its identifier.

    Raises
    ------
    MisuseError
        The ledger knows none of that name.
    """
    found = next((one for one in deposits if one.deposit == name), None)
    if found is None:
        known = ", ".join(one.deposit for one in deposits[-5:])
        raise MisuseError(
            f"the ledger knows no deposit {name!r}",
            where="--deposit",
            accepted=f"an identifier as `archiver deposits` shows it, such as {known}"
            if known
            else "a deposit that was made with this ledger; there is none yet",
        )
    return found


def digests_held(deposits: Sequence[LedgerDeposit], institution: str, bag: str) -> frozenset[str]:
    """Return the digests of payload that an institution has given a receipt for.

    Parameters
    ----------
    deposits : sequence of LedgerDeposit
    institution : str
    bag : str
        Name of the bag that is to be sent; only other versions of it count.

    Returns
    -------
    frozenset of str
        Each as ``sha256:`` and hexadecimal digits; only of deposits whose receipt states
        the digests that were sent.
    """
    return frozenset(
        digest
        for one in deposits
        if one.institution == institution
        and unversioned_name(one.bag) == unversioned_name(bag)
        and one.receipts
        and one.receipts[-1].decision is Decision.ACCEPTED
        and one.receipts[-1].agreement is Agreement.AGREES
        for digest in one.payload
    )
