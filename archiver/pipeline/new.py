"""Laying out the folder of a new session, and that of an institution profile."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from archiver import files
from archiver.errors import MisuseError
from archiver.session.example_institution import example_files
from archiver.session.questions import BACK, KEPT_ANSWERS, Answers, ask_for_session
from archiver.session.template import template_files
from archiver.session.yaml_writing import as_yaml
from archiver.telling import command_line

__all__ = [
    "KEPT_ANSWERS",
    "NewInstitution",
    "NewSession",
    "new_institution",
    "new_session",
    "new_session_by_questions",
]


_MOST_ANSWERED = 16 * 1024 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class NewSession:
    """A session folder that was laid out.

    ``takes_named`` tells whether the answers named a take; None for the example.
    """

    folder: Path
    files: tuple[str, ...]
    takes_named: bool | None = None


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

    Each answer is kept in the folder as it is given, and taken over by the next call for
    this folder; the file goes when the sheet is written.

    Parameters
    ----------
    folder : Path
        New or empty, or with the answers of a call that was broken off.
    ask : callable
        Shows a prompt and returns the line that was answered.
    tell : callable
        Shows a line.

    Raises
    ------
    MisuseError
        The folder exists and is not empty, or the answers ended too early.
    """
    kept = folder / KEPT_ANSWERS
    _refuse_used(folder, but=KEPT_ANSWERS)
    memory = _Memory(kept, ask, tell)
    try:
        answers = _answered(memory)
    except EOFError as error:
        raise MisuseError(
            "the answers ended before the last question",
            remedy=f"What was answered is kept in {kept}; to go on: "
            f"{command_line('new', folder, '--ask')}"
            if files.exists(kept)
            else "Nothing was answered; begin again, or run `archiver new` without --ask",
        ) from error
    texts = {name: text for name, text in template_files().items() if name.endswith(".txt")}
    for id_, machine in answers.machines.items():
        texts[f"machines/{id_}.yaml"] = as_yaml(machine)
    texts["session.yaml"] = as_yaml(answers.session)
    made = _laid_out(folder, texts, takes_named="takes" in answers.session.entries)
    if files.exists(kept):
        files.discard(kept)
    return made


class _BackError(Exception):
    """The person has taken back an answer, so that the questions begin anew."""


def _answered(memory: _Memory) -> Answers:
    while True:
        try:
            return ask_for_session(memory.ask, memory.tell)
        except _BackError:
            # What stands is answered again without asking.
            continue


class _Memory:
    """Keeps what is answered, and answers by itself what was answered before."""

    def __init__(self, place: Path, ask: Callable[[str], str], tell: Callable[[str], None]) -> None:
        self._place, self._ask, self._tell = place, ask, tell
        self._lines: list[str] = []
        self._before: list[str] = []
        if files.exists(place):
            text = files.read_bytes(place, limit=_MOST_ANSWERED).decode("utf-8", errors="replace")
            self._before = [line for line in text.splitlines() if "\t" in line]
            tell(f"The answers given before are taken over; to begin anew, delete {place}.")

    def ask(self, prompt: str) -> str:
        if self._before:
            question, _, answer = self._before.pop(0).partition("\t")
            if question == prompt.strip():
                self._lines.append(f"{question}\t{answer}")
                return answer
            # Another version of the program asks otherwise: the rest fits no question.
            self._before.clear()
        answer = " ".join(self._ask(prompt).split())
        if answer == BACK:
            self._go_back(prompt.strip())
        self._lines.append(f"{prompt.strip()}\t{answer}")
        if any(not line.endswith("\t") for line in self._lines):
            files.make_directory(self._place.parent)
            text = "".join(f"{line}\n" for line in self._lines)
            files.write_whole(self._place, text.encode("utf-8"))
        return answer

    def _go_back(self, question: str) -> NoReturn:
        """Forget the answers to the question before, with all that were refused."""
        self._forget(question)
        if self._lines:
            self._forget(self._lines[-1].partition("\t")[0])
        self._before, self._lines = self._lines, []
        raise _BackError

    def _forget(self, question: str) -> None:
        while self._lines and self._lines[-1].startswith(f"{question}\t"):
            self._lines.pop()

    def tell(self, line: str) -> None:
        if not self._before:
            self._tell(line)


def _refuse_used(folder: Path, *, but: str = "") -> None:
    if files.exists(folder):
        if not files.status(files.resolved(folder)).is_directory:
            raise MisuseError("is not a folder", where=str(folder), accepted="a new folder")
        there = {entry.name for entry in files.entries(folder)}
        if there == {KEPT_ANSWERS} and not but:
            raise MisuseError(
                f"holds answers that were given before, in {KEPT_ANSWERS}",
                where=str(folder),
                accepted="a new folder, or going on with --ask",
                remedy=f"Delete the file, or go on: {command_line('new', folder, '--ask')}",
            )
        if there - {but}:
            raise MisuseError(
                "the folder is not empty",
                where=str(folder),
                accepted="a folder that does not exist yet, or an empty one",
                remedy="Choose another name",
            )


def _laid_out(
    folder: Path, laid_out: Mapping[str, str], *, takes_named: bool | None = None
) -> NewSession:
    for name in ("machines", "takes", "photographs", "documents"):
        files.make_directory(folder / name)
    for name, text in laid_out.items():
        place = folder.joinpath(*name.split("/"))
        files.make_directory(place.parent)
        files.write_whole(place, text.encode())
    return NewSession(folder=folder, files=tuple(sorted(laid_out)), takes_named=takes_named)
