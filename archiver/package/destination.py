"""The folder that something is written to: made if it is missing, gone again if that fails."""

from __future__ import annotations

import contextlib
from pathlib import Path

from archiver import files
from archiver.errors import ArchiverError, MisuseError

__all__ = ["lies_within", "make_destination"]


def lies_within(place: Path, folder: Path) -> bool:
    """Say whether a place, which may still have to be made, is a folder or lies somewhere in it."""
    place = place.absolute()
    while not files.exists(place):
        place = place.parent
    return files.resolved(place).is_relative_to(files.resolved(folder))


def make_destination(folder: Path, undo: contextlib.ExitStack, accepted: str) -> None:
    """Make a folder and its missing parents.

    Parameters
    ----------
    folder : Path
        The folder.
    undo : ExitStack
        Is told to remove what was made here and is empty.
    accepted : str
        Words for what the folder should be.

    Raises
    ------
    MisuseError
        The name is taken by something else.
    SurroundingsError
        It cannot be made.
    """
    missing = []
    place = folder
    while not files.exists(place) and place != place.parent:
        missing.append(place)
        place = place.parent

    def remove(directory: Path) -> None:
        with contextlib.suppress(ArchiverError):
            if files.exists(directory) and not files.entries(directory):
                files.discard(directory)

    # Registered before they are made: an interrupt between the two leaves nothing.
    for directory in reversed(missing):
        undo.callback(remove, directory)
    files.make_directory(folder)
    if not files.status(files.resolved(folder)).is_directory:
        raise MisuseError(
            "is not a directory",
            where=str(folder),
            accepted=accepted,
            remedy="Choose another destination",
        )
    for directory in missing:
        files.flush_directory(directory.parent)
