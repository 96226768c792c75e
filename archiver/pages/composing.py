"""Blocks from values: what is not known leaves no gap on the page."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from archiver.pages.content import (
    Basis,
    Cell,
    Column,
    Fact,
    Facts,
    Line,
    Row,
    Table,
    Text,
    own,
    said,
)

__all__ = [
    "anchor", "derived", "facts_of", "joined", "measured", "plain", "stated", "stated_word",
    "table_of",
]  # fmt: skip


def anchor(kind: str, name: str) -> str:
    """Return an id for the page; ids of the sheet are letters, digits, ``-`` and ``_``."""
    return f"{kind}-{name}"


def stated(label: str, text: str | None) -> Fact:
    """Return what the sheet says, in its own words."""
    return Fact(label=label, value=said(text) if text else (), basis=Basis.STATED)


def stated_word(label: str, text: str | None) -> Fact:
    """Return what the sheet says, in a word or figure of the program."""
    return Fact(label=label, value=own(text) if text else (), basis=Basis.STATED)


def measured(label: str, text: str) -> Fact:
    """Return what was measured."""
    return Fact(label=label, value=own(text) if text else (), basis=Basis.MEASURED)


def derived(label: str, value: Line | str) -> Fact:
    """Return what was reckoned."""
    return Fact(label=label, value=_line(value), basis=Basis.DERIVED)


def plain(label: str, value: Line | str) -> Fact:
    """Return what is no statement on the session, such as where a file lies."""
    return Fact(label=label, value=_line(value))


def _line(value: Line | str) -> Line:
    return own(value) if isinstance(value, str) else value


def facts_of(rows: Iterable[Fact], *, name: str = "") -> tuple[Facts, ...]:
    """Put facts below each other; without any there is no block."""
    present = tuple(row for row in rows if any(text.text for text in row.value))
    return (Facts(rows=present, name=name),) if present else ()


def joined(*lines: Line, by: str = ", ") -> Line:
    """Put lines after each other; empty ones are passed over."""
    texts: list[Text] = []
    for line in lines:
        if any(text.text for text in line):
            texts += [*own(by), *line] if texts else line
    return tuple(texts)


def table_of(
    caption: str,
    columns: Sequence[Column],
    rows: Iterable[Sequence[Line]],
    *,
    basis: Basis | None = None,
) -> tuple[Table, ...]:
    """Make a table; columns without any text are left out, and so is a table without rows."""
    lines = [tuple(row) for row in rows]
    kept = [
        number
        for number in range(len(columns))
        if any(any(text.text for text in row[number]) for row in lines)
    ]
    if not kept:
        return ()
    return (
        Table(
            caption=caption,
            columns=tuple(columns[number] for number in kept),
            rows=tuple(
                Row(
                    cells=tuple(
                        Cell(
                            text=row[number],
                            head=columns[number].head,
                            style=columns[number].style,
                        )
                        for number in kept
                    ),
                )
                for row in lines
            ),
            basis=basis,
        ),
    )
