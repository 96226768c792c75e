"""What the commands on packages show."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from archiver.cli.printing import block, count, open_console, plain, print_json, size
from archiver.telling import quoted

if TYPE_CHECKING:
    from archiver.pipeline.packing import Packed, UnpackedPackage

__all__ = ["check_lines", "show_packed", "show_unpacked"]


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
    for line in check_lines(str(packed.folder), listed.name, listed.package, number):
        console.print(plain(line), soft_wrap=True)


def check_lines(
    folder: str, listing: str, package: str, number: int, *, platform: str = sys.platform
) -> list[str]:
    """Write how a package is checked, and its parts joined, without this program.

    Source: coreutils, macOS and Windows bring these commands along (common practice).
    """
    if platform == "win32":
        files = [f"{package}.{one:04}" for one in range(1, number + 1)] if number > 1 else [package]
        paths = [quoted(f"{folder}\\{name}", windows=True) for name in files]
        each = ", and so on for each part" if number > 1 else ""
        lines = [f"Check: certutil -hashfile {paths[0]} SHA256"]
        lines.append(f"       and compare with {listing}{each}")
        if number > 1:
            joined = quoted(f"{folder}\\{package}", windows=True)
            lines.append(f"Join:  copy /b {' + '.join(paths)} {joined}")
        return lines
    place, listed, joined = (quoted(word, windows=False) for word in (folder, listing, package))
    go = f"cd {_behind_dash(place)}"
    tool = "shasum -a 256" if platform == "darwin" else "sha256sum"
    lines = [f"Check: ({go} && {tool} -c {_behind_dash(listed)})"]
    if number > 1:
        lines.append(f"Join:  ({go} && cat {_behind_dash(joined)}.???? > {joined})")
    return lines


def _behind_dash(word: str) -> str:
    """Keep a name that begins with a dash from being taken for an option."""
    return f"-- {word}" if word.startswith("-") else word


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
