"""What the commands on packages show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from archiver.cli.printing import count, open_console, plain, print_json, size

if TYPE_CHECKING:
    from archiver.package.unpacking import Unpacked
    from archiver.pipeline.packing import Packed

__all__ = ["show_packed", "show_unpacked"]


def show_packed(packed: Packed, *, as_json: bool) -> None:
    """Say which files hold the package, and how to check them without this program."""
    listed = packed.listed
    if as_json:
        print_json(
            {
                "bag": str(packed.bag),
                "package": listed.package,
                "form": str(packed.form),
                "media_type": packed.form.media_type,
                "folder": str(packed.folder),
                "bytes": listed.size,
                "list": listed.name,
                "files": [
                    {"name": part.name, "bytes": part.size, "sha256": part.sha256}
                    for part in listed.parts
                ],
            }
        )
        return
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


def show_unpacked(unpacked: Sequence[Unpacked], *, as_json: bool) -> None:
    """Say where the bags lie."""
    if as_json:
        print_json(
            {
                "bags": [
                    {
                        "bag": str(one.root),
                        "form": str(one.form),
                        "files": one.files,
                        "bytes": one.bytes,
                        "verdict": str(one.report.verdict),
                    }
                    for one in unpacked
                ]
            }
        )
        return
    console = open_console()
    for one in unpacked:
        console.print(
            f"{plain(str(one.root))}: {count(one.files, 'file')}, {size(one.bytes)}, "
            f"{one.report.verdict}.",
            style="bold",
        )
