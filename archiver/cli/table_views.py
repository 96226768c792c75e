"""What the commands on spreadsheets show."""

from __future__ import annotations

from typing import TYPE_CHECKING

from archiver.cli.printing import open_console, plain, print_json, show_findings, tally
from archiver.findings import stops_deposit

if TYPE_CHECKING:
    from archiver.pipeline.sheets import Written

__all__ = ["show_written"]


def show_written(written: Written, *, as_json: bool) -> int:
    """Say what was written, or what stands in the way; return the exit status."""
    status = 1 if stops_deposit(written.findings) else 0
    if as_json:
        print_json(
            {
                "place": str(written.place),
                "files": list(written.files),
                "findings": [finding.as_json() for finding in written.findings],
            }
        )
        return status
    console = open_console()
    show_findings(console, written.findings)
    if not written.files:
        console.print(f"{tally(written.findings).capitalize()}. Nothing was written.", style="bold")
        return status
    console.print(f"Wrote into {plain(str(written.place))}:")
    for name in written.files:
        console.print(f"  {plain(name)}")
    return status
