"""Laying out the folder of a new session, and that of an institution profile."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.errors import MisuseError
from archiver.session.example_institution import example_files
from archiver.session.questions import ask_for_session
from archiver.session.template import template_files
from archiver.session.yaml_writing import as_yaml

__all__ = [
    "NewInstitution",
    "NewSession",
    "new_institution",
    "new_session",
    "new_session_by_questions",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class NewSession:
    """A session folder that was laid out."""

    folder: Path
    files: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NewInstitution:
    """A folder with an institution profile that was laid out."""

    folder: Path
    files: tuple[str, ...]


def new_institution(folder: Path) -> NewInstitution:
    """Lay out the example of an institution profile.

    Raises
    ------
    MisuseError
        The folder exists and is not empty.
    """
    _refuse_used(folder)
    texts = example_files()
    files.make_directory(folder)
    for name, text in texts.items():
        files.write_whole(folder / name, text.encode())
    return NewInstitution(folder=folder, files=tuple(texts))


def new_session(folder: Path) -> NewSession:
    """Lay out a session folder with a commented template.

    Raises
    ------
    MisuseError
        The folder exists and is not empty.
    """
    _refuse_used(folder)
    return _laid_out(folder, template_files())


def new_session_by_questions(
    folder: Path, ask: Callable[[str], str], tell: Callable[[str], None]
) -> NewSession:
    """Lay out a session folder with a sheet made from answers.

    Parameters
    ----------
    folder : Path
        New or empty.
    ask : callable
        Shows a prompt and returns the line that was answered.
    tell : callable
        Shows a line.

    Raises
    ------
    MisuseError
        The folder exists and is not empty, or the answers ended too early; nothing is
        written then.
    """
    _refuse_used(folder)
    try:
        answers = ask_for_session(ask, tell)
    except EOFError as error:
        raise MisuseError(
            "the answers ended before the last question",
            remedy="Nothing was written; begin again, or run `archiver new` without --ask",
        ) from error
    texts = {name: text for name, text in template_files().items() if name.endswith(".txt")}
    for id_, machine in answers.machines.items():
        texts[f"machines/{id_}.yaml"] = as_yaml(machine)
    texts["session.yaml"] = as_yaml(answers.session)
    return _laid_out(folder, texts)


def _refuse_used(folder: Path) -> None:
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


def _laid_out(folder: Path, laid_out: Mapping[str, str]) -> NewSession:
    for name in ("machines", "takes", "photographs", "documents"):
        files.make_directory(folder / name)
    for name, text in laid_out.items():
        place = folder.joinpath(*name.split("/"))
        files.make_directory(place.parent)
        files.write_whole(place, text.encode())
    return NewSession(folder=folder, files=tuple(sorted(laid_out)))
