"""What the commands on packages show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from archiver.cli.printing import block, count, open_console, plain, print_json, size

if TYPE_CHECKING:
    from archiver.pipeline.packing import Packed, UnpackedPackage

__all__ = ["show_packed", "show_unpacked"]


def show_packed(packed: Packed, *, as_json: bool) -> None:
    """Say which files hold the package, and how to check them without this program."""
    if as_json:
        print_json(packed.as_json())
        return
    listed = packed.listed
    console = open_console()
    number = len(listed.parts)
    console.print(
        f"Packed {plain(str(packed.bag))} as {packed.form}: {size(listed.size)} in "
        f"{count(number, 'file')}.",
        style="bold",
    )
    console.print(f"In {plain(str(packed.folder))}:")
    for part in listed.parts:
        console.print(f"  {plain(part.name)}  {size(part.size)}")
    console.print(f"  {plain(listed.name)}")
    console.print(f"Check: sha256sum -c {plain(listed.name)}")
    if number > 1:
        console.print(f"Join:  cat {plain(listed.package)}.???? > {plain(listed.package)}")


def show_unpacked(done: Sequence[UnpackedPackage], *, as_json: bool) -> None:
    """Say where the bags lie, and why one is not there."""
    if as_json:
        from archiver.pipeline.packing import unpack_report

        print_json(unpack_report(done))
        return
    console = open_console()
    for one in done:
        if one.unpacked is None:
            console.print(f"{plain(one.package)}: nothing was unpacked", style="bold red")
            block(console, str(one.error), indent=2)
            if one.findings:
                block(console, one.findings[0].code, indent=2, style="dim")
            continue
        made = one.unpacked
        console.print(
            f"{plain(str(made.root))}: {count(made.files, 'file')}, {size(made.bytes)}, "
            f"{made.report.verdict}",
            style="bold green",
        )
