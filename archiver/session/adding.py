"""Adding takes to a sheet without touching the rest of its text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from archiver.errors import DefectError, InputError
from archiver.findings import clock
from archiver.session.sheet import read_sheet
from archiver.session.tree import Group, Listing, Scalar

__all__ = ["ProposedTake", "free_ids", "take_lines", "with_takes"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedTake:
    """A stretch of a capture that may be a take.

    Parameters
    ----------
    file : str
        Capture, as the sheet names it.
    kind : str
        A kind of take; a guess.
    confidence : float
        Of the guess and the edges, 0 to 1.
    begins_s, ends_s : float
        Place in the file.
    known : tuple of (str, str)
        Further fields, and what they can only be.
    open : tuple of (str, str)
        Fields that are needed and that only the person knows, with what there is to choose from.
    """

    file: str
    kind: str
    confidence: float
    begins_s: float
    ends_s: float
    known: tuple[tuple[str, str], ...] = ()
    open: tuple[tuple[str, str], ...] = ()


def take_lines(takes: Sequence[ProposedTake], ids: Sequence[str], indent: str = "  ") -> str:
    """Write takes as entries of the sheet's list.

    Parameters
    ----------
    takes : sequence of ProposedTake
    ids : sequence of str
        One for each.
    indent : str
        What stands before the hyphen.
    """
    lines: list[str] = []
    for take, name in zip(takes, ids, strict=True):
        guess = f"a guess, {take.confidence:.0%} sure: please correct"
        lines += [
            f"{indent}- id: {name}",
            f"{indent}  file: {take.file}",
            f"{indent}  kind: {take.kind}    # {guess}",
            f"{indent}  begins: {_position(take.begins_s)}",
            f"{indent}  ends: {_position(take.ends_s)}",
            *(f"{indent}  {field}: {value}" for field, value in take.known),
            *(
                f"{indent}  # {field}:     # needed, only you know it; one of: {choices}"
                for field, choices in take.open
            ),
        ]
    return "\n".join(lines) + "\n"


def _position(seconds: float) -> str:
    # Quoted, so that no reader of YAML takes it for a number to the base of sixty.
    return f"'{clock(seconds)}'"


def free_ids(content: bytes, count: int) -> tuple[str, ...]:
    """Return ids of the form ``t07`` behind the highest that a sheet uses."""
    used = [int(text[1:]) for text in _ids(content) if text[:1] == "t" and text[1:].isdecimal()]
    first = max(used, default=0) + 1
    return tuple(f"t{number:02d}" for number in range(first, first + count))


def _ids(content: bytes) -> list[str]:
    listing = _listing(content)
    found = []
    for item in listing.items if listing else []:
        entry = item.entries.get("id") if isinstance(item, Group) else None
        if entry is not None and isinstance(entry.value, Scalar):
            found.append(entry.value.text)
    return found


def _listing(content: bytes) -> Listing | None:
    root = read_sheet(content, "session.yaml").root
    entry = root.entries.get("takes") if root is not None else None
    return entry.value if entry is not None and isinstance(entry.value, Listing) else None


def with_takes(content: bytes, takes: Sequence[ProposedTake]) -> bytes:
    """Return a sheet with takes added behind its last one; no other byte changes.

    Parameters
    ----------
    content : bytes
        The sheet, in UTF-8.
    takes : sequence of ProposedTake

    Raises
    ------
    InputError
        The list of takes is missing, or written in brackets, so that no line can follow it.
    """
    sheet = read_sheet(content, "session.yaml")
    root = sheet.root
    entry = root.entries.get("takes") if root is not None else None
    text = content.decode("utf-8")
    lines = text.splitlines(keepends=True)
    listing = entry.value if entry is not None else None
    first = (
        lines[listing.items[0].line - 1] if isinstance(listing, Listing) and listing.items else ""
    )
    if root is None or entry is None or not first.lstrip().startswith("- "):
        raise InputError(
            "the sheet has no list of takes with one entry a line",
            where="session.yaml",
            accepted="takes: and below it entries that begin with a hyphen",
            remedy="Add the takes by hand; without --write the command prints them",
        )
    following = [other.line for other in root.entries.values() if other.line > entry.line]
    end = min(following, default=len(lines) + 1) - 1
    # Blank lines and comments in front of the next section belong to it.
    while end > entry.line and (not lines[end - 1].strip() or lines[end - 1].startswith("#")):
        end -= 1
    indent = first[: len(first) - len(first.lstrip())]
    added = take_lines(takes, free_ids(content, len(takes)), indent)
    if "\r\n" in text:
        added = added.replace("\n", "\r\n")
    if end == len(lines) and lines and not lines[-1].endswith("\n"):
        added = ("\r\n" if "\r\n" in text else "\n") + added
    made = ("".join(lines[:end]) + added + "".join(lines[end:])).encode()
    if len(_ids(made)) != len(_ids(content)) + len(takes):
        raise DefectError(
            "the takes could not be added to the sheet",
            where="session.yaml",
            remedy="Add them by hand; without --write the command prints them",
        )
    return made
