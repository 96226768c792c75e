"""What the commands on parts, condition and media show, in 80 columns and as JSON."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from archiver.cli.printing import block, open_console, plain, print_json

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from archiver.session.machine_record import Machine, Part
    from archiver.session.media_wear import MediumWear
    from archiver.session.records import Medium, Session, Take

__all__ = ["show_media", "show_parts"]

_UNDONE = {True: "can be undone", False: "cannot be undone", None: ""}
_WIDEST_WORD = 20


def show_parts(
    session: Session, machines: Sequence[Machine], previous: Session | None, *, as_json: bool
) -> None:
    """Show parts, condition, and what changed."""
    from archiver.session.condition import changes_in
    from archiver.session.previous import check_against

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
    from archiver.cli.printing import show_findings

    console = open_console()
    for machine in machines:
        console.print(plain(f"{machine.id}  {machine.name}"), style="bold")
        _show_rows(
            console, ("part", "state", "condition", "material", "changed"), _rows(session, machine)
        )
        for each in changes:
            if each.subject == machine.id:
                block(console, f"Changed in the session: {each}", indent=2)
        console.print()
    show_findings(console, since)
    if previous is not None and not since:
        console.print("Nothing changed since the session before.")


def _rows(session: Session, machine: Machine) -> list[tuple[str, ...]]:
    from archiver.session.condition import report_of
    from archiver.session.vocabulary import When

    reports = [report_of(session, when, machine=machine.id) for when in When]
    whole = [str(report.grade) if report is not None else "" for report in reports]
    rows: list[tuple[str, ...]] = [("the whole", "", _step(*whole), "", "")]
    for part in machine.parts:
        grades = [
            next((str(e.grade) for e in report.parts if machine.part(e.part) is part), "")
            if report is not None
            else ""
            for report in reports
        ]
        rows.append(
            (part.name, str(part.state), _step(*grades), part.material or "", _changed(part))
        )
    return rows


def _changed(part: Part) -> str:
    texts = (part.date.text if part.date else "", part.by or "", _UNDONE[part.reversible])
    return ", ".join(text for text in texts if text)


def _step(before: str, after: str) -> str:
    """Say a condition before and after the session; one word where it stayed the same."""
    if before == after:
        return before
    return f"{before or 'not reported'}, then {after or 'not reported'}"


def _show_rows(console: Console, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print a table that breaks between words, without columns that hold nothing."""
    from rich.table import Table

    lines = [[plain(text) for text in row] for row in rows]
    kept = [at for at in range(len(heads)) if any(row[at] for row in lines)]
    table: Table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 2), header_style="dim")
    for at in kept:
        words = [word for row in lines for word in row[at].split()]
        longest = max((len(word) for word in words), default=0)
        table.add_column(heads[at], overflow="fold", min_width=min(longest, _WIDEST_WORD))
    for row in lines:
        table.add_row(*(row[at] for at in kept))
    console.print(table)


def show_media(session: Session, previous: Session | None, *, as_json: bool) -> None:
    """Show what each medium is, which takes used it, and how often."""
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
                "media": [_as_json(session, each) for each in wear],
                "since_previous": [finding.as_json() for finding in since],
            }
        )
        return
    from archiver.cli.printing import show_findings

    console = open_console()
    for each in wear:
        medium = session.medium(each.medium)
        if medium is not None:
            _show_medium(console, session, medium, each)
    if wear:
        console.print("Counts before and after the session, as far as its takes tell.", style="dim")
    else:
        console.print("The session names no medium.")
    console.print()
    show_findings(console, since)


def _as_json(session: Session, wear: MediumWear) -> dict[str, Any]:
    recorded, played = _uses(session, wear.medium)
    return wear.as_json() | {
        "recorded_in": [take.id for take in recorded],
        "played_in": [take.id for take in played],
    }


def _uses(session: Session, medium: str) -> tuple[list[Take], list[Take]]:
    found = [
        take
        for take in session.takes
        if (used := session.medium_of(take)) is not None and used.id == medium
    ]
    return [t for t in found if t.kind.records], [t for t in found if t.kind.plays]


def _show_medium(console: Console, session: Session, medium: Medium, wear: MediumWear) -> None:
    console.print(plain(f"{medium.id}  {medium.label or ''}").rstrip(), style="bold")
    size = [
        f"{quantity.text} {word}"
        for quantity, word in (
            (medium.diameter, "across"), (medium.length, "long"), (medium.thickness, "thick"),
        )
        if quantity is not None
    ]  # fmt: skip
    what = ", ".join((str(medium.kind), *filter(None, (medium.material,)), *size))
    block(console, what, indent=2)
    if medium.supplier:
        block(console, f"supplier: {medium.supplier}", indent=2)
    recorded, played = _uses(session, medium.id)
    uses = [
        f"{word} in {', '.join(take.id for take in takes)}"
        for word, takes in (("recorded", recorded), ("played", played))
        if takes
    ]
    if uses:
        block(console, "; ".join(uses), indent=2)
    rows = (
        ("shaved", _known(medium.shavings)),
        ("recordings", _counted(wear.recordings_before, wear.recordings_after)),
        ("playings", _counted(wear.playings_before, wear.playings_after)),
        ("planned playings", _known(wear.limit)),
    )
    block(console, "; ".join(f"{label} {text}" for label, text in rows), indent=2)
    console.print()


def _known(value: int | None) -> str:
    return "not stated" if value is None else str(value)


def _counted(before: int | None, after: int | None) -> str:
    return f"{_known(before)}, then {_known(after)}"
