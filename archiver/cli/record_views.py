"""What the commands on machines, media and rules show."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from archiver.cli.printing import block, count, open_console, plain, print_json, size
from archiver.errors import MisuseError

if TYPE_CHECKING:
    from rich.console import Console

    from archiver.pipeline.page import PagePlace
    from archiver.session.cautions import Caution
    from archiver.session.comparison import MachineView, Row
    from archiver.session.machine_record import Machine
    from archiver.session.records import Session

__all__ = [
    "explain",
    "show_cautions",
    "show_comparison",
    "show_dates",
    "show_media",
    "show_page",
    "show_parts",
    "show_variants",
]


_SECTIONS = {"performance": "take by take"}


def explain(code: str, *, as_json: bool) -> int:
    """Explain a rule: its weight, why it matters, what to do.

    Raises
    ------
    MisuseError
        There is no rule of this code; the nearest are named.
    """
    from archiver.pipeline.all_rules import all_rules, nearest_codes

    rules = all_rules()
    rule = rules.get(code.strip().lower())
    if rule is None:
        near = nearest_codes(code)
        raise MisuseError(
            f"there is no rule `{code}`",
            accepted=f"nearest: {', '.join(near)}" if near else "a code from the list of findings",
            remedy="Give the code as it stands below a finding",
        )
    if as_json:
        print_json(
            {
                "code": rule.code,
                "severity": str(rule.severity),
                "reason": rule.reason,
                "remedy": rule.remedy,
            }
        )
        return 0
    console = open_console()
    console.print(f"{rule.code}: {rule.severity}", style="bold")
    block(console, f"Why: {rule.reason}", indent=2)
    block(console, f"What to do: {rule.remedy}", indent=2)
    stops = "An error stops the deposit." if rule.severity == "error" else "It stops nothing."
    block(console, stops, indent=2)
    return 0


def show_cautions(console: Console, cautions: Sequence[Caution]) -> None:
    """Show the cautions of a session after its findings."""
    from archiver.session.cautions import DEFERRING

    if not cautions:
        return
    console.print("Cautions", style="bold")
    for caution in cautions:
        block(console, plain(f"{caution.subject}: {caution.text}"), indent=2)
        block(
            console, f"From {caution.because[0]}. Source: {caution.source}.", indent=4, style="dim"
        )
    block(console, DEFERRING, indent=2)
    console.print()


def show_dates(machines: Iterable[Machine], *, as_json: bool) -> None:
    """Show dating and attribution of machines."""
    from archiver.session.attribution import attribution_of
    from archiver.session.dating import date_machine, dating_as_json

    found = [(machine, date_machine(machine), attribution_of(machine)) for machine in machines]
    if as_json:
        print_json(
            {
                "machines": [
                    {
                        "machine": machine.id,
                        "stated": _stated_date(machine) or None,
                        "dating": None if dating is None else dating_as_json(dating),
                        "attribution": None if attribution is None else attribution.statement,
                    }
                    for machine, dating, attribution in found
                ]
            }
        )
        return
    console = open_console()
    for machine, dating, attribution in found:
        console.print(plain(f"{machine.id}  {machine.name}"), style="bold")
        block(console, f"stated: {_stated_date(machine) or 'no date'}", indent=2)
        if dating is None:
            block(console, "No evidence is listed.", indent=2)
        else:
            reckoned = "none" if dating.date is None else dating.date.text
            block(console, f"reckoned: {reckoned}", indent=2)
            block(console, dating.statement, indent=2)
        if attribution is not None:
            block(console, attribution.statement, indent=2)
        console.print()


def _stated_date(machine: Machine) -> str:
    return machine.made.date.text if machine.made is not None and machine.made.date else ""


def show_variants(session: Session, machines: Iterable[Machine], *, as_json: bool) -> None:
    """Show how machines stand to the variants of their models."""
    from archiver.session.variants import compare_variants

    rows = []
    for machine in machines:
        machine_type = session.type_of(machine)
        rows.append(
            (machine, None if machine_type is None else compare_variants(machine, machine_type))
        )
    if as_json:
        print_json(
            {
                "machines": [
                    {"machine": m.id, "comparison": None if c is None else c.as_json()}
                    for m, c in rows
                ]
            }
        )
        return
    console = open_console()
    for machine, comparison in rows:
        console.print(plain(f"{machine.id}  {machine.name}"), style="bold")
        if comparison is None:
            block(console, "No type file describes the variants of its model.", indent=2)
            continue
        block(console, f"{comparison.statement[0].upper()}{comparison.statement[1:]}.", indent=2)
        for each in comparison.variants:
            block(console, f"{each.variant.name}: {'fits' if each.fits else 'excluded'}", indent=2)
            if each.date_excludes:
                block(console, "the firm evidence for the date is against it", indent=4)
            for one in each.features:
                found = f", found {one.found}" if one.found else ""
                expected = " or ".join(one.expected)
                block(console, f"{one.name}: {expected}{found}: {one.fit}", indent=4)
        console.print()


def show_comparison(
    left: MachineView, right: MachineView, rows: Sequence[Row], *, as_json: bool
) -> None:
    """Show two machines side by side."""
    if as_json:
        print_json(
            {
                "left": left.machine.id,
                "right": right.machine.id,
                "rows": [row.as_json() for row in rows],
            }
        )
        return
    from rich.table import Table
    from rich.text import Text

    console = open_console()
    section = ""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for heading in ("", "", left.machine.id, right.machine.id):
        table.add_column(heading, overflow="fold")
    for row in rows:
        if row.section != section:
            section = row.section
            table.add_row("", Text(_SECTIONS.get(section, section), style="bold"))
        mark = Text("*" if row.differs else "")
        table.add_row(mark, plain(row.name), plain(row.left or "-"), plain(row.right or "-"))
    console.print(table)
    console.print("* both are known and differ", style="dim")
    if not left.figures and not right.figures:
        console.print(
            "Nothing measured is known: give a bag with --from to compare performance.", style="dim"
        )


def show_parts(
    session: Session, machines: Sequence[Machine], previous: Session | None, *, as_json: bool
) -> None:
    """Show parts, condition, and what changed."""
    from archiver.session.condition import changes_in, report_of
    from archiver.session.previous import check_against
    from archiver.session.vocabulary import When

    wanted = {machine.id for machine in machines}
    changes = [each for each in changes_in(session) if each.subject in wanted]
    since = [] if previous is None else check_against(previous, session)
    if as_json:
        from archiver.session.record_json import machine_as_json

        print_json(
            {
                "machines": [
                    {
                        "machine": machine.id,
                        "parts": machine_as_json(machine).get("parts", []),
                        "changed_in_session": [
                            str(each) for each in changes if each.subject == machine.id
                        ],
                    }
                    for machine in machines
                ],
                "since_previous": [finding.as_json() for finding in since],
            }
        )
        return
    from rich.table import Table

    from archiver.cli.printing import show_findings

    console = open_console()
    for machine in machines:
        console.print(plain(f"{machine.id}  {machine.name}"), style="bold")
        reports = [report_of(session, when, machine=machine.id) for when in When]
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="dim")
        for heading in ("part", "state", "material", "changed", "can be undone", "before", "after"):
            table.add_column(heading, overflow="fold")
        whole = [str(report.grade) if report is not None else "" for report in reports]
        table.add_row("whole machine", "", "", "", "", *whole)
        for part in machine.parts:
            grades = [
                next(
                    (str(e.grade) for e in report.parts if machine.part(e.part) is part), ""
                )
                if report is not None
                else ""
                for report in reports
            ]  # fmt: skip
            changed = " ".join(
                text for text in (part.date.text if part.date else "", part.by or "") if text
            )
            undone = {True: "yes", False: "no", None: ""}[part.reversible]
            table.add_row(
                plain(part.name), str(part.state), plain(part.material or ""), plain(changed),
                undone, *grades,
            )  # fmt: skip
        console.print(table)
        for each in changes:
            if each.subject == machine.id:
                block(console, f"Changed in the session: {each}", indent=2)
        console.print()
    show_findings(console, since)
    if previous is not None and not since:
        console.print("Nothing changed since the session before.")


def show_media(session: Session, previous: Session | None, *, as_json: bool) -> None:
    """Show the counts of every medium."""
    from archiver.session.media_wear import wear_of
    from archiver.session.previous import check_against

    wear = wear_of(session)
    since = (
        []
        if previous is None
        else [f for f in check_against(previous, session) if f.code.startswith("medium-")]
    )
    if as_json:
        print_json(
            {
                "media": [each.as_json() for each in wear],
                "since_previous": [finding.as_json() for finding in since],
            }
        )
        return
    from rich.table import Table

    from archiver.cli.printing import show_findings

    console = open_console()
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for heading in ("medium", "kind", "shaved", "recordings", "playings", "planned"):
        table.add_column(heading, overflow="fold")
    for each in wear:
        medium = session.medium(each.medium)
        table.add_row(
            each.medium,
            str(medium.kind) if medium is not None else "",
            _known(medium.shavings if medium is not None else None),
            _step(each.recordings_before, each.recordings_after),
            _step(each.playings_before, each.playings_after),
            _known(each.limit),
        )
    console.print(table)
    console.print("Counts before and after the session, as far as its takes tell.", style="dim")
    console.print()
    show_findings(console, since)


def _known(value: int | None) -> str:
    return "not stated" if value is None else str(value)


def _step(before: int | None, after: int | None) -> str:
    return f"{_known(before)} > {_known(after)}"


def show_page(written: PagePlace, *, as_json: bool) -> None:
    """Say where the page is, and which pictures are not in it; the path alone is the result."""
    if as_json:
        print_json(
            {
                "page": str(written.file),
                "source": str(written.source),
                "bytes": written.bytes,
                "pictures": written.pictures,
                "pictures_left_out": list(written.left_out),
            }
        )
        return
    talk = open_console(talk=True)
    talk.print(f"{count(written.pictures, 'picture')} in {size(written.bytes)}.")
    for path in written.left_out:
        block(talk, f"Not shown: {path}. No browser shows this kind, or it is too large.", indent=2)
    sys.stdout.write(f"{written.file}\n")
