"""Answering a depositor: the receipt or the refusal, its papers, and the ledger's entries."""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from archiver import files
from archiver.custody.audit import BagCheck, plain
from archiver.custody.deposit_record import BagIdentity, Package, Party
from archiver.custody.entry import Draft, EntryKind, moment_text
from archiver.custody.inbox import Inbound
from archiver.custody.ledger import Ledger
from archiver.custody.receipts import RECEIPT_NAME, Decision, Reason, Receipt, encode_receipt
from archiver.custody.store import Store
from archiver.errors import ArchiverError
from archiver.findings import RULES, Finding
from archiver.package.reader import Bag, read_bag
from archiver.package.tagfiles import BagInfo
from archiver.pages.papers.receipt_page import RECEIPT_PAGE, receipt_page
from archiver.pipeline.handover import (
    Described,
    depositor_of,
    described,
    institution_party,
    wording_values,
)
from archiver.pipeline.profiles import Profile
from archiver.pipeline.quarantine import (
    PACKAGE_FOLDER,
    is_set_aside,
    received_facts,
    set_aside,
    write_answer,
)
from archiver.pipeline.run import PROGRAM, moment
from archiver.session.placeholders import filled

__all__ = ["Answer", "Answered", "Answers", "moved_parts"]

# What a text may name and only a bag that was found, or announced, tells.
_OF_A_BAG = ("files", "size", "version", "replaces", "digests")


class _Places(Protocol):
    """Where things go, as the plan of receiving states it."""

    @property
    def quarantine(self) -> Path: ...
    @property
    def receipts(self) -> Path | None: ...
    @property
    def reference(self) -> str: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What is to be answered.

    Parameters
    ----------
    decision : Decision
    inbound : Inbound
    packages : tuple of Package
        As they were received.
    bag : BagIdentity, optional
        As it was found.
    completed : mapping of str to str
    """

    decision: Decision
    inbound: Inbound
    packages: tuple[Package, ...]
    bag: BagIdentity | None
    completed: Mapping[str, str] = field(default_factory=dict)

    @property
    def deposit(self) -> str:
        """Identifier of the deposit; empty if nothing stated one."""
        return "" if self.inbound.record is None else self.inbound.record.deposit

    def identifier(self, institution: str, turn: int = 0) -> str:
        """Name the answer, the same for the same package."""
        manifests = {} if self.bag is None else dict(self.bag.manifests)
        seal = json.dumps(
            [
                institution,
                str(self.decision),
                self.deposit,
                self.inbound.place.name,
                sorted(manifests.items()),
                [[one.name, one.size, one.sha256] for one in self.packages],
                turn,
            ]
        )
        return f"R-{hashlib.sha256(seal.encode()).hexdigest()[:12]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What was written: the receipt, where its papers and the package lie, the entry."""

    receipt: str
    papers: Path
    place: Path | None
    entry: int | None


class Answers:
    """Writes answers of one institution."""

    def __init__(self, places: _Places, profile: Profile, store: Store, ledger: Ledger) -> None:
        self._places = places
        self._institution = profile.institution
        self._store = store
        self._ledger = ledger
        self._receipts = places.receipts or ledger.path.parent / "receipts"

    def accept(
        self, answer: Answer, check: BagCheck, *, before: bool, earlier: Mapping[str, Any] | None
    ) -> Answered:
        """Write a receipt and enter it with the check that it rests on.

        Parameters
        ----------
        answer : Answer
        check : BagCheck
            That read every byte of the bag as it is held now.
        before : bool
            Whether the bag had been accepted before.
        earlier : mapping, optional
            Facts of the entry of the same deposit, if there is one: it is answered already.
        """
        bag = answer.bag
        if bag is None:  # pragma: no cover - a bag that was accepted was found
            raise ValueError("there is no bag to be accepted")
        if earlier is not None and files.exists(self._receipts / earlier["receipt"]):
            name = str(earlier["receipt"])
            return Answered(receipt=name, papers=self._receipts / name, place=None, entry=None)
        root = self._store.root / bag.name
        receipt = self._receipt(
            answer,
            answer.identifier(self._institution.name),
            info=read_bag(root),
            told=described(root, read_bag(root)),
            wording=self._institution.reception.receipt,
            held_as=bag.name,
            already_held=before,
        )
        papers = self._receipts / receipt.receipt
        digests = write_answer(
            papers, {RECEIPT_NAME: encode_receipt(receipt), RECEIPT_PAGE: receipt_page(receipt)}
        )
        run = secrets.token_hex(8)
        draft = Draft(
            kind=EntryKind.RECEIVED,
            store=self._store.name,
            bag=plain(bag.name),
            moment=moment_text(moment()),
            facts=received_facts(receipt)
            | {
                "manifests": {plain(name): sha for name, sha in bag.manifests.items()},
                "payload_files": bag.payload_files,
                "payload_bytes": bag.payload_bytes,
                "completed": {_name(p): plain(source) for p, source in answer.completed.items()},
                "already_held": before,
                "reference": plain(receipt.reference),
                "papers": digests,
            },
        )
        entry, _ = self._ledger.append(draft, check.draft(store=self._store.name, run=run))
        return Answered(receipt=receipt.receipt, papers=papers, place=None, entry=entry.number)

    def refuse(self, answer: Answer, reasons: tuple[Finding, ...]) -> Answered:
        """Move a package into quarantine and write the letter that says why."""
        quarantine, turn = self._places.quarantine, 0
        name = answer.identifier(self._institution.name)
        # The same package may be refused more than once, and each has its place.
        while is_set_aside(quarantine / name):
            turn += 1
            name = answer.identifier(self._institution.name, turn)
        receipt = self._receipt(
            answer,
            name,
            info=None,
            told=Described(),
            wording=self._institution.reception.letter,
            reasons=reasons,
        )
        entry = set_aside(
            quarantine,
            receipt,
            moved_parts(answer.inbound),
            store=self._store.name,
            ledger=self._ledger,
        )
        folder = quarantine / name
        return Answered(receipt=name, papers=folder, place=folder / PACKAGE_FOLDER, entry=entry)

    def _receipt(
        self,
        answer: Answer,
        name: str,
        *,
        info: Bag | None,
        told: Described,
        wording: str,
        held_as: str = "",
        already_held: bool = False,
        reasons: tuple[Finding, ...] = (),
    ) -> Receipt:
        depositor = self._depositor(answer, info)
        now = moment()
        words: tuple[str, ...] = ()
        if wording:
            values = dict(
                wording_values(
                    institution=self._institution,
                    depositor=depositor,
                    bag=answer.bag or _announced(answer.inbound),
                    told=told,
                    day=now.date().isoformat(),
                )
            )
            if answer.bag is None and answer.inbound.record is None:
                values |= dict.fromkeys(_OF_A_BAG, "not known")
            words = tuple(part for part in filled(wording, values).splitlines() if part.strip())
        return Receipt(
            receipt=name,
            decision=answer.decision,
            moment=moment_text(now),
            institution=institution_party(self._institution),
            depositor=depositor,
            deposit=answer.deposit,
            program=PROGRAM,
            bag=answer.bag,
            packages=answer.packages,
            held_as=held_as,
            already_held=already_held,
            completed=answer.completed,
            reference=self._places.reference if answer.decision is Decision.ACCEPTED else "",
            reasons=tuple(
                Reason(
                    code=one.code,
                    where="" if one.where.file == "." else str(one.where),
                    message=one.message
                    + (f". Accepted: {one.accepted.rstrip('.')}" if one.accepted else ""),
                    why=_reason_of(one.code),
                    remedy=one.remedy,
                )
                for one in reasons
            ),
            words=words,
        )

    def _depositor(self, answer: Answer, said: Bag | None) -> Party:
        record = answer.inbound.record
        if record is not None:
            return record.depositor
        if said is None and answer.inbound.folder is not None:
            try:
                said = read_bag(answer.inbound.folder)
            except ArchiverError:
                said = None
        return depositor_of(BagInfo() if said is None else said.info)


def _reason_of(code: str) -> str:
    """Return why a rule is there, without the mark of rules that no standard has."""
    return RULES[code].reason.removesuffix(" (house)") if code in RULES else ""


def _announced(inbound: Inbound) -> BagIdentity:
    """Return what the depositor says of a bag that could not be looked at."""
    if inbound.record is not None:
        return inbound.record.bag
    return BagIdentity(name=inbound.place.name, manifests={}, payload_files=0, payload_bytes=0)


def moved_parts(inbound: Inbound) -> tuple[Path, ...]:
    """Return what is set aside: a folder as a whole, files that lie among others one by one."""
    if files.status(inbound.place).is_directory:
        return (inbound.place,)
    return tuple(dict.fromkeys((inbound.place, *inbound.packages)))


def _name(path: str) -> str:
    # Names of members in the ledger are ASCII, so that their order is the same everywhere.
    return path.encode("ascii", "backslashreplace").decode()
