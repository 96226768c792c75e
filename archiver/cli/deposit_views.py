"""What the commands of a deposit show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from archiver.cli.printing import (
    block,
    count,
    open_console,
    plain,
    print_json,
    sentence,
    show_findings,
    size,
)

if TYPE_CHECKING:
    from pathlib import Path

    from rich.console import Console

    from archiver.custody.deposits import LedgerDeposit
    from archiver.pipeline.deposit_outcome import BagDeposit
    from archiver.pipeline.deposits import DepositsReport
    from archiver.pipeline.receipts import ImportedReceipt
    from archiver.pipeline.receiving_outcome import ReceivedPackage

__all__ = ["show_deposit", "show_deposits", "show_receipt", "show_received"]

_GOOD, _OPEN, _BAD = "bold green", "bold yellow", "bold red"
_STYLES = {
    "deposited": _GOOD,
    "deposited before": _GOOD,
    "would be deposited": "bold",
    "receipt held": _GOOD,
    "receipt without digests": _OPEN,
    "awaits a receipt": _OPEN,
    "accepted": _GOOD,
    "already held": _GOOD,
    "not complete yet": _OPEN,
    "would be accepted": "bold",
}


def _style(word: str) -> str:
    return _STYLES.get(word, _BAD)


def show_deposit(done: Sequence[BagDeposit], *, as_json: bool) -> None:
    """Show what was, or would be, handed over."""
    if as_json:
        print_json(
            {
                "schema": "deposit-report 1",
                "bags": [one.as_json() for one in done],
                "exit_status": max(one.exit_status for one in done),
            }
        )
        return
    console = open_console()
    for one in done:
        outcome = str(one.outcome)
        console.print(f"{plain(one.bag.name)}: {outcome}", style=_style(outcome), soft_wrap=True)
        if one.error is not None:
            block(console, str(one.error), indent=2)
            continue
        block(console, one.institution, indent=2)
        _show_goods(console, one)
        if one.findings:
            console.print()
            show_findings(console, one.findings)


def _show_goods(console: Console, one: BagDeposit) -> None:
    if one.deposit:
        block(console, f"{one.deposit}, to {one.to}", indent=2)
    for package in one.packages:
        amount = "size shows when it is made" if package.size is None else size(package.size)
        way = getattr(package, "verified_by", "")
        block(console, f"{package.name}: {amount}{f', {way}' if way else ''}", indent=4)
    if one.packages:
        files = count(one.files_sent, "file")
        rest = ""
        if one.files_referenced:
            rest = (
                f"; {count(one.files_referenced, 'file')} ({size(one.bytes_left_out)}) held there "
                "already and named by digest"
            )
        block(console, f"{files}{rest}", indent=4)
    if one.papers is not None:
        block(console, "Papers in", indent=2)
        _path(console, one.papers)
    if one.receipt_due:
        block(console, f"Receipt due: {one.receipt_due}; ledger entry {one.entry}", indent=2)


def _path(console: Console, path: Path) -> None:
    """Show a path in one piece, so that it can be copied."""
    console.print(f"    {plain(str(path))}", soft_wrap=True)


def show_deposits(report: DepositsReport, *, as_json: bool) -> None:
    """Show what is deposited where, bag by bag."""
    if as_json:
        print_json(report.as_json())
        return
    console = open_console()
    of_bag: dict[tuple[str, str], list[LedgerDeposit]] = {}
    for one in report.deposits:
        of_bag.setdefault((one.store, one.bag), []).append(one)
    for (_, bag), deposits in of_bag.items():
        console.print(plain(bag), style="bold", soft_wrap=True)
        for one in deposits:
            state = str(report.standing(one))
            note = ""
            if report.superseded(one):
                note = "; deposited again later"
            elif not one.receipts:
                note = f", due {one.receipt_due}"
            style = "dim" if report.superseded(one) else _style(state)
            block(console, f"{one.institution}: {state}{note}", indent=2, style=style)
            block(
                console,
                f"{one.deposit}, {one.moment[:10]}, {count(one.files_sent, 'file')}, "
                f"{size(one.bytes_sent)}, {one.form}"
                + (f", {one.files_referenced} by digest" if one.files_referenced else ""),
                indent=4,
            )
            block(console, one.to, indent=4)
            for held in one.receipts:
                said = "" if str(held.decision) == "refused" else f", {held.agreement}"
                block(
                    console,
                    f"{held.moment[:10]} {held.decision}: {held.receipt}{said}",
                    indent=4,
                )
    for begun in report.under_way:
        console.print(plain(begun.bag), style="bold", soft_wrap=True)
        rest = "not complete; give the same command again"
        if begun.failed:
            rest = (
                f"given up since {begun.failed}. Repair the bag, then give the same command again"
            )
        block(
            console,
            f"{begun.institution}: begun {begun.begun[:10]}, {rest}",
            indent=2,
            style=_OPEN,
        )
        block(console, begun.to, indent=4)
    tally = ", ".join(f"{number} {state}" for state, number in sorted(report.states.items()))
    if report.under_way:
        tally = ", ".join(filter(None, (tally, f"{len(report.under_way)} not complete")))
    console.print(
        f"{count(len(report.deposits) + len(report.under_way), 'deposit')}"
        f"{f': {tally}' if tally else ''}.",
        style="bold",
    )


def show_receipt(imported: ImportedReceipt, *, as_json: bool) -> None:
    """Show what a receipt was found to say."""
    if as_json:
        print_json(imported.as_json())
        return
    console = open_console()
    state = str(imported.state)
    console.print(
        f"{plain(imported.bag)}, {imported.deposit}: {state}", style=_style(state), soft_wrap=True
    )
    said = "" if str(imported.decision) == "refused" else f", {imported.agreement}"
    block(console, f"{imported.decision}: {imported.receipt}{said}", indent=2)
    if imported.kept_as is not None:
        console.print(f"  Kept as {plain(str(imported.kept_as))}", soft_wrap=True)
    before = "; it was entered before" if imported.entered_before else ""
    block(console, f"Ledger entry {imported.entry}{before}", indent=2)
    if imported.findings:
        console.print()
        show_findings(console, imported.findings)


def show_received(done: Sequence[ReceivedPackage], *, as_json: bool) -> None:
    """Show what was taken in and what was set aside."""
    if as_json:
        print_json(
            {
                "schema": "receiving-report 1",
                "packages": [one.as_json() for one in done],
                "exit_status": max((one.exit_status for one in done), default=0),
            }
        )
        return
    console = open_console()
    for one in done:
        outcome = str(one.outcome)
        console.print(
            f"{plain(one.package.name)}: {outcome}", style=_style(outcome), soft_wrap=True
        )
        if one.error is not None:
            block(console, str(one.error), indent=2)
            continue
        _show_answer(console, one)
    if not done:
        console.print("Nothing has come.", style="bold")
        return
    kinds: dict[str, int] = {}
    for one in done:
        kinds[str(one.outcome)] = kinds.get(str(one.outcome), 0) + 1
    tally = ", ".join(f"{number} {kind}" for kind, number in sorted(kinds.items()))
    console.print(f"{count(len(done), 'package')}: {tally}.", style="bold")


def _show_answer(console: Console, one: ReceivedPackage) -> None:
    from archiver.custody.deposit_rules import LAID_BESIDE

    named = [f"bag {one.bag}"] if one.bag else []
    named += [f"deposit {one.deposit}"] if one.deposit else []
    if named:
        block(console, sentence(", ".join(named)).rstrip("."), indent=2)
    for reason in one.reasons[:_MOST_REASONS]:
        # The name of a file keeps its letters.
        said = reason.message if reason.where.file == "." else f"{reason.where}: {reason.message}"
        said = sentence(said) if reason.where.file == "." else f"{said.rstrip('.')}."
        block(console, said, indent=2, style="red")
    if len(one.reasons) > _MOST_REASONS:
        block(console, f"and {len(one.reasons) - _MOST_REASONS} more; see the letter", indent=2)
    for note in one.notes:
        if note.code == LAID_BESIDE.code:
            block(
                console, f"{sentence(note.message)} {sentence(note.remedy)}", indent=2, style=_OPEN
            )
    if one.completed:
        held = count(one.completed, "file")
        block(console, f"{held} completed from what is held here, or fetched", indent=2)
    if one.place is not None:
        would = str(one.outcome).startswith("would")
        block(console, "It would lie in" if would else "Now in", indent=2)
        _path(console, one.place)
    if one.papers is not None:
        entry = "" if one.entry is None else f"; ledger entry {one.entry}"
        if one.reasons:
            block(console, f"Letter {one.receipt} to the depositor{entry}", indent=2)
            _path(console, one.papers / "letter.txt")
        else:
            block(console, f"Receipt {one.receipt}{entry}", indent=2)
            _path(console, one.papers)
    if str(one.outcome) == "not complete yet":
        block(
            console,
            "There is neither a bag nor deposit.json, which is sent last. Left where it is.",
            indent=2,
        )


_MOST_REASONS = 5
