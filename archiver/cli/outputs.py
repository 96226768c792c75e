"""Whether something may be written where a command is told to: never over what is kept.

Every option and argument that names a place to write to asks here, before the work begins.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from archiver import files
from archiver.errors import ArchiverError, MisuseError
from archiver.pipeline.kinds import Kind, look_at

__all__ = ["may_write", "outside_bags"]

_HEAD_BYTES = 4096
# A folder that holds any of these is a bag, or what damage left of one.
_OF_BAGS = ("bagit.txt", "bag-info.txt", "manifest-sha256.txt", "manifest-sha512.txt")
_BESIDE_LEDGER = ("-wal", "-shm", "-journal")


def may_write(
    path: Path, option: str, *, earlier: re.Pattern[bytes] | None, keep: Sequence[Path] = ()
) -> Path:
    """Refuse a file that would take the place of something kept, or change a bag.

    Parameters
    ----------
    path : Path
        As the user named it.
    option : str
        Which names it.
    earlier : pattern, optional
        How a file begins that the same command has written before, and that a new one may
        replace; a file of any other content stays. None replaces nothing.
    keep : sequence of Path
        What the command reads, whatever it looks like; the files that SQLite keeps beside a
        ledger are kept with it.

    Returns
    -------
    Path
        The same.

    Raises
    ------
    MisuseError
        Says what is there.
    SurroundingsError
        The folder of the file is not there.
    """
    kept = [one.with_name(one.name + more) for one in keep for more in ("", *_BESIDE_LEDGER)]
    if any(_same(path, one) for one in kept):
        raise _refused(path, option, "is what the command itself works with")
    outside_bags(path, option)
    found = look_at(path)
    if found.kind is Kind.MISSING:
        files.status(files.resolved(path.parent))
        return path
    if found.kind in {Kind.LEDGER, Kind.LEDGER_PART}:
        raise _refused(path, option, f"is {found.kind}")
    if files.status(files.resolved(path)).is_directory:
        raise _refused(path, option, "is a folder")
    head = _head(path)
    if head and (earlier is None or not earlier.match(head)):
        raise _refused(path, option, "is there already, and this command has not written it")
    return path


def outside_bags(path: Path, option: str) -> None:
    """Refuse a file or a folder that would be written into a bag, whichever that is.

    Raises
    ------
    MisuseError
        Names the bag.
    """
    resolved = _resolved(path)
    for above in (resolved, *resolved.parents):
        if any(files.exists(above / name) for name in _OF_BAGS):
            place = "is a bag itself" if above == resolved else f"lies inside the bag {above}"
            raise MisuseError(
                f"{path} {place}, which nothing may be added to",
                where=option,
                accepted="a place beside the bag or elsewhere",
                remedy="Choose another place",
            )


def _refused(path: Path, option: str, found: str) -> MisuseError:
    return MisuseError(
        f"{path} {found}",
        where=option,
        accepted="a new file, or one that this command has written before",
        remedy="Name another file",
    )


def _resolved(path: Path) -> Path:
    """Return where a name leads or would lead, be it there or not."""
    try:
        return files.resolved(path)
    except ArchiverError:
        # Of what is to be made, the next folder above that is there says where it will lie.
        return path if path.parent == path else _resolved(path.parent) / path.name


def _same(one: Path, other: Path) -> bool:
    """Say whether two names are one file, by a second name of it too."""
    first, second = _resolved(one), _resolved(other)
    if first == second:
        return True
    try:
        here, there = files.status(first), files.status(second)
    except ArchiverError:
        return False
    return here.inode != 0 and (here.device, here.inode) == (there.device, there.inode)


def _head(path: Path) -> bytes:
    with files.open_read(path, buffering=0) as file:
        return file.read(_HEAD_BYTES) or b""
