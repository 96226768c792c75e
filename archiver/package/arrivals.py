"""Find out which of the files that arrived make up a package: one file, or parts and a list."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.errors import MisuseError
from archiver.findings import Where
from archiver.package.names import shown
from archiver.package.package_rules import PARTS_DISAGREE
from archiver.package.parts import LIST_ENDING, PartsList, decode_list, part_name, part_of
from archiver.package.refusal import PackageRefusedError

__all__ = ["Arrival", "arrivals", "differing_parts"]

_LONGEST_LIST_BYTES = 1 << 22


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """A package that arrived.

    Parameters
    ----------
    name : str
        File name of the package, joined if it is in parts.
    paths : tuple of Path
        Its files, in order.
    listed : PartsList, optional
        What the list beside it says; None if there is none.
    """

    name: str
    paths: tuple[Path, ...]
    listed: PartsList | None = None


def arrivals(paths: Sequence[Path]) -> tuple[Arrival, ...]:
    """Put the files of packages together.

    Parameters
    ----------
    paths : sequence of Path
        Packages, parts in any order, and lists of checksums, as a shell names them for
        ``drop/*``. Of a package in parts its list or any part is enough where the list lies
        beside it.

    Raises
    ------
    PackageRefusedError
        A part is missing, or has another size than its list says.
    MisuseError
        No file was named.
    SurroundingsError
        A file does not exist.
    """
    if not paths:
        raise MisuseError("no package was named", accepted="a package, its parts or its list")
    found: dict[Path, set[Path]] = {}
    for path in paths:
        part = part_of(path.name)
        if path.name.endswith(LIST_ENDING):
            found.setdefault(path.with_name(path.name.removesuffix(LIST_ENDING)), set())
        elif part is not None:
            found.setdefault(path.with_name(part[0]), set()).add(path)
        else:
            found.setdefault(path, set()).add(path)
    return tuple(_arrival(package, given) for package, given in found.items())


def _arrival(package: Path, given: set[Path]) -> Arrival:
    listing = package.with_name(package.name + LIST_ENDING)
    listed: PartsList | None = None
    # A list of another form beside a package in one file is somebody else's.
    if files.exists(listing) and (given != {package} or _is_ours(listing)):
        content = files.read_bytes(listing, limit=_LONGEST_LIST_BYTES)
        listed = decode_list(listing.name, content)
        if listed.package != package.name:
            raise _refused(
                listing.name,
                f"the list is that of {shown(listed.package[:200])!r}, by its first line",
            )
        paths = tuple(package.with_name(part.name) for part in listed.parts)
        _require_as_listed(listing.name, listed, paths)
        others = sorted(path.name for path in given - set(paths) if files.exists(path))
        if others:
            raise _refused(
                listing.name,
                f"the list beside it does not name {shown(others[0])!r}, which was given",
            )
        return Arrival(name=package.name, paths=paths, listed=listed)
    if not given:
        files.status(listing)
    if given == {package}:
        return Arrival(name=package.name, paths=(package,))
    paths = tuple(sorted(given, key=lambda path: path.name))
    for number, path in enumerate(paths, 1):
        if path.name != part_name(package.name, number):
            raise _refused(
                package.name,
                f"part {number} is missing: after {number - 1} parts comes {shown(path.name)!r}",
            )
    return Arrival(name=package.name, paths=paths)


def _is_ours(listing: Path) -> bool:
    return files.read_bytes(listing, limit=_LONGEST_LIST_BYTES).startswith(b"# ")


def _require_as_listed(name: str, listed: PartsList, paths: Sequence[Path]) -> None:
    missing = [path.name for path in paths if not files.exists(path)]
    if missing:
        raise _refused(
            name,
            f"{len(missing)} of {len(paths)} files are missing: {', '.join(missing[:5])}"
            + (" and others" if len(missing) > 5 else ""),
        )
    for path, part in zip(paths, listed.parts, strict=True):
        size = files.status(files.resolved(path)).size
        if size != part.size:
            raise _refused(name, f"{part.name} has {size} bytes, the list says {part.size}")


def differing_parts(arrival: Arrival, listed: PartsList) -> tuple[str, ...]:
    """Name the files of a package whose digest is not what a list says, in order."""
    return tuple(
        part.name
        for path, part in zip(arrival.paths, listed.parts, strict=True)
        if files.digests_of(path, ["sha256"])[1]["sha256"] != part.sha256
    )


def _refused(name: str, message: str) -> PackageRefusedError:
    return PackageRefusedError(PARTS_DISAGREE.at(Where(file=shown(name)), message))
