"""Commands that pack bags for their way and unpack what arrived."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

import typer

from archiver.errors import MisuseError

__all__ = ["bytes_of", "register"]

_UNITS = {
    "": 1, "b": 1, "kb": 10**3, "mb": 10**6, "gb": 10**9, "tb": 10**12,
    "kib": 1 << 10, "mib": 1 << 20, "gib": 1 << 30, "tib": 1 << 40,
}  # fmt: skip
_SIZE = re.compile(r"(\d{1,15})(?:\.(\d{1,3}))?\s*([a-z]*)", re.ASCII)

AsJson = Annotated[
    bool, typer.Option("--json", help="Print the same facts for machines, as one JSON document.")
]
AnyNames = Annotated[
    bool,
    typer.Option(
        "--any-names",
        help="Take names that Windows refuses or changes, and names that differ in case only.",
    ),
]


def register(app: typer.Typer) -> None:
    """Add these commands to the program."""
    app.command()(pack)
    app.command()(unpack)


def bytes_of(text: str | None, option: str) -> int | None:
    """Read a size such as ``2GB``, ``700 MiB`` or ``4.7 GB``."""
    if text is None:
        return None
    found = _SIZE.fullmatch(text.strip().lower())
    if found is None or found[3] not in _UNITS:
        raise MisuseError(
            f"{text!r} is no size",
            where=option,
            accepted="a number and a unit: kB, MB, GB, TB, KiB, MiB, GiB or TiB, such as 2GB",
        )
    thousandths = int(found[1]) * 1000 + int((found[2] or "").ljust(3, "0"))
    return thousandths * _UNITS[found[3]] // 1000


def pack(
    bag: Annotated[Path, typer.Argument(metavar="BAG", help="The bag; nothing in it is changed.")],
    to: Annotated[
        Path, typer.Option("--to", metavar="DIR", help="The folder that will hold the package.")
    ],
    form: Annotated[
        str, typer.Option("--form", metavar="FORM", help="tar, tar.gz, tar.zst or zip.")
    ] = "tar",
    part_size: Annotated[
        str | None,
        typer.Option(
            "--part-size", metavar="SIZE", help="Cut the package into parts of this size, as 2GB."
        ),
    ] = None,
    any_names: AnyNames = False,
    as_json: AsJson = False,
) -> int:
    """Pack a bag into one file, or into parts. A list has the checksums."""
    from archiver.cli import package_views
    from archiver.cli.kinds import Takes, expect
    from archiver.cli.outputs import outside_bags
    from archiver.cli.progress import shown
    from archiver.pipeline.packing import form_named, pack_bag

    expect(bag, Takes.BAG, "pack", "--to", to)
    outside_bags(to, "--to")
    part_bytes = bytes_of(part_size, "--part-size")
    with shown() as progress:
        packed = pack_bag(
            bag,
            to,
            form_named(form),
            part_bytes=part_bytes,
            any_names=any_names,
            progress=progress,
        )
    package_views.show_packed(packed, as_json=as_json)
    return 0


def unpack(
    packages: Annotated[
        list[Path],
        typer.Argument(
            metavar="PACKAGE...", help="Packages, parts of packages, or their lists of checksums."
        ),
    ],
    to: Annotated[
        Path, typer.Option("--to", metavar="DIR", help="The folder that will hold the bags.")
    ],
    most_size: Annotated[
        str | None,
        typer.Option("--most-size", metavar="SIZE", help="Refuse what unpacks to more, as 200GB."),
    ] = None,
    most_files: Annotated[
        int,
        typer.Option("--most-files", min=1, metavar="N", help="Refuse more files and folders."),
    ] = 1_000_000,
    most_ratio: Annotated[
        float,
        typer.Option(
            "--most-ratio",
            min=1,
            metavar="N",
            help="Refuse what unpacks to more than N times its size.",
        ),
    ] = 100,
    any_names: AnyNames = False,
    as_json: AsJson = False,
) -> int:
    """Unpack bags that are valid. What is not is not left there."""
    from archiver.cli import package_views
    from archiver.cli.kinds import Takes, expect, globbed
    from archiver.cli.outputs import outside_bags
    from archiver.cli.progress import shown
    from archiver.package.limits import Limits
    from archiver.pipeline.packing import unpack_packages

    packages = globbed(packages)
    for package in packages:
        expect(package, Takes.PACKAGE, "unpack", "--to", to)
    outside_bags(to, "--to")
    limits = Limits(
        most_entries=most_files,
        most_bytes=bytes_of(most_size, "--most-size"),
        most_ratio=most_ratio,
        any_names=any_names,
    )
    with shown() as progress:
        done = unpack_packages(packages, to, limits=limits, progress=progress)
    package_views.show_unpacked(done, as_json=as_json)
    return max((one.exit_status for one in done), default=0)
