"""Questions in the terminal: prompts on standard error, so that output stays output."""

from __future__ import annotations

import shutil
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from archiver import files
from archiver.cli.interrupts import StoppedRun
from archiver.cli.printing import plain
from archiver.errors import MisuseError
from archiver.telling import command_line

if TYPE_CHECKING:
    from archiver.pipeline.new import NewSession

__all__ = ["ask_and_lay_out"]


def ask_and_lay_out(folder: Path) -> NewSession:
    """Ask for a session and lay out its folder.

    Raises
    ------
    MisuseError
        There is nobody to ask, the answers end too early, or the folder is in use.
    StoppedRun
        Interrupted; how to go on has been told then.
    """
    from archiver.pipeline.new import KEPT_ANSWERS, new_session_by_questions

    if not sys.stdin.isatty():
        raise MisuseError(
            "there is nobody to ask: standard input is not a terminal",
            accepted="--ask in a terminal",
            remedy="Leave --ask out and fill in the sheet, or import a spreadsheet with "
            "`archiver sheet import`",
        )
    try:
        return new_session_by_questions(folder, _ask, _tell)
    except StoppedRun:
        kept = folder / KEPT_ANSWERS
        if files.exists(kept):
            _tell(f"\nWhat you answered is kept in {kept}. To go on:")
            _tell(f"  {command_line('new', folder, '--ask')}")
        raise


def _ask(prompt: str) -> str:
    """Show a question that breaks between words, and leave room for the answer behind it."""
    lines = textwrap.wrap(plain(prompt), _columns(), break_on_hyphens=False)
    sys.stderr.write("\n".join(lines) + " ")
    sys.stderr.flush()
    line = sys.stdin.readline()
    if not line:
        raise EOFError
    return line


def _tell(text: str) -> None:
    """Write a paragraph that breaks between words, as deep as it begins."""
    body = plain(text).lstrip("\n")
    blank = "\n" * (len(text) - len(text.lstrip("\n")))
    indent = " " * (len(body) - len(body.lstrip()))
    lines = textwrap.wrap(body, _columns(), subsequent_indent=indent, break_on_hyphens=False)
    sys.stderr.write(blank + "\n".join(lines) + "\n")


def _columns() -> int:
    return max(20, shutil.get_terminal_size().columns - 1)
