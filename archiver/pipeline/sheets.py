"""Spreadsheets: a session folder as a workbook or as CSV files, and back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.errors import InputError, MisuseError
from archiver.findings import Finding, Severity, in_order, stops_deposit
from archiver.os_errors import not_there
from archiver.session.csv_tables import csv_name, decode_csv, encode_csv
from archiver.session.load import MACHINES, SHEET, TYPES, load_session
from archiver.session.table_reading import Imported, read_tables
from archiver.session.tables import tables_of
from archiver.session.tree import Group, Listing, Scalar
from archiver.session.workbook import decode_workbook, encode_workbook
from archiver.session.yaml_writing import as_yaml

__all__ = ["Written", "export_tables", "import_tables"]

_MOST_BYTES = 256 * 1024 * 1024
_FORM = ("sheet-", "file-unreadable", "folder-no-sheet", "folder-unreadable")


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """Files that were written, below a folder; none if findings stopped it.

    ``missing`` are files that an imported sheet names and that the folder does not hold.
    """

    place: Path
    files: tuple[str, ...]
    findings: tuple[Finding, ...] = ()
    missing: tuple[str, ...] = ()


def export_tables(folder: Path, target: Path) -> Written:
    """Write the sheet, machine files and type files of a session as a spreadsheet.

    Parameters
    ----------
    folder : Path
        The session folder; nothing in it is changed.
    target : Path
        A new file ending in ``.xlsx``, or a new folder for CSV files.

    Raises
    ------
    MisuseError
        The target is there already.
    InputError
        A text does not fit into a cell.
    """
    if files.exists(target):
        raise MisuseError(
            "is there already",
            where=str(target),
            accepted="a new file ending in .xlsx, or a new folder for CSV files",
            remedy="Choose another name; nothing is ever overwritten",
        )
    loaded = load_session(folder)
    # What cannot be read into the record would be lost; missing captures do not matter.
    stopping = tuple(
        finding
        for finding in loaded.findings
        if finding.severity is Severity.ERROR and finding.code.startswith(_FORM)
    )
    if loaded.session is None or stopping:
        return Written(place=target, files=(), findings=stopping or loaded.findings)
    tables = tables_of(loaded.session)
    if target.suffix.lower() == ".xlsx":
        files.make_directory(target.parent)
        files.write_whole(target, encode_workbook(tables))
        return Written(place=target.parent, files=(target.name,))
    if target.suffix:
        raise MisuseError(
            f"a spreadsheet ending in {target.suffix} cannot be written",
            where=str(target),
            accepted="a name ending in .xlsx, or a folder for CSV files",
        )
    written = {csv_name(table): encode_csv(table) for table in tables}
    for name, content in written.items():
        place = target.joinpath(*name.split("/"))
        files.make_directory(place.parent)
        files.write_whole(place, content)
    return Written(place=target, files=tuple(sorted(written)))


def import_tables(source: Path, folder: Path) -> Written:
    """Write a sheet, machine files and type files from a spreadsheet.

    Parameters
    ----------
    source : Path
        A workbook (``.xlsx``), or a folder of CSV files.
    folder : Path
        The session folder; made if it is missing. It may hold captures and
        photographs already, but no sheet and no machine file.

    Raises
    ------
    MisuseError
        The source is neither, or the folder holds a session already.
    """
    imported, findings = _read(source)
    findings = in_order((*findings, *imported.findings))
    if stops_deposit(findings):
        return Written(place=folder, files=(), findings=findings)
    heading = f"Imported from {source.name}; a comment of the sheet before is not kept."
    texts: dict[str, str] = {}
    for place, records in ((MACHINES, imported.machines), (TYPES, imported.types)):
        for id_, root in records.items():
            texts[f"{place}/{id_}.yaml"] = as_yaml(root, heading=heading)
    # Last, so that a folder with a sheet is whole.
    texts[SHEET] = as_yaml(imported.session, heading=heading)
    there = [name for name in texts if files.exists(folder.joinpath(*name.split("/")))]
    if there:
        raise MisuseError(
            f"holds {', '.join(there)} already",
            where=str(folder),
            accepted="a new folder, or one without these files",
            remedy="Choose another folder; nothing is ever overwritten",
        )
    for name in (MACHINES, "takes", "photographs", "documents"):
        files.make_directory(folder / name)
    for name, text in texts.items():
        place_of = folder.joinpath(*name.split("/"))
        files.make_directory(place_of.parent)
        files.write_whole(place_of, text.encode("utf-8"))
    named = dict.fromkeys(
        name
        for root in (imported.session, *imported.machines.values())
        for section in ("takes", "photographs", "documents")
        for name in _files_of(root, section)
    )
    missing = tuple(name for name in named if not files.exists(folder.joinpath(*name.split("/"))))
    return Written(place=folder, files=tuple(sorted(texts)), findings=findings, missing=missing)


def _files_of(root: Group, section: str) -> Iterator[str]:
    """Yield the files that a section of a sheet or machine file names."""
    entry = root.entries.get(section)
    for item in entry.value.items if entry and isinstance(entry.value, Listing) else ():
        file = item.entries.get("file") if isinstance(item, Group) else None
        if file is not None and isinstance(file.value, Scalar):
            yield file.value.text


def _read(source: Path) -> tuple[Imported, tuple[Finding, ...]]:
    if not files.exists(source):
        raise not_there(source, "a workbook (.xlsx), or a folder of CSV files")
    real = files.resolved(source)
    if files.status(real).is_directory:
        contents = {
            path: files.read_bytes(source.joinpath(*path.split("/")), limit=_MOST_BYTES)
            for path, entry in files.walk_files(source)
            if entry.is_file and path.lower().endswith(".csv")
        }
        if not contents:
            raise InputError(
                "holds no CSV file", where=str(source), accepted="session.csv, takes.csv and others"
            )
        tables, findings = decode_csv(contents)
    elif source.suffix.lower() in (".xlsx", ".xlsm"):
        tables, findings = decode_workbook(files.read_bytes(source, limit=_MOST_BYTES), source.name)
    elif source.suffix.lower() == ".csv":
        raise MisuseError(
            "is a single table",
            where=str(source),
            accepted="the folder that holds session.csv, takes.csv and the others",
            remedy="Give the folder",
        )
    else:
        raise MisuseError(
            "is no spreadsheet that can be read",
            where=str(source),
            accepted="a workbook (.xlsx), or a folder of CSV files",
            remedy="Save it as XLSX",
        )
    return read_tables(tables, source.name, unread=[each.code for each in findings]), findings
