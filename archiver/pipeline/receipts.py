"""Importing the receipt of an institution: keep it, compare it, tie it to its deposit."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from archiver import files
from archiver.custody.audit import plain
from archiver.custody.deposit_rules import (
    RECEIPT_CONTRADICTS,
    RECEIPT_OTHER_INSTITUTION,
    RECEIPT_REFUSES,
)
from archiver.custody.deposits import (
    DepositState,
    HeldReceipt,
    LedgerDeposit,
    deposit_named,
    deposits_in,
    receipt_draft,
)
from archiver.custody.entry import moment_text
from archiver.custody.ledger import open_ledger
from archiver.custody.receipts import (
    Agreement,
    Decision,
    agreement,
    compare_receipt,
    compare_text,
    decode_receipt,
    deposits_named,
)
from archiver.custody.statements import LARGEST_STATEMENT_BYTES
from archiver.errors import InputError, MisuseError
from archiver.findings import Finding, Where, in_order
from archiver.pipeline.deposit import papers_beside
from archiver.pipeline.own_papers import (
    is_receipt,
    kind_of_page,
    kind_of_text,
    paper_named,
    refusal_in,
)
from archiver.pipeline.run import moment

__all__ = ["ImportedReceipt", "ReceiptPlan", "import_receipt"]

_SUFFIX = re.compile(r"\.[a-z0-9]{1,8}", re.ASCII)
_DIGEST = re.compile(r"[0-9a-fA-F]{64}", re.ASCII)
_TYPED = "typed"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiptPlan:
    """What is to be imported.

    Parameters
    ----------
    ledger : Path
    file : Path, optional
        The institution's file; None for a typed reference.
    reference : str
        What the institution calls it, as somebody typed it.
    digests : tuple of str
        SHA-256 digests that a receipt on paper states, as somebody typed them.
    deposit : str
        Identifier of the deposit; empty if the file names it.
    accepted, refused : bool
        What the institution states, as somebody who has read it says; only the receipt of our
        form, and the letter of a refusal, need nobody to say it.
    papers : Path, optional
        Folder of the papers; ``deposits`` beside the ledger by default.
    """

    ledger: Path
    file: Path | None = None
    reference: str = ""
    digests: tuple[str, ...] = ()
    deposit: str = ""
    accepted: bool = False
    refused: bool = False
    papers: Path | None = None

    @property
    def decision(self) -> Decision | None:
        """What somebody says that the institution states."""
        if self.accepted:
            return Decision.ACCEPTED
        return Decision.REFUSED if self.refused else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportedReceipt:
    """What importing a receipt came to.

    Parameters
    ----------
    deposit, bag, receipt : str
    decision : Decision
    agreement : Agreement
    kept_as : Path, optional
        None for a typed reference.
    sha256 : str
    entry : int
        Number in the ledger.
    entered_before : bool
        Whether the same receipt had been entered already.
    state : DepositState
        Of the deposit, now.
    findings : tuple of Finding
    """

    deposit: str
    bag: str
    receipt: str
    decision: Decision
    agreement: Agreement
    kept_as: Path | None
    sha256: str
    entry: int
    entered_before: bool
    state: DepositState
    findings: tuple[Finding, ...]

    @property
    def exit_status(self) -> int:
        """3 if it disagrees, 1 if it refuses, else 0."""
        return self.state.exit_status

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines, as ``receipt-report.schema.json`` describes them."""
        return {
            "schema": "receipt-report 1",
            "deposit": self.deposit,
            "bag": self.bag,
            "receipt": self.receipt,
            "decision": str(self.decision),
            "agreement": str(self.agreement),
            "kept_as": "" if self.kept_as is None else plain(str(self.kept_as)),
            "sha256": self.sha256,
            "entry": self.entry,
            "entered_before": self.entered_before,
            "state": str(self.state),
            "findings": [finding.as_json() for finding in self.findings],
            "exit_status": self.exit_status,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """What could be made of a receipt."""

    deposit: LedgerDeposit
    receipt: str
    decision: Decision
    findings: tuple[Finding, ...]


def import_receipt(plan: ReceiptPlan) -> ImportedReceipt:
    """Import a receipt.

    Raises
    ------
    MisuseError
        Nothing says which deposit it is for, or the ledger knows none of that name.
    InputError
        The file is damaged, or states another form than it has.
    SurroundingsError, IntegrityError
        File or ledger cannot be read or written.
    """
    if plan.file is None and not plan.reference:
        raise MisuseError(
            "a receipt is a file or a typed reference",
            accepted="FILE, or --reference TEXT with --deposit",
        )
    if plan.accepted and plan.refused:
        raise MisuseError(
            "they have taken it in, or they have not",
            where="--accepted, --refused",
            accepted="one of the two",
        )
    # A name that was mistyped must not become a ledger.
    files.status(plan.ledger)
    content = b""
    if plan.file is not None:
        content = files.read_bytes(plan.file, limit=LARGEST_STATEMENT_BYTES)
        if not content:
            raise InputError(
                "is empty", where=str(plan.file), remedy="Ask the institution for it once more"
            )
    with open_ledger(plan.ledger) as ledger:
        deposits = deposits_in(ledger)
        read = _beside_earlier(_read(plan, content, deposits), plan)
        found = agreement(read.findings)
        if read.decision is Decision.REFUSED and found is Agreement.AGREES:
            # What was not taken in was not compared.
            found = Agreement.NOT_STATED
        sha256 = hashlib.sha256(content).hexdigest() if content else ""
        kept = _kept(plan, read.deposit, sha256)
        before = _before(read, sha256, found)
        if before is None:
            if kept is not None:
                files.make_directory(kept.parent)
                files.write_whole(kept, content)
            (entry,) = ledger.append(
                receipt_draft(
                    read.deposit,
                    moment=moment_text(moment()),
                    receipt=read.receipt,
                    decision=read.decision,
                    agreement=found,
                    file="" if kept is None else kept.name,
                    sha256=sha256,
                    findings=read.findings,
                )
            )
            number = entry.number
        else:
            number = before.entry
        now = deposit_named(deposits_in(ledger), read.deposit.deposit)
    return ImportedReceipt(
        deposit=read.deposit.deposit,
        bag=read.deposit.bag,
        receipt=read.receipt,
        decision=read.decision,
        agreement=found,
        kept_as=kept,
        sha256=sha256,
        entry=number,
        entered_before=before is not None,
        state=now.state(moment().date()),
        findings=read.findings,
    )


def _beside_earlier(read: _Read, plan: ReceiptPlan) -> _Read:
    """Add that the institution has said before that it holds what it refuses now."""
    earlier = read.deposit.taken_in
    if read.decision is not Decision.REFUSED or earlier is None:
        return read
    told = RECEIPT_CONTRADICTS.at(
        Where(file=_TYPED if plan.file is None else plan.file.name, field="decision"),
        f"it refuses what {earlier.receipt}, entered on {earlier.moment[:10]} as entry "
        f"{earlier.entry} of the ledger, had taken in",
        accepted="one statement on a deposit",
    )
    return replace(read, findings=in_order((*read.findings, told)))


def _kept(plan: ReceiptPlan, deposit: LedgerDeposit, sha256: str) -> Path | None:
    if plan.file is None:
        return None
    folder = plan.papers or papers_beside(plan.ledger, "deposits")
    suffix = plan.file.suffix.lower()
    ending = suffix if _SUFFIX.fullmatch(suffix) else ".bin"
    return folder / deposit.deposit / "receipts" / f"{sha256}{ending}"


def _before(read: _Read, sha256: str, found: Agreement) -> HeldReceipt | None:
    """Find the same receipt, if it stands in the ledger as the last one."""
    for held in read.deposit.receipts[-1:]:
        same = held.sha256 == sha256 and held.receipt == plain(read.receipt)
        if same and (held.decision, held.agreement) == (read.decision, found):
            return held
    return None


def _read(plan: ReceiptPlan, content: bytes, deposits: Sequence[LedgerDeposit]) -> _Read:
    if plan.file is None:
        return _typed(plan, deposits)
    name = plan.file.name
    text = _text(content) or ""
    if is_receipt(text):
        return _ours(plan, content, deposits)
    _refuse_own(plan, content, text, deposits)
    refusal = refusal_in(text)
    if refusal:
        _require_same(plan, Decision.REFUSED, f"it is the letter of the refusal {refusal}")
        plan = replace(plan, reference=plan.reference or refusal, refused=True)
    decision = _stated(plan)
    deposit = _deposit(plan, deposits, text, name)
    if decision is Decision.REFUSED:
        findings = _refusal(name)
    else:
        stated = "\n".join((text, *_digests(plan)))
        findings = compare_text(stated, deposit.known, name)
    return _Read(
        deposit=deposit,
        receipt=plan.reference or name,
        decision=decision,
        findings=findings,
    )


def _refuse_own(
    plan: ReceiptPlan, content: bytes, text: str, deposits: Sequence[LedgerDeposit]
) -> None:
    """Refuse a paper of our own, which states all that a receipt states and is none."""
    sha256 = hashlib.sha256(content).hexdigest()
    names = [name for one in deposits for name, sha in one.papers.items() if sha == sha256]
    kind = paper_named(names[0]) if names else kind_of_page(text)
    if not kind and plan.decision is None:
        kind = kind_of_text(text)
    if kind:
        raise MisuseError(
            f"is {kind}, which this program writes itself: it is no receipt",
            where="" if plan.file is None else plan.file.name,
            accepted="the institution's receipt.json, or whatever else it has sent",
            remedy="If there is only paper or a page, type what it says: --deposit, --reference, "
            "--digest, and --accepted or --refused",
        )


def _require_same(plan: ReceiptPlan, decision: Decision, why: str) -> None:
    """Refuse what somebody says of a file that says the opposite itself."""
    if plan.decision not in {None, decision}:
        raise MisuseError(
            f"{why}, and does not say {plan.decision}",
            where="" if plan.file is None else plan.file.name,
            accepted=f"--{decision}, or neither",
            remedy="If they have said something else since, give what they sent then",
        )


def _stated(plan: ReceiptPlan) -> Decision:
    """Return what the institution states; a text that names a deposit may refuse it as well."""
    if plan.decision is None:
        raise MisuseError(
            "nothing says whether the institution has taken the deposit in",
            where=_TYPED if plan.file is None else plan.file.name,
            accepted="--accepted or --refused; only a receipt.json says it by itself",
            remedy="Read what they sent, and give the same command with the one that it states",
        )
    return plan.decision


def _refusal(file: str) -> tuple[Finding, ...]:
    return (RECEIPT_REFUSES.at(Where(file=file), "they have not taken it in, and say why in it"),)


def _typed(plan: ReceiptPlan, deposits: Sequence[LedgerDeposit]) -> _Read:
    deposit = _deposit(plan, deposits, plan.reference, "--reference")
    decision, digests = _stated(plan), _digests(plan)
    return _Read(
        deposit=deposit,
        receipt=plan.reference,
        decision=decision,
        findings=compare_text("\n".join(digests), deposit.known, _TYPED)
        if decision is Decision.ACCEPTED
        else (RECEIPT_REFUSES.at(Where(file=_TYPED), "they have not taken it in"),),
    )


def _digests(plan: ReceiptPlan) -> tuple[str, ...]:
    for digest in plan.digests:
        if not _DIGEST.fullmatch(digest.replace(" ", "")):
            raise MisuseError(
                f"{digest!r} is no SHA-256",
                where="--digest",
                accepted="64 hexadecimal digits; blanks between them do no harm",
            )
    return tuple(digest.replace(" ", "") for digest in plan.digests)


def _ours(plan: ReceiptPlan, content: bytes, deposits: Sequence[LedgerDeposit]) -> _Read:
    file = "" if plan.file is None else plan.file.name
    receipt = decode_receipt(content, file)
    _require_same(plan, receipt.decision, f"it says {receipt.decision}")
    name = plan.deposit or receipt.deposit
    if not name:
        raise _unnamed(file)
    deposit = deposit_named(deposits, name)
    findings = list(compare_receipt(receipt, deposit.known, file))
    if plain(receipt.institution.name) != deposit.institution:
        findings.append(
            RECEIPT_OTHER_INSTITUTION.at(
                Where(file=file, field="institution.name"),
                f"it is of {receipt.institution.name!r}",
                accepted=deposit.institution,
            )
        )
    return _Read(
        deposit=deposit,
        receipt=plan.reference or receipt.receipt,
        decision=receipt.decision,
        findings=in_order(findings),
    )


def _deposit(
    plan: ReceiptPlan, deposits: Sequence[LedgerDeposit], text: str, where: str
) -> LedgerDeposit:
    if plan.deposit:
        return deposit_named(deposits, plan.deposit)
    named = deposits_named(text)
    known = [one for one in deposits if one.deposit in named]
    if len(known) == 1:
        return known[0]
    if len(known) > 1:
        raise MisuseError(
            f"it names {len(known)} deposits: {', '.join(one.deposit for one in known)}",
            where=where,
            accepted="--deposit with the one that it is for",
        )
    raise _unnamed(where)


def _unnamed(where: str) -> MisuseError:
    return MisuseError(
        "nothing says which deposit it is for",
        where=where,
        accepted="--deposit, with an identifier as `archiver deposits` shows it",
    )


def _text(content: bytes) -> str | None:
    """Return a file as text; None if it is none, such as a PDF or a picture."""
    if b"\0" in content or content.startswith(b"%PDF"):
        return None
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Digests and identifiers are ASCII in any of the usual character sets.
        return content.decode("latin-1")
