"""Commands on the record: what is known of machines and media, and rules explained."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["machine_app", "media", "page"]

machine_app = typer.Typer(
    name="machine",
    help="Reason about machines: date, variant, parts, comparison.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

AsJson = Annotated[
    bool, typer.Option("--json", help="Print the same facts for machines, as one JSON document.")
]
Place = Annotated[Path, typer.Argument(metavar="DIR", help="A session folder, or a bag.")]
One = Annotated[
    str | None, typer.Option("--id", metavar="ID", help="Only this machine; otherwise all.")
]
Before = Annotated[
    Path | None,
    typer.Option("--previous", metavar="DIR", help="Bag or folder of the session before."),
]


@machine_app.command()
def date(place: Place, machine: One = None, as_json: AsJson = False) -> int:
    """Reckon when a machine was made. Tells who may have made it, too."""
    from archiver.cli import record_views
    from archiver.cli.kinds import Takes, expect
    from archiver.pipeline.machines import chosen
    from archiver.pipeline.previous import read_previous

    expect(place, Takes.EITHER, "machine date")
    record_views.show_dates(chosen(read_previous(place), machine), as_json=as_json)
    return 0


@machine_app.command()
def variants(place: Place, machine: One = None, as_json: AsJson = False) -> int:
    """Compare a machine with the known variants of its model."""
    from archiver.cli import record_views
    from archiver.cli.kinds import Takes, expect
    from archiver.pipeline.machines import chosen
    from archiver.pipeline.previous import read_previous

    expect(place, Takes.EITHER, "machine variants")
    session = read_previous(place)
    record_views.show_variants(session, chosen(session, machine), as_json=as_json)
    return 0


@machine_app.command()
def compare(
    place: Place,
    first: Annotated[str, typer.Argument(metavar="ID", help="One machine.")],
    second: Annotated[str, typer.Argument(metavar="ID2", help="The other machine.")],
    other: Annotated[
        Path | None,
        typer.Option("--with", metavar="DIR", help="Folder or bag that describes the other."),
    ] = None,
    measured: Annotated[
        list[Path] | None,
        typer.Option(
            "--from",
            metavar="BAG",
            help="A bag with takes of one of them, or what `archiver motion DIR --json` gave; "
            "may be repeated.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Set two machines side by side. A bag adds what was measured."""
    from archiver.cli import record_views
    from archiver.cli.kinds import Takes, expect
    from archiver.pipeline.machines import machine_view, refuse_without
    from archiver.session.comparison import compare_machines

    expect(place, Takes.EITHER, "machine compare", first, second)
    if other is not None:
        expect(other, Takes.EITHER, "machine compare --with")
    sources = measured or []
    left = machine_view(place, first, sources)
    right = machine_view(other or place, second, sources)
    refuse_without((left, right), sources)
    record_views.show_comparison(left, right, compare_machines(left, right), as_json=as_json)
    return 0


@machine_app.command()
def parts(
    place: Place, machine: One = None, previous: Before = None, as_json: AsJson = False
) -> int:
    """Show the parts and their condition. Tells what has changed, too."""
    from archiver.cli import condition_views
    from archiver.cli.kinds import Takes, expect
    from archiver.pipeline.machines import chosen
    from archiver.pipeline.previous import read_previous
    from archiver.session.previous import require_before

    expect(place, Takes.EITHER, "machine parts")
    session = read_previous(place)
    before = None if previous is None else read_previous(previous)
    if before is not None:
        require_before(before, session)
    condition_views.show_parts(session, chosen(session, machine), before, as_json=as_json)
    return 0


def media(place: Place, previous: Before = None, as_json: AsJson = False) -> int:
    """Show how often each medium was recorded and played."""
    from archiver.cli import condition_views
    from archiver.cli.kinds import Takes, expect
    from archiver.pipeline.previous import read_previous
    from archiver.session.previous import require_before

    expect(place, Takes.EITHER, "media")
    session = read_previous(place)
    before = None if previous is None else read_previous(previous)
    if before is not None:
        require_before(before, session)
    condition_views.show_media(session, before, as_json=as_json)
    return 0


def page(
    place: Place,
    to: Annotated[
        Path,
        typer.Option("--to", metavar="FILE", help="The new HTML file; nothing is overwritten."),
    ],
    as_json: AsJson = False,
) -> int:
    """Write the session's page as one file, to read or print."""
    from archiver.cli import record_views
    from archiver.cli.kinds import Takes, expect
    from archiver.cli.outputs import outside_bags
    from archiver.cli.progress import shown
    from archiver.pipeline.page import write_page

    expect(place, Takes.EITHER, "page", "--to", to)
    outside_bags(to, "--to")
    with shown() as progress:
        written = write_page(place, to, progress=progress)
    record_views.show_page(written, as_json=as_json)
    return 0
