"""Commands on spreadsheets."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["sheet_app"]

sheet_app = typer.Typer(
    name="sheet",
    help="Turn a session sheet into a spreadsheet and back.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

AsJson = Annotated[
    bool, typer.Option("--json", help="Print the same facts for machines, as one JSON document.")
]


@sheet_app.command(name="export")
def to_table(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The session folder.")],
    target: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="A new workbook (.xlsx), or a new folder for CSV."),
    ],
    as_json: AsJson = False,
) -> int:
    """Write sheet and machine files as a workbook or as CSV."""
    from archiver.cli.kinds import Takes, expect
    from archiver.cli.outputs import outside_bags
    from archiver.cli.table_views import show_exported
    from archiver.pipeline.sheets import export_tables

    expect(folder, Takes.SESSION, "sheet export", target)
    outside_bags(target, "FILE")
    return show_exported(export_tables(folder, target), as_json=as_json)


@sheet_app.command(name="import")
def from_table(
    source: Annotated[
        Path, typer.Argument(metavar="FILE", help="A workbook (.xlsx), or a folder of CSV files.")
    ],
    folder: Annotated[
        Path,
        typer.Argument(metavar="DIR", help="The session folder to write; no sheet may be in it."),
    ],
    as_json: AsJson = False,
) -> int:
    """Write a sheet and machine files from a workbook or from CSV files."""
    from archiver.cli.outputs import outside_bags
    from archiver.cli.table_views import show_written
    from archiver.pipeline.sheets import import_tables

    outside_bags(folder, "DIR")
    return show_written(import_tables(source, folder), as_json=as_json)
