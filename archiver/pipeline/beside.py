"""Writing beside a bag or a session folder: never into it, and never over a file."""

from __future__ import annotations

from pathlib import Path

from archiver import files
from archiver.errors import MisuseError

__all__ = ["refuse_inside", "refuse_taken", "write_new"]


def refuse_inside(kept: Path, target: Path, *, what: str, option: str = "--to") -> None:
    """Refuse a target that lies in a directory that nothing may be added to.

    Parameters
    ----------
    kept : Path
        The bag or session folder.
    target : Path
        Need not exist.
    what : str
        What ``kept`` is, in words, such as ``the bag``.
    option : str
        Where the target was given.

    Raises
    ------
    MisuseError
        It lies inside, or is the same.
    """
    place = target
    while not files.exists(place) and place != place.parent:
        place = place.parent
    real, root = files.resolved(place), files.resolved(kept)
    if real == root or root in real.parents:
        raise MisuseError(
            f"lies inside {what}, which nothing may be added to",
            where=str(target),
            accepted=f"a place beside {what} or elsewhere",
            remedy=f"Choose another place with {option}",
        )


def refuse_taken(target: Path, *, option: str = "--to") -> None:
    """Refuse a target that exists.

    Raises
    ------
    MisuseError
        There is something of this name.
    """
    if files.exists(target):
        raise MisuseError(
            "the file exists already, and nothing is overwritten",
            where=str(target),
            remedy=f"Choose another place with {option}, or move the file away",
        )


def write_new(target: Path, content: bytes) -> None:
    """Write a file under a temporary name and give it its own, which must be free.

    Raises
    ------
    SurroundingsError
        The disk is full, fails, or may not be written; the target is not there then.
    """
    files.make_directory(target.parent)
    temporary = files.temporary_sibling(target)
    try:
        files.write_whole(temporary, content)
        files.rename_new(temporary, target)
    except BaseException:
        files.discard(temporary)
        raise
    files.flush_directory(target.parent)
