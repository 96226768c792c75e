"""The receipt of an institution: our own form, and what can be made of any other.

A receipt counts for as much as it states. One of our form states digests, which are held
against those of the deposit; in a text of another form every SHA-256 that stands in it is;
of a PDF or an image nothing is read, and only the file is kept.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from archiver.custody.deposit_record import BagIdentity, Package, Party
from archiver.custody.deposit_rules import (
    RECEIPT_DIFFERS,
    RECEIPT_OTHER_DEPOSIT,
    RECEIPT_OTHER_INSTITUTION,
    RECEIPT_REFUSES,
    RECEIPT_UNPROVED,
)
from archiver.custody.statements import read_statement, statement_bytes
from archiver.findings import Finding, Where, in_order

__all__ = [
    "RECEIPT_NAME",
    "Agreement",
    "Decision",
    "Known",
    "Reason",
    "Receipt",
    "agreement",
    "compare_receipt",
    "compare_text",
    "decode_receipt",
    "deposits_named",
    "encode_receipt",
]

RECEIPT_NAME = "receipt.json"

# Digests as checksum programs print them; a longer run of digits is another algorithm's.
_SHA256 = re.compile(r"(?<![0-9A-Fa-f])[0-9A-Fa-f]{64}(?![0-9A-Fa-f])")
_DEPOSIT = re.compile(r"\bD-[0-9a-f]{12}\b")


class Decision(enum.StrEnum):
    """What the institution did with a deposit."""

    ACCEPTED = "accepted"
    REFUSED = "refused"


class Agreement(enum.StrEnum):
    """Whether a receipt states the digests that were sent."""

    AGREES = "digests agree"
    NOT_STATED = "no digests stated"
    DIFFERS = "digests differ"


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a deposit was refused, one thing: rule, place, and words for people.

    ``why`` is why the rule is there.
    """

    code: str
    where: str
    message: str
    why: str = ""
    remedy: str = ""

    def as_json(self) -> dict[str, str]:
        """Return the facts for machines."""
        facts = {"code": self.code, "where": self.where, "message": self.message}
        more = {"why": self.why, "remedy": self.remedy}
        return facts | {name: text for name, text in more.items() if text}


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt:
    """What an institution says of one package that it was handed.

    Parameters
    ----------
    receipt : str
        Its identifier.
    decision : Decision
    moment : str
        RFC 3339 in UTC.
    institution, depositor : Party
    deposit : str
        Identifier of the deposit; empty if nothing stated one.
    program : str
        What wrote the receipt.
    bag : BagIdentity, optional
        As it was found; None if there was no bag to be found.
    packages : sequence of Package
        As they were received; ``verified_by`` says by what.
    held_as : str
        Name in the store of the institution; empty if it was refused.
    already_held : bool
        Whether it had been accepted before.
    completed : mapping of str to str
        By path, where a file that was not sent was taken from.
    reference : str
        Number or mark under which the institution keeps it, in its own words.
    reasons : sequence of Reason
        Why it was refused.
    words : sequence of str
        What the institution says besides, a paragraph each.
    """

    receipt: str
    decision: Decision
    moment: str
    institution: Party
    depositor: Party
    deposit: str
    program: str
    bag: BagIdentity | None
    packages: Sequence[Package]
    held_as: str = ""
    already_held: bool = False
    completed: Mapping[str, str]
    reference: str = ""
    reasons: Sequence[Reason] = ()
    words: Sequence[str] = ()

    def as_json(self) -> dict[str, Any]:
        """Return the document for machines, as ``receipt.schema.json`` describes it."""
        return {
            "schema": "receipt 1",
            "receipt": self.receipt,
            "decision": str(self.decision),
            "moment": self.moment,
            "institution": self.institution.as_json(),
            "depositor": self.depositor.as_json(),
            "deposit": self.deposit,
            "program": self.program,
            "bag": None if self.bag is None else self.bag.as_json(),
            "packages": [package.as_json() for package in self.packages],
            "held_as": self.held_as,
            "already_held": self.already_held,
            "completed": dict(sorted(self.completed.items())),
            "reference": self.reference,
            "reasons": [reason.as_json() for reason in self.reasons],
            "words": list(self.words),
        }


def encode_receipt(receipt: Receipt) -> bytes:
    """Return the receipt as JSON in UTF-8, always in the same bytes."""
    return statement_bytes(receipt.as_json())


def decode_receipt(content: bytes, where: str) -> Receipt:
    """Read a receipt of our form.

    Raises
    ------
    InputError
        It is none.
    """
    document = read_statement(content, "receipt", where)
    bag = document["bag"]
    return Receipt(
        receipt=document["receipt"],
        decision=Decision(document["decision"]),
        moment=document["moment"],
        institution=Party.of(document["institution"]),
        depositor=Party.of(document["depositor"]),
        deposit=document["deposit"],
        program=document["program"],
        bag=None if bag is None else BagIdentity.of(bag),
        packages=tuple(Package(**one) for one in document["packages"]),
        held_as=document["held_as"],
        already_held=document["already_held"],
        completed=document["completed"],
        reference=document["reference"],
        reasons=tuple(Reason(**one) for one in document["reasons"]),
        words=tuple(document["words"]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the ledger knows of a deposit: the side that a receipt is held against.

    Parameters
    ----------
    deposit, bag : str
    manifests : mapping of str to str
        SHA-256 by name.
    packages : mapping of str to str
        SHA-256 by name.
    others : frozenset of str
        Further SHA-256 digests that a receipt may well state: of papers and single files.
    tag_files : frozenset of str
        SHA-256 of the files that describe the payload. A receipt may state them as well; they
        prove nothing of the recordings.
    """

    deposit: str
    bag: str
    manifests: Mapping[str, str]
    packages: Mapping[str, str]
    others: frozenset[str] = frozenset()
    tag_files: frozenset[str] = frozenset()


def compare_receipt(receipt: Receipt, known: Known, file: str) -> tuple[Finding, ...]:
    """Hold a receipt of our form against the deposit it is for.

    Parameters
    ----------
    receipt : Receipt
    known : Known
    file : str
        Name of the receipt's file, for the findings.
    """
    findings: list[Finding] = []
    if receipt.deposit and receipt.deposit != known.deposit:
        findings.append(
            RECEIPT_OTHER_DEPOSIT.at(
                Where(file=file, field="deposit"),
                f"it is for {receipt.deposit}",
                accepted=known.deposit,
            )
        )
    if receipt.decision is Decision.REFUSED:
        findings += [
            RECEIPT_REFUSES.at(
                Where(file=file, field=f"reasons[{number}]"),
                f"{reason.where}: {reason.message}" if reason.where else reason.message,
                remedy=reason.remedy or None,
            )
            for number, reason in enumerate(receipt.reasons)
        ] or [RECEIPT_REFUSES.at(Where(file=file, field="decision"), "no reason is stated")]
        return in_order(findings)
    stated = dict(receipt.bag.manifests) if receipt.bag is not None else {}
    findings += _differences("bag.manifests", stated, known.manifests, file)
    found = {package.name: package.sha256 for package in receipt.packages}
    findings += _differences("packages", found, known.packages, file)
    proofs = {*stated.values(), *found.values()}
    if not findings and not proofs & {*known.manifests.values(), *known.packages.values()}:
        findings.append(
            RECEIPT_UNPROVED.at(Where(file=file), "it states no digest of the bag that was sent")
        )
    return in_order(findings)


def _differences(
    field: str, stated: Mapping[str, str], sent: Mapping[str, str], file: str
) -> list[Finding]:
    return [
        RECEIPT_DIFFERS.at(
            Where(file=file, field=f"{field}.{name}"),
            f"it states the SHA-256 {digest}; sent was {sent[name]}"
            if name in sent
            else f"it states the SHA-256 {digest}; nothing of this name was sent",
        )
        for name, digest in sorted(stated.items())
        if sent.get(name) != digest and digest not in sent.values()
    ]


def compare_text(text: str, known: Known, file: str) -> tuple[Finding, ...]:
    """Hold the digests that stand in a text against those of the deposit.

    Any SHA-256 in it must be one of the deposit's; without any, nothing is proved.
    """
    all_known = {*known.manifests.values(), *known.packages.values(), *known.others}
    findings: list[Finding] = []
    proved = False
    for number, line in enumerate(text.splitlines(), 1):
        for found in _SHA256.finditer(line):
            digest = found[0].lower()
            if digest in all_known:
                proved = True
            if digest in all_known | known.tag_files:
                continue
            findings.append(
                RECEIPT_DIFFERS.at(
                    Where(file=file, line=number),
                    f"the SHA-256 {digest} belongs to nothing that was sent",
                    accepted="the digests of the deposit's packages, manifests and files",
                )
            )
    if not proved and not findings:
        findings.append(
            RECEIPT_UNPROVED.at(
                Where(file=file),
                "it states no digest of a package, a manifest or a file of the payload",
            )
        )
    return in_order(dict.fromkeys(findings))


def deposits_named(text: str) -> tuple[str, ...]:
    """Return the identifiers of deposits that stand in a text, each once."""
    return tuple(dict.fromkeys(_DEPOSIT.findall(text)))


def agreement(findings: Sequence[Finding]) -> Agreement:
    """Say in one word what comparing a receipt gave."""
    codes = {finding.code for finding in findings}
    wrong = {RECEIPT_DIFFERS.code, RECEIPT_OTHER_DEPOSIT.code, RECEIPT_OTHER_INSTITUTION.code}
    if codes & wrong:
        return Agreement.DIFFERS
    if RECEIPT_UNPROVED.code in codes:
        return Agreement.NOT_STATED
    return Agreement.AGREES
