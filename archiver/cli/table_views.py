"""What the commands on spreadsheets show."""

from __future__ import annotations

from typing import TYPE_CHECKING

from archiver import files
from archiver.cli.printing import open_console, plain, print_json, show_findings, tally
from archiver.findings import stops_deposit

if TYPE_CHECKING:
    from archiver.pipeline.sheets import Written

__all__ = ["show_exported", "show_written"]


def show_written(written: Written, *, as_json: bool) -> int:
    """Say what was written, or what stands in the way; return the exit status."""
    status = 1 if stops_deposit(written.findings) else 0
    if as_json:
        print_json(
            {
                "place": str(written.place),
                "files": list(written.files),
                "missing": list(written.missing),
                "findings": [finding.as_json() for finding in written.findings],
            }
        )
        return status
    console = open_console()
    show_findings(console, written.findings)
    if not written.files:
        console.print(f"{tally(written.findings).capitalize()}. Nothing was written.", style="bold")
        return status
    # A lone full stop for the current folder is read as the end of the sentence.
    place = written.place if written.place.name else files.resolved(written.place)
    console.print(f"Wrote into {plain(str(place))}:")
    for name in written.files:
        console.print(f"  {plain(name)}")
    if written.missing:
        console.print(
            f"\nThe spreadsheet names files but holds none. Copy into {plain(str(place))}:"
        )
        for name in written.missing:
            console.print(f"  {plain(name)}")
    return status


def show_exported(written: Written, *, as_json: bool) -> int:
    """Say what was written and how it is filled in; return the exit status."""
    status = show_written(written, as_json=as_json)
    if written.files and not as_json:
        open_console().print(
            "\nSeveral values in one cell stand one a line (Alt and Enter, or Ctrl and Enter). "
            "Captures, photographs and documents are not in the spreadsheet: keep the folder."
        )
    return status
