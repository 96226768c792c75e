"""What the commands show: text for people in as little as 80 columns, JSON for machines."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from archiver.cli.printing import (
    Lines,
    block,
    count,
    open_console,
    open_lines,
    plain,
    print_json,
    show_findings,
    size,
    tally,
)
from archiver.findings import Finding, Severity, clock, in_order
from archiver.telling import command_line

if TYPE_CHECKING:
    from rich.console import Console

    from archiver.pipeline.archive import Archived
    from archiver.pipeline.check import CheckReport
    from archiver.pipeline.export import Exported
    from archiver.pipeline.kinds import Found
    from archiver.pipeline.new import NewSession
    from archiver.pipeline.verify import VerifiedBag
    from archiver.session.records import Session
    from archiver.wave.inspect import ChunkView, Inspection

__all__ = [
    "show_archive",
    "show_check",
    "show_export",
    "show_inspection",
    "show_new",
    "show_verify",
]


def show_new(made: NewSession, *, as_json: bool) -> None:
    """Say what was laid out and what to do next."""
    if as_json:
        print_json({"folder": str(made.folder), "files": list(made.files)})
        return
    console = open_console()
    console.print(f"Laid out {plain(str(made.folder))}:")
    for name in made.files:
        console.print(f"  {name}")
    line = plain(command_line("check", made.folder))
    if made.takes_named is None:
        todo = (
            "write over the examples in session.yaml and in machines, put the captures into takes"
        )
    elif made.takes_named:
        todo = "put the captures into takes, under the names that you gave"
    else:
        todo = (
            "put the captures into takes and list each in session.yaml under takes, which no "
            "answer named"
        )
    console.print(f"\nNext: {todo}, then run\n")
    console.print(f"  {line}", soft_wrap=True)
    if made.takes_named is not None:
        console.print(
            "\nIt says what is still missing. What was not asked, such as photographs, documents "
            "and condition, is added in session.yaml; the example that `archiver new` lays out "
            "without --ask explains every field."
        )


def _captures_json(report: CheckReport) -> list[dict[str, Any]]:
    return [
        {
            "takes": list(facts.takes),
            "file": facts.file,
            "kind": facts.kind,
            "format": str(facts.sample_format),
            "coding": facts.coding.as_json(),
            "frames": facts.frames,
            "duration_s": facts.duration_s,
            "size_bytes": facts.size_bytes,
        }
        for facts in report.captures
    ]


def _check_json(report: CheckReport, findings: Sequence[Finding]) -> dict[str, Any]:
    session = report.session
    return {
        "session": None if session is None else session.identifier,
        "folder": str(report.folder),
        "captures": _captures_json(report),
        "cautions": [] if session is None else _cautions_json(session),
        "findings": [finding.as_json() for finding in findings],
    }


def _show_takes(console: Console, report: CheckReport) -> None:
    from rich.table import Table

    from archiver.session.capture_files import take_durations_s

    session = report.session
    if session is None:
        return
    console.print(f"{session.identifier}  {plain(session.title)}", style="bold")
    seconds = {f.file: s for f in report.captures if (s := f.duration_s) is not None}
    lengths = take_durations_s(session, seconds)
    files_known = {facts.file: facts for facts in report.captures}
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading in ("take", "kind", "length", "captured as", "file"):
        table.add_column(heading, header_style="dim", no_wrap=heading in {"take", "length"})
    for take in session.takes:
        facts = files_known.get(take.file)
        length = clock(lengths[take.id]) if take.id in lengths else ""
        form = "" if facts is None else facts.captured_as
        table.add_row(take.id, str(take.kind), length, form, plain(take.file))
    console.print(table)
    console.print()


def _cautions_json(session: Session) -> list[dict[str, Any]]:
    from archiver.session.cautions import cautions_of

    return [caution.as_json() for caution in cautions_of(session)]


def _show_cautions(console: Console, session: Session) -> None:
    from archiver.cli.record_views import show_cautions
    from archiver.session.cautions import cautions_of

    show_cautions(console, cautions_of(session))


def show_check(report: CheckReport, given: Sequence[str] = (), *, as_json: bool) -> None:
    """Show the takes, all findings, and what follows from them.

    ``given`` are the options that archiving has to be given too.
    """
    if as_json:
        print_json({"schema": "check-report 1"} | _check_json(report, report.findings))
        return
    from archiver.session.rules import EXAMPLE_TEXT_LEFT

    console = open_console()
    _show_takes(console, report)
    show_findings(console, report.findings)
    if report.session is not None:
        _show_cautions(console, report.session)
    console.print(f"{tally(report.findings).capitalize()}.", style="bold")
    codes = {finding.code for finding in report.findings}
    if any(finding.severity is Severity.ERROR for finding in report.findings):
        console.print("Errors stop the deposit: correct them and check again.")
    elif EXAMPLE_TEXT_LEFT.code in codes:
        console.print(
            "Nothing stops the deposit, but what is left of the example would be archived as "
            "yours: write over it and check again."
        )
    else:
        if not report.is_measured and report.captures:
            line = command_line("check", report.folder, *given, "--sound")
            console.print("The sound itself is measured by archiving, or already now by:")
            console.print(f"  {plain(line)}", soft_wrap=True)
        line = command_line("archive", report.folder, "--to", "DIR", *given)
        console.print(f"Ready: {plain(line)}", soft_wrap=True)


def show_archive(outcome: Archived, *, as_json: bool) -> None:
    """Show where the bag is; talk about the rest on standard error."""
    if as_json:
        print_json(
            {"schema": "archive-report 1"}
            | _check_json(outcome.report, outcome.findings)
            | {
                "bag": None if outcome.bag is None else str(outcome.bag),
                "version": outcome.version,
                "replaces": outcome.replaces or None,
                "replaced": None if outcome.replaced is None else str(outcome.replaced),
                "payload_bytes": outcome.payload_bytes,
                "masters": [
                    {
                        "takes": [take.id for take in done.held.takes],
                        "file": done.stored.path,
                        "form": str(done.layout.form),
                        "size_bytes": done.stored.size,
                        "digests": dict(done.stored.digests),
                        "samples_md5": done.sound.md5,
                        "integrated_lufs": done.measured.integrated_lufs,
                        "true_peak_dbtp": done.measured.true_peak_dbtp,
                        "copies": [copy.stored.path for copy in done.copies],
                    }
                    for done in outcome.takes
                ],
            }
        )
        return
    talk = open_console(talk=True)
    worth_saying = [f for f in outcome.findings if f.severity is not Severity.NOTE]
    show_findings(talk, worth_saying)
    if outcome.bag is None:
        talk.print(f"{tally(outcome.findings).capitalize()}. No bag was made.", style="bold")
        return
    masters = count(len(outcome.takes), "master")
    copies = sum(len(done.copies) for done in outcome.takes)
    if copies:
        masters += f" and {count(copies, 'access copy', 'access copies')}"
    talk.print(
        f"{masters}, {size(outcome.payload_bytes)}; every byte was read back. "
        f"{tally(outcome.findings).capitalize()}; see metadata/findings.json in the bag."
    )
    if outcome.replaces:
        where = ", which was not found" if outcome.replaced is None else f": {outcome.replaced}"
        talk.print(
            f"Version {outcome.version} replaces {plain(outcome.replaces + where)}.",
            soft_wrap=True,
        )
    sys.stdout.write(f"{outcome.bag}\n")


_COMPARED = {
    True: "the same bytes as in the bag",
    False: "not the bytes in the bag",
    None: "not in the bag",
}


def show_export(exported: Exported, *, as_json: bool) -> None:
    """Show which documents were written, and how they compare with those in the bag."""
    if as_json:
        print_json(
            {
                "bag": str(exported.bag),
                "documents": [
                    {"path": one.path, "file": str(one.file), "same_as_in_bag": one.same}
                    for one in exported.documents
                ],
                "findings": [finding.as_json() for finding in exported.findings],
            }
        )
        return
    talk = open_console(talk=True)
    show_findings(talk, exported.findings)
    for one in exported.documents:
        talk.print(f"{plain(one.file.name)}: {_COMPARED[one.same]}")
        sys.stdout.write(f"{one.file}\n")


def show_verify(
    verdicts: Sequence[VerifiedBag], skipped: Sequence[Found] = (), *, as_json: bool
) -> None:
    """Show the verdict on each bag and each master."""
    if as_json:
        from archiver.pipeline.verify import verify_report

        print_json(verify_report(verdicts, skipped))
        return
    console = open_lines()
    for verdict in verdicts:
        _show_verdict(console, verdict)


def _show_verdict(console: Console | Lines, verdict: VerifiedBag) -> None:
    name = plain(str(verdict.bag))
    if verdict.verification is None:
        console.print(f"{name}: cannot be verified", style="bold red")
        block(console, str(verdict.error), indent=2)
        return
    found = verdict.verification
    report = found.report
    if found.intact:
        console.print(f"{name}: intact", style="bold green")
    elif found.verdict == "complete":
        console.print(f"{name}: complete; the payload was not read", style="bold green")
    elif found.verdict == "not signed by an accepted signer":
        state = "intact" if report.valid else str(report.verdict)
        console.print(f"{name}: {state}, but {found.verdict}", style="bold red")
    elif found.undecided:
        console.print(f"{name}: cannot be established", style="bold yellow")
    else:
        console.print(f"{name}: {found.verdict}", style="bold red")
    for master in found.masters:
        block(console, f"{master.file}: {master.sentence()}", indent=2)
    for signature in found.signatures:
        block(console, f"{signature.file}: {signature.sentence()}", indent=2)
    if found.recovery is not None:
        state = "damaged" if found.recovery.findings else "intact"
        block(console, f"recovery data: {state}, {size(found.recovery.bytes_held)}", indent=2)
    depth = [
        count(report.payload_files, "payload file"),
        f"{size(report.bytes_read)} of {size(report.bytes_held)} read",
        *report.algorithms,
    ]
    block(console, ", ".join(depth), indent=2, style="dim")
    checked = {signature.file for signature in found.signatures}
    if rest := [path for path in report.not_looked_at if path not in checked]:
        block(console, f"Not compared: {', '.join(rest)}", indent=2)
    restorable = found.recovery is not None and not found.recovery.findings
    if restorable and found.verdict == "changed" and not report.valid:
        heal = command_line("heal", verdict.bag)
        block(console, f"To restore it from the recovery data: {heal}", indent=2)
    console.print()
    show_findings(console, in_order(found.findings))


def show_inspection(inspection: Inspection, *, as_json: bool) -> None:
    """Show a wave file, chunk by chunk."""
    if as_json:
        print_json(inspection.as_json())
        return
    console = open_console()
    head = f"{plain(inspection.name)}: {inspection.form}, {inspection.file_bytes} bytes"
    if inspection.duration_s is not None:
        head += f", {inspection.coding}, {clock(inspection.duration_s)}"
    console.print(head, style="bold")
    for chunk in inspection.chunks:
        _show_chunk(console, chunk)
    if inspection.trailing_bytes:
        console.print(
            f"\n{inspection.trailing_bytes} bytes belong to no chunk, "
            f"from byte {inspection.trailing_offset_bytes}"
        )
    if inspection.findings:
        console.print()
        show_findings(console, in_order(inspection.findings))


def _show_chunk(console: Console, chunk: ChunkView) -> None:
    from rich.table import Table
    from rich.text import Text

    title = Text(f"\n{plain(chunk.id)}", style="bold")
    if chunk.list_type:
        title.append(f" {plain(chunk.list_type)}")
    title.append(
        f"  {chunk.present_bytes} bytes from byte {chunk.payload_offset_bytes}", style="dim"
    )
    console.print(title)
    if chunk.fault:
        block(console, chunk.fault, indent=2, style="red")
    if not chunk.fields:
        return
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 2))
    table.add_column(overflow="fold", max_width=36)
    table.add_column(overflow="fold")
    for field in chunk.fields:
        value = "not used" if field.value is None else plain(str(field.value)).rstrip()
        text = Text(f"{value} {field.unit}".rstrip())
        if field.note:
            text.append(f"  ({plain(field.note)})", style="dim")
        table.add_row(Text(plain(field.name)), text)
    console.print(table)
