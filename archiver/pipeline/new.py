"""Laying out the folder of a new session."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.errors import MisuseError
from archiver.session.template import template_files

__all__ = ["NewSession", "new_session"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NewSession:
    """A session folder that was laid out."""

    folder: Path
    files: tuple[str, ...]


def new_session(folder: Path) -> NewSession:
    """Lay out a session folder with a commented template.

    Raises
    ------
    MisuseError
        The folder exists and is not empty.
    """
    if files.exists(folder):
        if not files.status(files.resolved(folder)).is_directory:
            raise MisuseError("is not a folder", where=str(folder), accepted="a new folder")
        if files.entries(folder):
            raise MisuseError(
                "the folder is not empty",
                where=str(folder),
                accepted="a folder that does not exist yet, or an empty one",
                remedy="Choose another name",
            )
    laid_out = template_files()
    for name in ("machines", "takes", "photographs", "documents"):
        files.make_directory(folder / name)
    for name, text in laid_out.items():
        place = folder.joinpath(*name.split("/"))
        files.make_directory(place.parent)
        files.write_whole(place, text.encode())
    return NewSession(folder=folder, files=tuple(sorted(laid_out)))
