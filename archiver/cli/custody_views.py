"""What the commands that look after stored bags show."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.cli.printing import (
    block,
    count,
    open_lines,
    plain,
    print_json,
    show_findings,
    size,
)

if TYPE_CHECKING:
    from archiver.custody.entry import Entry
    from archiver.custody.ledger_check import LedgerReport
    from archiver.pipeline.audit import AuditOutcome
    from archiver.pipeline.copies import ComparedBag
    from archiver.pipeline.recovery import HealOutcome, ProtectedBag
    from archiver.pipeline.salvage import SalvageOutcome
    from archiver.pipeline.signing import SignedBag

__all__ = [
    "show_accepted",
    "show_audit",
    "show_copies",
    "show_healed",
    "show_ledger",
    "show_protected",
    "show_salvage",
    "show_signed",
    "write_export",
    "write_report",
]

_MOST_FINDINGS = 5


def write_report(path: Path, document: dict[str, Any]) -> None:
    """Write a report for machines; the name is complete or as it was before."""
    from archiver import files

    text = json.dumps(document, ensure_ascii=False, indent=2) + "\n"
    files.write_whole(path, text.encode())


def write_export(pieces: Iterable[bytes], to: Path | None) -> None:
    """Write an export to a file, complete or not at all, or to standard output."""
    if to is None:
        for piece in pieces:
            sys.stdout.write(piece.decode())
        return
    from archiver import files

    files.write_pieces(to, pieces)


def show_accepted(entry: Entry, *, as_json: bool) -> None:
    """Say under which number it was entered that a change was on purpose."""
    if as_json:
        print_json(
            {
                "schema": "accept-report 1",
                "store": entry.store,
                "bag": entry.bag,
                "ledger_entry": entry.number,
                "exit_status": 0,
            }
        )
        return
    open_lines().print(f"Entered as entry {entry.number}.")


def show_audit(outcome: AuditOutcome, *, as_json: bool) -> None:
    """Show what an audit found; bags that are as they should be are only counted."""
    if as_json:
        print_json(outcome.as_json())
        return
    from archiver.custody.audit import ACCEPTABLE, AuditVerdict
    from archiver.custody.rules import DAMAGE_NOT_TAKEN_BACK, LEDGER_UNGUARDED

    remedies = {**ACCEPTABLE, DAMAGE_NOT_TAKEN_BACK.code: DAMAGE_NOT_TAKEN_BACK}
    console = open_lines()
    for result in outcome.results:
        console.print(f"{plain(result.bag)}: {result.verdict}", style="bold red")
        for finding in result.findings[:_MOST_FINDINGS]:
            # A full stop stands for the bag as a whole, which is named above.
            place = "" if finding["where"] == "." else f"{finding['where']}: "
            block(console, f"{place}{finding['message']}", indent=2)
            if finding["code"] in remedies:
                block(console, f"{remedies[finding['code']].remedy}.", indent=4, style="dim")
        if len(result.findings) > _MOST_FINDINGS:
            more = len(result.findings) - _MOST_FINDINGS
            block(console, f"and {count(more, 'more finding')}; see the ledger", indent=2)
    tally = ", ".join(f"{number} {verdict}" for verdict, number in outcome.counts)
    none = "none due" if outcome.bags_held else "all that were here were withdrawn"
    if outcome.left:
        none = "none in this time"
    present = outcome.checked - dict(outcome.counts).get(AuditVerdict.GONE, 0)
    console.print(
        f"{count(present, 'bag')} checked of {outcome.bags_held}: {tally or none}; "
        f"{size(outcome.bytes_read)} read, depth {outcome.depth}.",
        style="bold",
        soft_wrap=True,
    )
    if outcome.ledger_findings:
        unguarded = all(one.code == LEDGER_UNGUARDED.code for one in outcome.ledger_findings)
        told = "not guarded any more" if unguarded else "not as it was written"
        console.print(f"The ledger itself is {told}:", style="bold red")
        show_findings(console, outcome.ledger_findings)
    for key, number in outcome.signed:
        block(console, f"Good signature of the key {key}: {count(number, 'bag')}.", indent=0)
    if outcome.signers is not None:
        names = dict.fromkeys(plain(signer.principals) for signer in outcome.signers)
        block(console, f"Asked of each bag: a signature of {' or '.join(names)}.", indent=0)
    if outcome.left:
        console.print(f"{count(outcome.left, 'bag')} left: run the same command to go on.")
    console.print("Last entry of the ledger; keep it, to show later that none was removed:")
    console.print(f"  {outcome.head}", soft_wrap=True)


def show_copies(compared: Sequence[ComparedBag], to_repair: str = "", *, as_json: bool) -> None:
    """Show which copy of which file is good, and what was repaired.

    ``to_repair`` is the line that repairs, where no repair was asked for.
    """
    if as_json:
        from archiver.pipeline.copies import copies_report

        print_json(copies_report(compared))
        return
    console = open_lines()
    for one in compared:
        found = one.comparison
        if found.good:
            continue
        state = (
            "repaired, and good in every store now" if one.good_now else "not good in every store"
        )
        style = "bold green" if one.good_now else "bold red"
        console.print(f"{plain(found.bag)}: {state}", style=style, soft_wrap=True)
        reference = found.reference
        if reference is not None:
            block(console, f"Reference: {reference.basis}", indent=2, style="dim")
        for doubt in found.doubts:
            block(console, doubt, indent=2, style="yellow")
        if one.repair is not None:
            block(console, "As it was found:", indent=2, style="bold")
        for copy, verdict, states in zip(found.copies, found.verdicts, found.states, strict=True):
            style = "green" if verdict == "good" else "bold red"
            block(console, f"{copy.store.name}: {copy.error or verdict}", indent=2, style=style)
            for path, state in sorted(states.items()):
                block(console, f"{path}: {state}", indent=4)
        for path in found.beyond_help():
            block(console, f"{path}: no copy is good", indent=2, style="bold red")
        if one.repair is not None:
            block(console, "What was done:", indent=2, style="bold")
            for step in one.repair.steps:
                name = step.path or "whole bag"
                block(console, f"{step.kind}: {step.store}: {name} ({step.note})", indent=2)
            block(console, "As it is now, verified again:", indent=2, style="bold")
            for store, state_now in one.now:
                style = "green" if state_now == "intact" else "bold red"
                block(console, f"{store}: {state_now}", indent=2, style=style)
        if one.error is not None:
            block(console, str(one.error), indent=2, style="bold red")
    good = sum(one.good_now for one in compared)
    mended = sum(one.good_now and not one.comparison.good for one in compared)
    parts = [f"{good} good in every store"]
    if mended:
        parts.append(f"{mended} of them repaired just now")
    if good < len(compared):
        parts.append(f"{len(compared) - good} not")
    console.print(f"{count(len(compared), 'bag')} compared: {', '.join(parts)}.", style="bold")
    if to_repair and any(one.comparison.repairable for one in compared):
        console.print(f"To repair: {plain(to_repair)}", soft_wrap=True)


def show_salvage(outcome: SalvageOutcome, *, as_json: bool) -> None:
    """Show what could be saved, and which parts of it are as they were stored."""
    from archiver.findings import clock

    if as_json:
        print_json(outcome.as_json())
        return
    console = open_lines()
    for saved in outcome.salvaged:
        how = "not intact" if saved.spans else "the sound intact, the header written anew"
        console.print(f"{plain(saved.master)}: salvaged, {how}", style="bold yellow")
        block(console, str(saved.file), indent=2)
        for part in saved.playable:
            block(console, f"as stored: {clock(part.start_s)} to {clock(part.end_s)}", indent=2)
        for span in saved.spans:
            place = f"{clock(span.start_s)} to {clock(span.end_s)}"
            block(console, f"{span.kind}: {place}", indent=2, style="red")
    for name, error in outcome.failed:
        console.print(f"{plain(name)}: not salvaged", style="bold red")
        block(console, str(error), indent=2)
    for name in outcome.intact:
        console.print(f"{plain(name)}: intact, so nothing is to be salvaged")


def show_protected(done: Sequence[ProtectedBag], *, as_json: bool) -> None:
    """Show which bags have recovery data now, and how much damage it can restore."""
    if as_json:
        from archiver.pipeline.recovery import protect_report

        print_json(protect_report(done))
        return
    console = open_lines()
    for one in done:
        if one.record is None:
            console.print(f"{plain(str(one.bag))}: no recovery data made", style="bold red")
            block(console, str(one.error), indent=2)
            continue
        record = one.record
        console.print(f"{plain(str(one.bag))}: protected", style="bold green")
        block(
            console,
            f"any {record.recovery_blocks} of {record.source_blocks} blocks of "
            f"{size(record.block_bytes)} can be restored",
            indent=2,
        )


def show_healed(outcome: HealOutcome, *, as_json: bool) -> None:
    """Show what was restored and how the bag is now."""
    if as_json:
        print_json(outcome.as_json())
        return
    console = open_lines()
    for path in outcome.healed.restored:
        console.print(f"restored: {plain(path)}")
    for path in outcome.healed.set_aside:
        console.print(f"set aside: {plain(path)}")
    if not outcome.healed.restored:
        console.print("Every file is as it was when the recovery data was made.")
    style = "bold red" if outcome.exit_status else "bold green"
    console.print(f"{plain(str(outcome.after.path))}: {outcome.verdict}", style=style)
    show_findings(console, outcome.findings)


def show_signed(done: Sequence[SignedBag], *, as_json: bool) -> None:
    """Show which bags are signed now, and with which key."""
    if as_json:
        from archiver.pipeline.signing import sign_report

        print_json(sign_report(done))
        return
    console = open_lines()
    for one in done:
        if one.error is not None:
            console.print(f"{plain(str(one.bag))}: not signed", style="bold red")
            block(console, str(one.error), indent=2)
        for made in one.signatures:
            console.print(f"{plain(str(one.bag / made.file))}: {made.key}", soft_wrap=True)


def show_ledger(path: Path, report: LedgerReport, *, as_json: bool) -> None:
    """Show whether a ledger is as it was written."""
    if as_json:
        print_json(report.as_json())
        return
    console = open_lines()
    show_findings(console, report.findings)
    state = "altered"
    if report.as_written:
        state = "as written" + ("" if report.intact else ", but not guarded any more")
    console.print(
        f"{plain(str(path))}: {count(report.entries, 'entry', 'entries')}, {state}.",
        style="bold",
        soft_wrap=True,
    )
    if report.head is not None:
        console.print("Last entry; keep it, to show later that none was removed:")
        console.print(f"  {report.head}", soft_wrap=True)
