"""What the commands on machines, media and rules show."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from archiver.cli.printing import block, count, open_console, plain, print_json, size
from archiver.errors import MisuseError
from archiver.telling import sentence

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
    "show_page",
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
            f"there is no rule with the code `{plain(code)}`",
            where="--explain",
            accepted=", ".join(near)
            if near
            else "the last line of a finding, such as take-file-missing",
            remedy="Give one of these codes, if it is meant"
            if near
            else "Give the code as it stands below a finding",
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
            console,
            f"From {sentence(caution.because[0])} Source: {sentence(caution.source)}",
            indent=4,
            style="dim",
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
