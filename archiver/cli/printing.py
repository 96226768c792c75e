"""What all views print with: a console of at least 80 columns, findings, counts."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, TextIO, cast

from archiver.findings import Finding, Severity
from archiver.telling import byte_size as size
from archiver.telling import count, laid_out

if TYPE_CHECKING:
    from rich.console import Console

__all__ = [
    "Lines",
    "block",
    "count",
    "fitted",
    "open_console",
    "open_lines",
    "plain",
    "print_json",
    "show_findings",
    "size",
    "tally",
]

_COLOURS = {Severity.ERROR: "bold red", Severity.WARNING: "yellow", Severity.NOTE: "cyan"}
_INDENT = 9
_LONGEST_OF_A_NOTE = 160
_REDIRECTED_COLUMNS = 100


class Lines:
    """Prints to what is no terminal: nothing to colour, and nothing to load for it.

    Whole words stay whole, however long, so that a search finds what it looks for.
    """

    def __init__(self, stream: TextIO) -> None:
        columns = os.environ.get("COLUMNS", "")
        self._width = int(columns) if columns.isdecimal() else _REDIRECTED_COLUMNS
        self._stream = stream

    def print(self, text: str = "", *, style: str = "", soft_wrap: bool = False) -> None:
        """Print one line; style and wrapping are for terminals."""
        del style, soft_wrap
        self._stream.write(f"{text}\n")

    def paragraph(self, text: str, indent: int) -> None:
        """Print a paragraph in lines of the width, indented as a whole."""
        for line in fitted(text, self._width - indent):
            self._stream.write(f"{' ' * indent}{line}\n")


class _Trimmed:
    """A stream without the blanks with which rich fills its lines."""

    _BLANKS = re.compile(r" +((?:\x1b\[[0-9;]*m)*)(?=\n|$)")

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write whole lines; what rich writes ends with one."""
        return self._stream.write(self._BLANKS.sub(r"\1", text) if text.endswith("\n") else text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def fitted(text: str, width: int) -> list[str]:
    """Break a text between words into lines of a width; a line to be pasted is never broken."""
    lines: list[str] = []
    for piece, is_command in laid_out(text):
        if is_command:
            lines.append(f"  {piece}")
            continue
        for line in piece.split("\n"):
            if len(line) <= max(20, width):
                lines.append(line)
                continue
            import textwrap

            lines += textwrap.wrap(
                line, max(20, width), break_long_words=False, break_on_hyphens=False
            )
    return lines


def open_console(*, talk: bool = False) -> Console:
    """Open standard output, or standard error for talk, for text of any width."""
    from rich.console import Console

    stream = sys.stderr if talk else sys.stdout
    # Redirected output keeps whole lines, so that a search finds what it looks for.
    width = None if stream.isatty() or "COLUMNS" in os.environ else _REDIRECTED_COLUMNS
    return Console(
        file=cast("TextIO", _Trimmed(stream)),
        highlight=False,
        markup=False,
        emoji=False,
        width=width,
    )


def open_lines() -> Console | Lines:
    """Open standard output for lines and paragraphs alone."""
    return open_console() if sys.stdout.isatty() else Lines(sys.stdout)


def print_json(document: dict[str, Any]) -> None:
    """Print one document for machines on standard output."""
    import json

    sys.stdout.write(json.dumps(document, ensure_ascii=False, indent=2) + "\n")


def plain(text: str) -> str:
    """Show control characters as escapes: a file name must not steer a terminal."""
    return "".join(c if c.isprintable() or c == "\n" else repr(c)[1:-1] for c in text)


def block(console: Console | Lines, text: str, *, indent: int, style: str = "") -> None:
    """Print a paragraph, indented as a whole."""
    if isinstance(console, Lines):
        console.paragraph(plain(text), indent)
        return
    from rich.text import Text

    for line in fitted(plain(text), console.width - indent):
        # A path that is wider than the terminal is for the terminal to break: it can be copied.
        console.print(Text(f"{' ' * indent}{line}", style=style), soft_wrap=True)


def sentence(text: str) -> str:
    """Begin with a capital unless the text begins with a name, and end with a stop."""
    text = text.strip()
    first = text.partition(" ")[0]
    if first.isalpha() and first.islower():
        text = text[0].upper() + text[1:]
    return text if not text or text.endswith((".", "!", "?", ":")) else f"{text}."


def show_findings(console: Console | Lines, findings: Iterable[Finding]) -> None:
    """Print findings: where, what, what is accepted, what to do, and the code."""
    for finding in findings:
        _show_place(console, finding)
        block(console, sentence(finding.message), indent=_INDENT)
        if finding.accepted:
            block(console, f"Accepted: {_accepted(finding)}", indent=_INDENT)
        if finding.remedy:
            block(console, sentence(finding.remedy), indent=_INDENT)
        block(console, finding.code, indent=_INDENT, style="dim")
        console.print()


def _accepted(finding: Finding) -> str:
    """Say what is accepted; in a note, which asks for nothing, a long list is only begun."""
    text = finding.accepted
    if finding.severity is not Severity.NOTE or len(text) <= _LONGEST_OF_A_NOTE:
        return text
    import textwrap

    return textwrap.shorten(text, _LONGEST_OF_A_NOTE, placeholder=" … (whole with --json)")


def _show_place(console: Console | Lines, finding: Finding) -> None:
    severity, place = f"{finding.severity:<{_INDENT}}", plain(str(finding.where))
    if isinstance(console, Lines):
        console.print(severity + place)
        return
    from rich.text import Text

    head = Text(severity, style=_COLOURS[finding.severity])
    head.append(place, style="bold")
    console.print(head)


def tally(findings: Sequence[Finding]) -> str:
    """Say how many findings there are of each weight."""
    parts = [
        count(number, str(severity))
        for severity in Severity
        if (number := sum(finding.severity is severity for finding in findings))
    ]
    return ", ".join(parts) if parts else "nothing found"
