"""Tables as a workbook (XLSX, ECMA-376), written as texts and read with suspicion.

Every cell is written as a text and formatted as one, so that a spreadsheet program
neither reckons nor reinterprets it. The reading looks at the size of what is packed
before it unpacks it.
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Sequence
from typing import Any

from openpyxl import Workbook, load_workbook
from openpyxl.cell.cell import MergedCell
from openpyxl.styles import Alignment, Font

from archiver.errors import InputError
from archiver.findings import Finding, Where
from archiver.session import table_rules as rules
from archiver.session.conform import nearest
from archiver.session.tables import LIST_SECTIONS, REFUSED, Cell, Table, cell_name

__all__ = ["LONGEST_CELL", "decode_workbook", "encode_workbook"]

LONGEST_CELL = 32_767
"""Characters that a cell of a spreadsheet program holds (Microsoft's published limit)."""

_MOST_UNPACKED = 512 * 1024 * 1024
_MOST_CELLS = 4_000_000
_LONGEST_TITLE = 31
# ECMA-376 part 1, 22.9.2.19 (ST_Xstring): _xHHHH_ stands for a character.
_LOOKS_ESCAPED = re.compile(r"_(?=x[0-9A-Fa-f]{4}_)")
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")
_NOT_IN_TITLE = re.compile(r"[\[\]:*?/\\']")
_STAMP = (1980, 1, 1, 0, 0, 0)


def encode_workbook(tables: Sequence[Table]) -> bytes:
    """Write tables as a workbook, one sheet each; the same tables give the same bytes.

    Raises
    ------
    InputError
        A text is longer than a cell can hold.
    """
    book = Workbook()
    if book.active is not None:
        book.remove(book.active)
    top, bold = Alignment(vertical="top", wrap_text=True), Font(bold=True)
    titles: set[str] = set()
    for table in tables:
        sheet = book.create_sheet(_title(table.name, titles))
        widths: dict[str, int] = {}
        for row in table.rows:
            for cell in row:
                target = sheet.cell(row=cell.row, column=cell.column)
                target.value = _as_text(cell, table.name)
                target.data_type = "s"
                target.number_format = "@"
                target.alignment = top
                if cell.row == 1:
                    target.font = bold
                letters = cell_name(1, cell.column)[:-1]
                longest = max(len(line) for line in str(cell.value).split("\n"))
                widths[letters] = min(60, max(widths.get(letters, 10), longest + 2))
        # Empty cells too are texts, so that what is typed into them stays as typed.
        for letters, width in widths.items():
            sheet.column_dimensions[letters].width = width
            sheet.column_dimensions[letters].number_format = "@"
        sheet.freeze_panes = "A2"
    return _repacked(book)


def _title(name: str, taken: set[str]) -> str:
    base = _NOT_IN_TITLE.sub("-", name)[:_LONGEST_TITLE]
    title, number = base, 1
    while title.lower() in taken:
        number += 1
        title = f"{base[: _LONGEST_TITLE - 5]}~{number}"
    taken.add(title.lower())
    return title


def _as_text(cell: Cell, table: str) -> str:
    text = _LOOKS_ESCAPED.sub("_x005F_", str(cell.value)).replace("\r", "_x000D_")
    if len(text) > LONGEST_CELL:
        raise InputError(
            f"the text is {len(text)} characters long",
            where=f"{table}!{cell_name(cell.row, cell.column)}",
            accepted=f"at most {LONGEST_CELL}, which is what a cell of a workbook holds",
            remedy="Export as CSV, which has no such limit",
        )
    return text


def _repacked(book: Workbook) -> bytes:
    """Save without the time of saving."""
    raw, out = io.BytesIO(), io.BytesIO()
    book.save(raw)
    with zipfile.ZipFile(raw) as packed, zipfile.ZipFile(out, "w") as again:
        for name in packed.namelist():
            content = packed.read(name)
            if name == "docProps/core.xml":
                content = re.sub(
                    rb"(<dcterms:\w+[^>]*>)[^<]*", rb"\g<1>1980-01-01T00:00:00Z", content
                )
            entry = zipfile.ZipInfo(name, _STAMP)
            entry.compress_type = zipfile.ZIP_DEFLATED
            again.writestr(entry, content)
    return out.getvalue()


def decode_workbook(content: bytes, name: str) -> tuple[tuple[Table, ...], tuple[Finding, ...]]:
    """Read a workbook.

    Parameters
    ----------
    content : bytes
        The whole file.
    name : str
        Name of the file, for the findings.

    Returns
    -------
    tables : tuple of Table
        Of the sheets that are known; empty if it cannot be read.
    findings : tuple of Finding
        On sheets and cells that cannot be taken as they are.
    """
    book = _opened(content, name)
    if isinstance(book, Finding):
        return (), (book,)
    tables: list[Table] = []
    findings: list[Finding] = []
    seen: set[str] = set()
    for sheet in book.worksheets:
        kind = kind_of(sheet.title)
        where = Where(file=f"{name}, {sheet.title}")
        if not kind:
            if any(cell.value is not None for row in sheet.iter_rows() for cell in row):
                findings.append(unknown_sheet(sheet.title, where))
            continue
        if kind in seen:
            findings.append(unknown_sheet(sheet.title, where))
            continue
        if kind in (*LIST_SECTIONS, "session"):
            seen.add(kind)
        findings += [
            rules.TABLE_MERGED_CELLS.at(
                Where(file=f"{name}, {sheet.title}!{area.coord}"),
                "the cells are merged",
                accepted="a value in each cell",
            )
            for area in sheet.merged_cells.ranges
        ]
        rows = tuple(_row(row, sheet.title, name, findings) for row in sheet.iter_rows())
        first = next((number for number, row in enumerate(rows) if row), 0)
        tables.append(Table(kind=kind, name=sheet.title, rows=rows[first:]))
    return tuple(tables), tuple(findings)


def unknown_sheet(title: str, where: Where) -> Finding:
    """Report a sheet that is none of a session's, or is there twice."""
    known = (*LIST_SECTIONS, "session")
    near = nearest(title, known)
    return rules.TABLE_UNKNOWN_SHEET.at(
        where,
        f"`{title}` is no sheet of a session, or is there twice"
        + (f"; nearest: `{near}`" if near and near != title else ""),
        accepted=", ".join((*known, "machine <id>", "type <id>")),
    )


def kind_of(title: str) -> str:
    """Return what a sheet holds by its title; empty if it is none of a session's."""
    folded = title.strip().lower()
    if folded in (*LIST_SECTIONS, "session"):
        return folded
    first = folded.partition(" ")[0]
    return first if first in ("machine", "type") and " " in folded else ""


def _opened(content: bytes, name: str) -> Workbook | Finding:
    def refused(found: str) -> Finding:
        return rules.TABLE_UNREADABLE.at(Where(file=name), found, accepted="a workbook (XLSX)")

    if content.startswith(b"\xd0\xcf\x11\xe0"):
        return refused("is an old workbook (XLS) or one that is protected by a password")
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            unpacked = sum(entry.file_size for entry in packed.infolist())
    except (zipfile.BadZipFile, ValueError, OverflowError) as error:
        return refused(f"is no workbook: {error}")
    if unpacked > _MOST_UNPACKED:
        return refused(f"unpacks to {unpacked} bytes, more than any session needs")
    with warnings.catch_warnings():
        # It warns of styles and extensions that are of no interest here.
        warnings.simplefilter("ignore")
        try:
            book = load_workbook(io.BytesIO(content), data_only=False, keep_links=False)
        except Exception as error:  # noqa: BLE001 - openpyxl raises many kinds for damaged files
            return refused(f"cannot be read as a workbook: {type(error).__name__}: {error}")
    cells = sum(sheet.max_row * sheet.max_column for sheet in book.worksheets)
    if cells > _MOST_CELLS:
        return refused(f"spans {cells} cells, more than any session needs")
    return book


def _row(row: Sequence[Any], title: str, name: str, findings: list[Finding]) -> tuple[Cell, ...]:
    cells: list[Cell] = []
    for cell in row:
        value = cell.value
        if isinstance(cell, MergedCell):
            # Nobody knows whether the value beside counts here too, so nothing is missed here.
            cells.append(Cell(value=REFUSED, row=cell.row or 1, column=cell.column or 1))
            continue
        if value is None or (isinstance(value, str) and not value.strip()):
            continue
        where = Where(file=f"{name}, {title}!{cell.coordinate}")
        if cell.data_type == "f":
            shown = value if isinstance(value, str) else getattr(value, "text", "") or "of an array"
            findings.append(
                rules.TABLE_FORMULA.at(
                    where, f"holds the formula {str(shown)[:60]}", accepted="the value itself"
                )
            )
            cells.append(Cell(value=REFUSED, row=cell.row, column=cell.column))
            continue
        if cell.data_type == "e":
            findings.append(
                rules.TABLE_ERROR_VALUE.at(where, f"holds the error {value}", accepted="a value")
            )
            cells.append(Cell(value=REFUSED, row=cell.row, column=cell.column))
            continue
        if isinstance(value, str):
            value = _ESCAPED.sub(lambda match: chr(int(match[1], 16)), value)
        cells.append(
            Cell(
                value=value,
                row=cell.row,
                column=cell.column,
                shown_as=str(cell.number_format or ""),
            )
        )
    return tuple(cells)
