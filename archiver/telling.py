"""How sizes, numbers of things and command lines are written for people, wherever they are told."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence

__all__ = [
    "byte_size",
    "command_line",
    "count",
    "excerpt",
    "laid_out",
    "listed",
    "quoted",
    "sentence",
]

_UNITS = ("kB", "MB", "GB", "TB")
# Letters of all languages are plain to every shell; a tilde is a home directory at the beginning.
_PLAIN_POSIX = re.compile(r"[\w@%+=:,./-]+")
_PLAIN_WINDOWS = re.compile(r"[\w@+=:./\\-]+")
_LEAD = ": archiver "
# What ends a line in a text; a word that ends so is quoted, so that none is taken for the other.
_STOPS = ".,;:)"


def byte_size(number: int) -> str:
    """Say a number of bytes in decimal units, such as ``11.9 MB``."""
    if number < 1000:
        return "1 byte" if number == 1 else f"{number} bytes"
    amount, unit = number / 1000, 0
    while round(amount, 1) >= 1000 and unit < len(_UNITS) - 1:
        amount, unit = amount / 1000, unit + 1
    return f"{amount:.1f} {_UNITS[unit]}"


def count(number: int, word: str, words: str = "") -> str:
    """Say a number of things; ``words`` is their name where an s does not make it."""
    return f"{number} {word if number == 1 else words or f'{word}s'}"


def listed(words: Sequence[str], most: int = 12) -> str:
    """Write words one after another; of very many the first, and how many there are more."""
    if len(words) > most:
        return f"{', '.join(words[: most - 1])} and {len(words) - most + 1} more"
    return ", ".join(words[:-1]) + (" and " if len(words) > 1 else "") + words[-1]


def excerpt(text: str, most: int) -> str:
    """Bring a text onto one line of at most that many characters.

    What is too long ends after a whole word, with one ellipsis and no other mark before it.
    """
    line = " ".join(text.split())
    if len(line) <= most:
        return line
    whole, _, _ = line[:most].rpartition(" ")
    # A word longer than all there is room for has no better place to be cut.
    kept = (whole or line[: most - 1]).rstrip(" .,;:!?-\N{EN DASH}\N{EM DASH}…(/")
    return f"{kept}…"


def sentence(text: str) -> str:
    """End a text with a full stop, unless something ends it already."""
    return text if text.endswith((".", "!", "?", "…")) else f"{text}."


def command_line(*words: object, windows: bool = os.name == "nt") -> str:
    """Write a call of this program that can be pasted into the shell of this system.

    Parameters
    ----------
    words : object
        Command, options, and what the user named; a word in capitals, such as ``DIR``, stands
        for what is still to be put in.
    windows : bool
        Whether it is for the shells of Windows, which know double quotes alone.
    """
    return " ".join(["archiver", *(quoted(str(word), windows=windows) for word in words)])


def laid_out(text: str) -> list[tuple[str, bool]]:
    """Take a text apart into prose and the command lines that it holds.

    A line to be pasted stands behind a colon, and ends where its last word does. On a line of its
    own nothing breaks it, and no full stop is taken for a part of it.

    Returns
    -------
    list of (str, bool)
        The pieces in order, and whether each is a command line.
    """
    pieces: list[tuple[str, bool]] = []
    while (found := text.find(_LEAD)) >= 0:
        end = _end_of_line(text, found + 2)
        pieces += [(text[: found + 1].strip(), False), (text[found + 2 : end], True)]
        text = text[end:].lstrip(f"{_STOPS} ")
        text = text[:1].upper() + text[1:]
    return [*pieces, (text.strip(), False)] if text.strip() or not pieces else pieces


def _end_of_line(text: str, start: int) -> int:
    """Say where a command line ends: before a stop, a line break, or the end of the text."""
    quote = ""
    for at, letter in enumerate(text[start:], start):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == "\n" or (letter in _STOPS and text[at + 1 : at + 2] in {"", " ", "\n"}):
            return at
    return len(text)


def quoted(word: str, *, windows: bool = os.name == "nt") -> str:
    """Write one word of a command line so that the shell of this system takes it as one."""
    plain = (_PLAIN_WINDOWS if windows else _PLAIN_POSIX).fullmatch(word)
    if plain and not word.endswith(tuple(_STOPS)):
        return word
    if windows:
        # A backslash before the closing quote would take it for a letter.
        return f'"{word}\\"' if word.endswith("\\") else f'"{word}"'
    import shlex  # noqa: PLC0415 - few names need it

    quoted = shlex.quote(word)
    return f"'{word}'" if quoted == word else quoted
