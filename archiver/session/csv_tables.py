"""Tables as CSV files (RFC 4180), one a table, in UTF-8.

Written with a byte order mark, by which spreadsheet programs know UTF-8, and with an
apostrophe before texts that such a program would take for a formula (common practice
against formula injection); the reading takes both away again. It reads commas,
semicolons and tabs, since spreadsheet programs write what their country is used to.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Mapping
from pathlib import PurePosixPath

from archiver.findings import Finding, Where
from archiver.session import table_rules as rules
from archiver.session.tables import LIST_SECTIONS, Cell, Table
from archiver.session.workbook import unknown_sheet

__all__ = ["csv_name", "decode_csv", "encode_csv"]

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")
_FOLDERS = {"machines": "machine", "types": "type"}
_LONGEST = 16 * 1024 * 1024


def csv_name(table: Table) -> str:
    """Return the file of a table: ``takes.csv``, ``machines/vesterholm-b.csv``."""
    for folder, kind in _FOLDERS.items():
        if table.kind == kind:
            return f"{folder}/{table.name.partition(' ')[2]}.csv"
    return f"{table.name}.csv"


def encode_csv(table: Table) -> bytes:
    """Write one table."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    width = max((cell.column for row in table.rows for cell in row), default=0)
    for row in table.rows:
        texts = [""] * width
        for cell in row:
            texts[cell.column - 1] = _guarded(str(cell.value))
        writer.writerow(texts)
    return codecs.BOM_UTF8 + out.getvalue().encode("utf-8")


def _guarded(text: str) -> str:
    return f"'{text}" if text.startswith(_FORMULA) else text


def decode_csv(contents: Mapping[str, bytes]) -> tuple[tuple[Table, ...], tuple[Finding, ...]]:
    """Read the files of a folder.

    Parameters
    ----------
    contents : mapping of str to bytes
        Content by path relative to the folder, with ``/``.
    """
    tables: list[Table] = []
    findings: list[Finding] = []
    for path, content in sorted(contents.items()):
        kind = _kind_of(path)
        if not kind:
            findings.append(unknown_sheet(path.removesuffix(".csv"), Where(file=path)))
            continue
        rows = _rows(path, content, findings)
        if rows is not None:
            tables.append(Table(kind=kind, name=path, rows=rows))
    return tuple(tables), tuple(findings)


def _kind_of(path: str) -> str:
    place = PurePosixPath(path)
    if len(place.parts) == 1 and place.stem in (*LIST_SECTIONS, "session"):
        return place.stem
    return _FOLDERS.get(place.parts[0], "") if len(place.parts) == 2 else ""


def _rows(
    path: str, content: bytes, findings: list[Finding]
) -> tuple[tuple[Cell, ...], ...] | None:
    try:
        if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
            text = content.decode("utf-16")
        else:
            text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        findings.append(
            rules.TABLE_UNREADABLE.at(
                Where(file=path, line=line, offset_bytes=error.start),
                "holds a byte that is not UTF-8",
                accepted="CSV in UTF-8",
            )
        )
        return None
    before = csv.field_size_limit(_LONGEST)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=_delimiter(text)))
    except csv.Error as error:
        findings.append(
            rules.TABLE_UNREADABLE.at(
                Where(file=path), f"is no CSV: {error}", accepted="CSV in UTF-8"
            )
        )
        return None
    finally:
        csv.field_size_limit(before)
    return tuple(
        tuple(
            Cell(value=_unguarded(value), row=number, column=column)
            for column, value in enumerate(row, start=1)
            if value.strip()
        )
        for number, row in enumerate(rows, start=1)
    )


def _unguarded(text: str) -> str:
    return text[1:] if text.startswith("'") and text[1:].startswith(_FORMULA) else text


def _delimiter(text: str) -> str:
    first = text.splitlines()[0] if text else ""
    return max(",;\t", key=first.count)
