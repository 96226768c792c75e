r"""A session as tables of cells, and back: one row a take, one table a machine.

Sections that are lists become tables with one row an entry; the session itself and
each machine and type file become tables of field and value. Fields within fields are
named with full stops (``stylus.kind``), entries of inner lists are counted from 1
(``parts[2].name``). A list of texts stands in one cell, one text a line; a line break
or backslash within such a text is written ``\n`` or ``\\``.

Nothing of a record is lost but comments, the order of fields and groups without any field.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from archiver.session.record_json import session_as_json
from archiver.session.records import Session
from archiver.session.shape import Shape, shape

__all__ = [
    "FIELD_TABLES",
    "LIST_SECTIONS",
    "REFUSED",
    "Cell",
    "Table",
    "cell_name",
    "join_texts",
    "split_texts",
    "tables_of",
]

LIST_SECTIONS = (
    "operators", "chains", "media", "setups", "takes", "conditions", "photographs", "documents",
)  # fmt: skip
"""Sections of the sheet that are tables of one row an entry."""

FIELD_TABLES = ("session", "machine", "type")
"""Kinds of tables that hold field and value."""

FIELD_HEADER = ("field", "value", "meaning")


REFUSED = object()
"""Value of a cell that holds something which cannot be taken; its finding has been made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A value and where it stands; row and column count from 1.

    ``value`` is a text, what a spreadsheet program made of it, or ``REFUSED``; ``shown_as`` is the
    number format by which it shows a number or date.
    """

    value: Any
    row: int
    column: int
    shown_as: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table: ``kind`` is a section, or ``session``, ``machine`` or ``type``.

    ``name`` is that of the sheet or file; ``rows`` holds the cells that are not empty.
    """

    kind: str
    name: str
    rows: tuple[tuple[Cell, ...], ...] = field(default=())


def cell_name(row: int, column: int) -> str:
    """Name a cell as spreadsheet programs do: ``C5``."""
    letters = ""
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row}"


def join_texts(texts: Sequence[str]) -> str:
    """Write a list of texts into one cell."""
    return "\n".join(
        text.replace("\\", "\\\\").replace("\r", "\\r").replace("\n", "\\n") for text in texts
    )


def split_texts(cell: str) -> list[str]:
    """Take a list of texts from one cell; blank lines are passed over."""
    found = [line for line in re.split(r"\r\n|\n|\r", cell) if line.strip()]
    return [re.sub(r"\\(.)", lambda m: _ESCAPES.get(m[1], m[0]), line) for line in found]


_ESCAPES = {"n": "\n", "r": "\r", "\\": "\\"}


def tables_of(session: Session) -> tuple[Table, ...]:
    """Lay out a session as tables, with a column or row for every field that may be filled."""
    document = session_as_json(session)
    top = shape("session")
    fields = top.fields or {}
    tables = [
        _field_table(
            "session",
            "session",
            {name: document.get(name, {}) for name in ("session", "organisation")},
            {name: fields[name] for name in ("session", "organisation")},
        )
    ]
    for section in LIST_SECTIONS:
        item = fields[section].item
        if item is not None:
            tables.append(_list_table(section, document.get(section, []), item))
    for kind in ("machine", "type"):
        form = shape(kind).fields or {}
        own = {name: part for name, part in form.items() if name != "schema"}
        for record in document.get(f"{kind}s", []):
            content = {name: value for name, value in record.items() if name != "schema"}
            tables.append(_field_table(kind, f"{kind} {record['id']}", content, own))
    return tuple(tables)


def _field_table(
    kind: str, name: str, content: Mapping[str, Any], form: Mapping[str, Shape]
) -> Table:
    rows = [FIELD_HEADER]
    for part_name, part in form.items():
        for path, text, described in _leaves(part_name, content.get(part_name), part):
            rows.append((path, text, described))
    return Table(kind=kind, name=name, rows=_cells(rows))


def _list_table(section: str, records: Sequence[Mapping[str, Any]], item: Shape) -> Table:
    found = []
    columns: dict[str, None] = {}
    for record in records or [{}]:
        leaves = {
            path: text
            for name, part in (item.fields or {}).items()
            for path, text, _ in _leaves(name, record.get(name), part)
        }
        found.append(leaves)
    # In the order of the schema, the longest inner list leading.
    for leaves in found:
        known = list(columns)
        for position, path in enumerate(leaves):
            if path not in columns:
                before = [each for each in list(leaves)[:position] if each in columns]
                at = known.index(before[-1]) + 1 if before else 0
                known.insert(at, path)
                columns = dict.fromkeys(known)
    header = tuple(columns)
    rows = [header, *(tuple(leaves.get(path, "") for path in header) for leaves in found)]
    return Table(kind=section, name=section, rows=_cells(rows if records else rows[:1]))


def _cells(rows: Sequence[Sequence[str]]) -> tuple[tuple[Cell, ...], ...]:
    return tuple(
        tuple(
            Cell(value=text, row=row, column=column)
            for column, text in enumerate(texts, start=1)
            if text
        )
        for row, texts in enumerate(rows, start=1)
    )


def _leaves(path: str, value: Any, form: Shape) -> Iterator[tuple[str, str, str]]:
    """Yield path, text and description of every field below one; empty texts where unset."""
    if form.kind == "object":
        for name, part in (form.fields or {}).items():
            inner = value.get(name) if isinstance(value, Mapping) else None
            yield from _leaves(f"{path}.{name}", inner, part)
    elif form.kind == "array" and form.item is not None and form.item.kind == "object":
        for number, each in enumerate(value or [None], start=1):
            yield from _leaves(f"{path}[{number}]", each, form.item)
    elif form.kind == "array":
        yield path, join_texts([_stated(each) for each in value or []]), form.description
    else:
        yield path, _stated(value), form.description


def _stated(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, Mapping):
        return str(value["stated"])
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
