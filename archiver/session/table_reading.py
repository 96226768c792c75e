"""Reading tables of cells back into the sheet and the machine files.

What a spreadsheet program has made of a text (a date, a number, a truth value) is
taken only where it cannot mean anything else; every finding names the cell.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from archiver.findings import Finding, Rule, Severity, Where
from archiver.session import table_rules as rules
from archiver.session.conform import conform
from archiver.session.rules import SHEET_MISSING_FIELD as MISSING
from archiver.session.rules import SHEET_UNKNOWN_FIELD as UNKNOWN
from archiver.session.shape import Shape, shape
from archiver.session.table_rules import TABLE_FIELD_TWICE, TABLE_HEADER
from archiver.session.tables import (
    FIELD_HEADER,
    LIST_SECTIONS,
    REFUSED,
    Cell,
    Table,
    cell_name,
    split_texts,
)
from archiver.session.tree import Entry, Group, Listing, Scalar, Unread

__all__ = ["Imported", "read_tables"]

_STEP = re.compile(r"([A-Za-z_]\w*)((?:\[\d{1,5}\])*)", re.ASCII)
_MOST_ENTRIES = 100_000
_OF_SHEETS = {rules.TABLE_UNKNOWN_SHEET.code, rules.TABLE_UNREADABLE.code}
_ONE_A_LINE = (
    "Where the cell holds several, write each into a line of its own in the cell (Alt and Enter, "
    "or Ctrl and Enter)."
)
_SEVERAL = re.compile(r"[,;]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What tables hold: trees to be written as YAML, and everything that was found.

    Parameters
    ----------
    session : Group
        The sheet.
    machines, types : mapping of str to Group
        By id.
    findings : tuple of Finding
        Errors mean that the trees are not whole.
    """

    session: Group
    machines: Mapping[str, Group]
    types: Mapping[str, Group]
    findings: tuple[Finding, ...]


@dataclass(slots=True, kw_only=True)
class _Document:
    """One document in the making. Every node keeps its row and column as line and column;
    ``sheets`` names the sheet of each top-level field, ``sheet`` that of the others."""  # noqa: D205, D209 - one sentence

    kind: str
    root: Group
    sheet: str
    sheets: dict[str, str] = field(default_factory=dict)


def read_tables(tables: Sequence[Table], source: str, *, unread: Iterable[str] = ()) -> Imported:
    """Read tables into documents. What follows from a fault that is told is not told again.

    Parameters
    ----------
    tables : sequence of Table
        One for the session, one for each section, machine and type file.
    source : str
        Name of the workbook or folder, for the findings.
    unread : iterable of str
        Codes of what was told on the way to the tables: a sheet that could not be read may
        be any of the sections.
    """
    reader = _Reader(source, lacks_sheets=bool({*unread} & _OF_SHEETS))
    session = _Document(kind="session", root=_group(1, 1), sheet="session")
    _set_schema(session)
    documents = [session]
    for table in tables:
        if table.kind in LIST_SECTIONS:
            reader.rows(table, session)
        elif table.kind == "session":
            reader.fields(table, session)
        else:
            document = _Document(kind=table.kind, root=_group(1, 1), sheet=table.name)
            _set_schema(document)
            reader.fields(table, document)
            documents.append(document)
    found: dict[str, dict[str, Group]] = {"machine": {}, "type": {}}
    for document in documents:
        reader.conform(document)
        if document.kind in found:
            reader.file_away(document, found[document.kind])
    return Imported(
        session=session.root,
        machines=found["machine"],
        types=found["type"],
        findings=tuple(reader.findings),
    )


def _group(line: int, column: int) -> Group:
    return Group(line=line, column=column)


def _set_schema(document: _Document) -> None:
    text = f"{document.kind} 1"
    document.root.entries["schema"] = Entry(line=1, column=1, value=_scalar(text, 1, 1))


def _scalar(text: str, row: int, column: int) -> Scalar:
    return Scalar(text=text, plain=False, line=row, column=column, end_line=row, end_column=column)


class _Reader:
    def __init__(self, source: str, *, lacks_sheets: bool = False) -> None:
        self.source = source
        self.lacks_sheets = lacks_sheets
        # Sheets with a column or row whose field is not known: it may be any field.
        self._unnamed: set[str] = set()
        self.findings: list[Finding] = []
        # The listing is kept beside its numbers, so that its identity stays its own.
        self._numbers: dict[int, tuple[Listing, list[int]]] = {}

    def where(self, sheet: str, row: int, column: int, path: str = "") -> Where:
        cell = cell_name(row, column)
        # A file of CSV is one table; a workbook holds many.
        place = f"{sheet}, {cell}" if sheet.endswith(".csv") else f"{self.source}, {sheet}!{cell}"
        return Where(file=place, field=path)

    def tell(self, rule: Rule, sheet: str, cell: Cell, found: str, accepted: str = "") -> None:
        self.findings.append(
            rule.at(self.where(sheet, cell.row, cell.column), found, accepted=accepted)
        )

    # --- tables ---------------------------------------------------------------------

    def rows(self, table: Table, document: _Document) -> None:
        """Read a table of one row an entry."""
        document.sheets[table.kind] = table.name
        form = shape(document.kind)
        section = (form.fields or {})[table.kind]
        if not table.rows or section.item is None:
            return
        header: dict[int, str] = {}
        known = section.item.fields or {}
        for cell in table.rows[0]:
            if cell.value is REFUSED:
                self._unnamed.add(table.name)
                continue
            name = str(cell.value).strip()
            if name and _taken_apart(name.partition(".")[0])[0] not in known:
                self._unnamed.add(table.name)
            if name in header.values():
                self.tell(TABLE_HEADER, table.name, cell, f"the column `{name}` stands twice")
            elif not _well_formed(name):
                self.tell(
                    TABLE_HEADER,
                    table.name,
                    cell,
                    f"`{name}` is no name of a field",
                    accepted="names such as `title`, `stylus.kind` or `microphones[1].id`",
                )
            else:
                header[cell.column] = name
        entries = Listing(line=1, column=1)
        for row in table.rows[1:]:
            if not row:
                continue
            entry = _group(row[0].row, 1)
            for cell in row:
                path = header.get(cell.column)
                if path is None:
                    if cell.value is not REFUSED and not any(
                        cell.column == other.column for other in table.rows[0]
                    ):
                        self.tell(
                            TABLE_HEADER,
                            table.name,
                            cell,
                            "stands below no name of a field",
                            accepted="a name in the first row of the column",
                        )
                    continue
                self.put(entry, path, cell, section.item, table.name)
            if entry.entries:
                entries.items.append(entry)
        if entries.items:
            document.root.entries[table.kind] = Entry(line=1, column=1, value=entries)

    def fields(self, table: Table, document: _Document) -> None:
        """Read a table of field and value."""
        if not table.rows or not table.rows[0]:
            return
        header = tuple(str(cell.value).strip().lower() for cell in table.rows[0])
        if header[:2] != FIELD_HEADER[:2] or header[2:] not in ((), FIELD_HEADER[2:]):
            self.tell(
                TABLE_HEADER,
                table.name,
                table.rows[0][0],
                f"the first row is {', '.join(header)}",
                accepted=", ".join(FIELD_HEADER),
            )
            return
        form = shape(document.kind)
        for row in table.rows[1:]:
            by_column = {cell.column: cell for cell in row}
            for column, cell in by_column.items():
                if column > len(FIELD_HEADER) and cell.value is not REFUSED:
                    self.tell(TABLE_HEADER, table.name, cell, "stands below no name of a field")
            value = by_column.get(2)
            if value is None:
                continue
            name = by_column.get(1)
            if name is not None and name.value is REFUSED:
                self._unnamed.add(table.name)
                continue
            path = "" if name is None else str(name.value).strip()
            if not _well_formed(path):
                self._unnamed.add(table.name)
                self.tell(
                    TABLE_HEADER,
                    table.name,
                    name or value,
                    f"`{path}` is no name of a field" if path else "a value without a field",
                    accepted="names such as `session.title` or `parts[1].name`",
                )
                continue
            self.put(document.root, path, value, form, table.name)

    # --- fields ---------------------------------------------------------------------

    def put(self, node: Group, path: str, cell: Cell, form: Shape | None, sheet: str) -> None:
        """Put a value where its path says, making the groups and lists on the way."""
        *around, last = path.split(".")
        inner: Group | None = node
        for step in around:
            if inner is None:
                break
            inner, form = self._inner(inner, form, step, cell)
        name, indices = _taken_apart(last)
        part = (form.fields or {}).get(name) if form is not None else None
        if inner is None or indices:
            self.tell(
                TABLE_HEADER,
                sheet,
                cell,
                f"`{path}` does not go together with another field, or counts what is no list",
                accepted="a field as in an exported table; entries are counted from 1",
            )
        elif name in inner.entries:
            self.tell(TABLE_FIELD_TWICE, sheet, cell, f"the field `{path}` stands twice")
        else:
            value = self.value(cell, part, sheet) or Unread(line=cell.row, column=cell.column)
            inner.entries[name] = Entry(line=cell.row, column=cell.column, value=value)

    def _inner(
        self, node: Group, form: Shape | None, step: str, cell: Cell
    ) -> tuple[Group | None, Shape | None]:
        """Return the group that a step leads to, made if need be; None if it leads nowhere."""
        name, indices = _taken_apart(step)
        part = (form.fields or {}).get(name) if form is not None else None
        entry = node.entries.get(name)
        if not indices:
            if entry is None:
                entry = Entry(
                    line=cell.row, column=cell.column, value=_group(cell.row, cell.column)
                )
                node.entries[name] = entry
            return (entry.value if isinstance(entry.value, Group) else None), part
        if len(indices) > 1 or not 1 <= indices[0] <= _MOST_ENTRIES:
            return None, None
        if entry is None:
            listing = Listing(line=cell.row, column=cell.column)
            entry = Entry(line=cell.row, column=cell.column, value=listing)
            node.entries[name] = entry
        if not isinstance(entry.value, Listing):
            return None, None
        return self._entry(entry.value, indices[0], cell), part.item if part is not None else None

    def _entry(self, listing: Listing, number: int, cell: Cell) -> Group | None:
        """Return the entry of a number; the numbers need not follow on each other."""
        _, numbers = self._numbers.setdefault(id(listing), (listing, []))
        if number in numbers:
            found = listing.items[numbers.index(number)]
            return found if isinstance(found, Group) else None
        made = _group(cell.row, cell.column)
        at = sum(each < number for each in numbers)
        numbers.insert(at, number)
        listing.items.insert(at, made)
        return made

    # --- values ---------------------------------------------------------------------

    def value(self, cell: Cell, form: Shape | None, sheet: str) -> Scalar | Listing | None:
        """Turn the value of a cell into texts, by what the field may hold."""
        leaf = form.item if form is not None and form.kind == "array" else form
        text = self.text(cell, leaf, sheet)
        if text is None:
            return None
        if form is None or form.kind != "array":
            return _scalar(text, cell.row, cell.column)
        return Listing(
            line=cell.row,
            column=cell.column,
            items=[_scalar(each, cell.row, cell.column) for each in split_texts(text)],
        )

    def text(self, cell: Cell, form: Shape | None, sheet: str) -> str | None:
        value = cell.value
        if value is REFUSED:
            return None
        kind = form.kind if form is not None else "string"
        if isinstance(value, str):
            return value
        if isinstance(value, bool):
            if kind == "boolean":
                return "yes" if value else "no"
            self.tell(
                rules.TABLE_REINTERPRETED,
                sheet,
                cell,
                f"holds the truth value {str(value).upper()}, where a text is expected",
                accepted=form.accepted if form is not None else "a text",
            )
            return None
        if isinstance(value, dt.date | dt.time | dt.timedelta):
            return self.moment(cell, form, sheet)
        return self.number(cell, form, sheet)

    def moment(self, cell: Cell, form: Shape | None, sheet: str) -> str | None:
        """Take a date only for a date, and only if the whole day is shown."""
        value = cell.value
        # Number formats: quoted text, colours and escaped signs are no letters of a date.
        shown = re.sub(r'"[^"]*"|\[[^\]]*\]|\\.', "", cell.shown_as.lower())
        a_day = isinstance(value, dt.datetime) and value.time() == dt.time()
        a_day = a_day or type(value) is dt.date
        if (
            form is not None
            and form.format == "edtf"
            and a_day
            and all(letter in shown for letter in "ymd")
        ):
            text = f"{value.year:04d}-{value.month:02d}-{value.day:02d}"
            self.tell(rules.TABLE_DATE_READ, sheet, cell, f"read as {text}")
            return text
        hint = form.accepted if form is not None and form.accepted else "a text"
        if form is not None and form.format == "timestamp" and isinstance(value, dt.datetime):
            hint += f", such as `{value.isoformat(timespec='seconds')}+02:00`"
        self.tell(
            rules.TABLE_REINTERPRETED,
            sheet,
            cell,
            f"holds the date or time {value}, shown as {cell.shown_as or 'a date'}",
            accepted=hint,
        )
        return None

    def number(self, cell: Cell, form: Shape | None, sheet: str) -> str | None:
        value = cell.value
        whole = isinstance(value, int) or (isinstance(value, float) and value.is_integer())
        text = str(int(value)) if whole else repr(value)
        if form is not None and form.kind == "integer" and whole:
            return text
        if form is not None and form.format == "edtf" and whole and re.fullmatch(r"\d{4}", text):
            return text
        if form is not None and form.kind in ("integer", "boolean"):
            return text
        self.tell(
            rules.TABLE_NUMBER,
            sheet,
            cell,
            f"holds the number {text}, where a text is expected",
            accepted="a cell that is formatted as text",
        )
        return text

    # --- documents ------------------------------------------------------------------

    def conform(self, document: _Document) -> None:
        """Check the form of a document; findings are moved to the cells."""
        _, met = conform(document.root, shape(document.kind), self.source)
        columns: set[tuple[str, int]] = set()
        for finding in met:
            path = finding.where.field
            section = re.split(r"[.\[]", path)[0]
            sheet = document.sheets.get(section, document.sheet)
            row, column = finding.where.line or 1, finding.where.column or 1
            if finding.code == MISSING.code and (
                sheet in self._unnamed or (self.lacks_sheets and path == section)
            ):
                continue
            if finding.code == UNKNOWN.code and section in document.sheets:
                # One name stands over a whole column, and is told once.
                if (sheet, column) in columns:
                    continue
                columns.add((sheet, column))
                row = 1
            if finding.code == MISSING.code and path in LIST_SECTIONS:
                self.findings.append(
                    rules.TABLE_SHEET_MISSING.at(
                        Where(file=self.source),
                        f"there is no sheet `{path}`, or nothing stands in it",
                        accepted=f"a sheet `{path}` with a row for each",
                    )
                )
                continue
            place = self.where(sheet, row, column, path)
            remedy = _as_cell(finding.remedy, path)
            if path.endswith("]") and _SEVERAL.search(finding.message):
                remedy = _ONE_A_LINE
            if finding.severity is Severity.ERROR:
                self._refuse_number(place.file)
            self.findings.append(
                dataclasses.replace(
                    finding, where=place, accepted=_as_cell(finding.accepted, path), remedy=remedy
                )
            )

    def _refuse_number(self, place: str) -> None:
        """Take back that a number was read as a text, where the text is refused anyway."""
        self.findings = [
            one
            for one in self.findings
            if one.code != rules.TABLE_NUMBER.code or one.where.file != place
        ]

    def file_away(self, document: _Document, found: dict[str, Group]) -> None:
        entry = document.root.entries.get("id")
        if entry is None or not isinstance(entry.value, Scalar):
            return
        name = entry.value.text
        if name in found:
            self.findings.append(
                TABLE_FIELD_TWICE.at(
                    self.where(document.sheet, entry.line, entry.column, "id"),
                    f"the id `{name}` is that of another table too",
                    accepted=f"an id of its own for each {document.kind}",
                )
            )
        found[name] = document.root


def _as_cell(words: str, path: str) -> str:
    """Write what a sheet would hold as `name: value` as what a cell holds, the value."""
    name = re.escape(re.sub(r"(?:\[\d+\])+$", "", path).rpartition(".")[2])
    said = re.sub(rf"`{name}: \[([^\[\],`]*)\]`", r"`\1`", words)
    return re.sub(rf"`{name}: ([^`]*)`", r"`\1`", said)


def _well_formed(path: str) -> bool:
    return bool(path) and all(_STEP.fullmatch(step) for step in path.split("."))


def _taken_apart(step: str) -> tuple[str, list[int]]:
    """Part ``parts[2]`` into its name and the numbers in brackets."""
    name, _, rest = step.partition("[")
    return name, [int(number) for number in re.findall(r"\d+", rest)]
