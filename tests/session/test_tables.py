"""Spreadsheets: the round trip of any record, and what spreadsheet programs do to texts.

Judges: openpyxl writes and reads workbooks without the code under test; Python's csv
module reads the CSV; the record before and after is compared as a whole.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import zipfile
from collections.abc import Callable
from typing import Any

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.worksheet.formula import ArrayFormula

from archiver.findings import Finding, Severity
from archiver.session import Session, load_session, session_as_json, session_from_json
from archiver.session.build import build_machine, build_session, build_type
from archiver.session.conform import conform
from archiver.session.csv_tables import csv_name, decode_csv, encode_csv
from archiver.session.place import Places
from archiver.session.shape import shape
from archiver.session.sheet import read_sheet
from archiver.session.table_reading import Imported, read_tables
from archiver.session.tables import Cell, Table, cell_name, join_texts, split_texts, tables_of
from archiver.session.tree import Group
from archiver.session.workbook import decode_workbook, encode_workbook
from archiver.session.yaml_writing import as_yaml
from tests.session.folders import whole_session
from tests.session.strategies import values

BOOK = "session.xlsx"
# A spreadsheet program knows no zones.
moment = dt.datetime.fromisoformat


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Session:
    """The session of the template."""
    found = load_session(whole_session(tmp_path_factory.mktemp("session"))).session
    assert found is not None
    return found


@pytest.fixture(scope="module")
def written(session: Session) -> bytes:
    return encode_workbook(tables_of(session))


@pytest.fixture
def book(written: bytes) -> Any:
    """The workbook of the template, as another program opens it."""
    return openpyxl.load_workbook(io.BytesIO(written))


def without_empty(value: Any) -> Any:
    """Leave out groups without a field: a table has nothing to write for them."""
    if isinstance(value, dict):
        cleaned = {name: without_empty(member) for name, member in value.items()}
        return {name: member for name, member in cleaned.items() if member not in ({}, [])}
    if isinstance(value, list):
        return [member for each in value if (member := without_empty(each)) not in ({}, [])]
    return value


def session_of(imported: Imported) -> dict[str, Any]:
    """Write the trees as YAML, read them as sheets are read, and return the record."""

    def fields(root: Group, name: str) -> Any:
        sheet = read_sheet(as_yaml(root).encode("utf-8"), f"{name}.yaml")
        assert sheet.root is not None
        assert sheet.findings == ()
        found, findings = conform(sheet.root, shape(name), f"{name}.yaml")
        assert findings == []
        return found

    machines = [
        build_machine(fields(each, "machine"), Places()) for each in imported.machines.values()
    ]
    types = [build_type(fields(each, "type"), Places()) for each in imported.types.values()]
    session = build_session(
        fields(imported.session, "session"),
        tuple(each for each in machines if each),
        Places(),
        tuple(each for each in types if each),
    )
    assert session is not None
    return session_as_json(session)


def errors(*findings: Finding) -> list[Finding]:
    return [finding for finding in findings if finding.severity is Severity.ERROR]


RECORDS = st.tuples(values(shape("session")), values(shape("machine")), values(shape("type")))


@settings(max_examples=settings().max_examples // 7)
@given(RECORDS)
def test_any_record_comes_back_from_a_workbook(record: tuple[Any, Any, Any]) -> None:
    content, machine, machine_type = record
    session = session_from_json({**content, "machines": [machine], "types": [machine_type]})
    tables, findings = decode_workbook(encode_workbook(tables_of(session)), BOOK)
    assert findings == ()
    imported = read_tables(tables, BOOK)
    assert imported.findings == ()
    assert session_of(imported) == without_empty(session_as_json(session))


@settings(max_examples=settings().max_examples // 4)
@given(RECORDS)
def test_any_record_comes_back_from_csv(record: tuple[Any, Any, Any]) -> None:
    content, machine, machine_type = record
    session = session_from_json({**content, "machines": [machine], "types": [machine_type]})
    files = {csv_name(table): encode_csv(table) for table in tables_of(session)}
    tables, findings = decode_csv(files)
    assert findings == ()
    imported = read_tables(tables, "csv")
    assert imported.findings == ()
    assert session_of(imported) == without_empty(session_as_json(session))


TEXTS = st.text(
    st.characters(exclude_categories=["Cs", "Cc"], include_characters="\t\n\r"), min_size=1
).filter(str.strip)


@settings(max_examples=settings().max_examples // 2)
@given(TEXTS)
def test_any_text_comes_back_from_workbook_and_csv(text: str) -> None:
    table = Table(
        kind="takes",
        name="takes",
        rows=((Cell(value="title", row=1, column=1),), (Cell(value=text, row=2, column=1),)),
    )
    ((read,), _) = decode_workbook(encode_workbook([table]), BOOK)
    assert read.rows[1][0].value == text
    ((read,), _) = decode_csv({"takes.csv": encode_csv(table)})
    assert read.rows[1][0].value == text


@given(st.lists(TEXTS, min_size=1))
def test_any_list_of_texts_comes_back_from_one_cell(texts: list[str]) -> None:
    assert split_texts(join_texts(texts)) == texts


@given(st.dictionaries(st.sampled_from(["title", "place", "purpose"]), TEXTS, min_size=1))
def test_any_text_comes_back_from_the_yaml_that_is_written(content: dict[str, str]) -> None:
    from archiver.session.record_json import _node

    root = _node({"session": content, "list": [*content.values(), [content]], "empty": []})
    assert isinstance(root, Group)
    sheet = read_sheet(as_yaml(root, heading="Two\nlines").encode("utf-8"), "x.yaml")
    assert sheet.findings == ()
    assert sheet.root is not None
    assert plain(sheet.root) == plain(root)


def plain(node: Any) -> Any:
    if isinstance(node, Group):
        return {name: plain(entry.value) for name, entry in node.entries.items()}
    return [plain(item) for item in node.items] if hasattr(node, "items") else node.text


def read_book(book: Any) -> tuple[Imported, list[Finding]]:
    raw = io.BytesIO()
    book.save(raw)
    tables, findings = decode_workbook(raw.getvalue(), BOOK)
    imported = read_tables(tables, BOOK, unread=[each.code for each in findings])
    return imported, [*findings, *imported.findings]


def test_another_reader_finds_one_row_a_take_and_one_sheet_a_machine(book: Any) -> None:
    assert book.sheetnames == [
        "session", "operators", "chains", "media", "setups", "takes", "conditions", "photographs",
        "documents", "machine example-machine", "type example-model",
    ]  # fmt: skip
    takes = book["takes"]
    assert takes.max_row == 3
    header = [cell.value for cell in takes[1]]
    assert [takes.cell(2, header.index(name) + 1).value for name in ("id", "kind", "operators")] == [
        "t01", "performance", "ansa\njoho",
    ]  # fmt: skip
    assert {cell.data_type for row in takes for cell in row if cell.value} == {"s"}
    assert {cell.number_format for row in takes for cell in row if cell.value} == {"@"}


def test_another_reader_reads_the_csv(session: Session) -> None:
    tables = {csv_name(table): encode_csv(table) for table in tables_of(session)}
    rows = list(csv.DictReader(io.StringIO(tables["takes.csv"].decode("utf-8-sig"), newline="")))
    assert [row["id"] for row in rows] == ["t01", "t02"]
    assert rows[0]["operators"] == "ansa\njoho"
    assert "machines/example-machine.csv" in tables


def test_the_same_session_gives_the_same_bytes(session: Session, written: bytes) -> None:
    assert encode_workbook(tables_of(session)) == written


def column_of(book: Any, sheet: str, name: str) -> int:
    return [cell.value for cell in book[sheet][1]].index(name) + 1


def set_cell(
    name: str, value: Any, shown_as: str = "General", sheet: str = "takes"
) -> Callable[[Any], str]:
    """Put a value, as a spreadsheet program would, into the first row below the header."""

    def put(book: Any) -> str:
        cell = book[sheet].cell(2, column_of(book, sheet, name))
        cell.value = value
        cell.number_format = shown_as
        return f"{BOOK}, {sheet}!{cell.coordinate}"

    return put


def merged(book: Any) -> str:
    book["takes"].merge_cells("D2:D3")
    return f"{BOOK}, takes!D2:D3"


def header_twice(book: Any) -> str:
    book["takes"]["B1"] = "id"
    return f"{BOOK}, takes!B1"


def header_blank(book: Any) -> str:
    sheet = book["takes"]
    column = sheet.max_column + 1
    sheet.cell(2, column).value = "stray"
    return f"{BOOK}, takes!{sheet.cell(2, column).coordinate}"


def header_odd(book: Any) -> str:
    book["takes"]["D1"] = "title of it!"
    return f"{BOOK}, takes!D1"


def header_mistyped(book: Any) -> str:
    column = column_of(book, "takes", "title")
    book["takes"].cell(1, column).value = "titel"
    return f"{BOOK}, takes!{cell_name(1, column)}"


def two_fields_of_one_name(book: Any) -> str:
    sheet = book["session"]
    row = sheet.max_row + 1
    sheet.cell(row, 1).value = "session.title"
    sheet.cell(row, 2).value = "Another"
    return f"{BOOK}, session!B{row}"


def clashing_fields(book: Any) -> str:
    sheet = book["session"]
    row = sheet.max_row + 1
    sheet.cell(row, 1).value = "session.title.short"
    sheet.cell(row, 2).value = "x"
    return f"{BOOK}, session!B{row}"


def unknown_sheet(book: Any) -> str:
    book["takes"].title = "tapes"
    return f"{BOOK}, tapes"


def machine_twice(book: Any) -> str:
    book.copy_worksheet(book["machine example-machine"]).title = "machine second"
    return f"{BOOK}, machine second!B2"


def required_cell_missing(book: Any) -> str:
    book["takes"].cell(3, column_of(book, "takes", "kind")).value = None
    return f"{BOOK}, takes!A3"


BAD: dict[str, tuple[Callable[[Any], str], str, str]] = {
    "merged cells": (merged, "table-merged-cells", "merged"),
    "formula": (set_cell("title", '=CONCATENATE("a","b")'), "table-formula", "holds the formula =CONCATENATE"),
    "array formula": (set_cell("title", ArrayFormula("D2", "=SUM(A1:A2)")), "table-formula", "=SUM(A1:A2)"),
    "error value": (set_cell("title", "#REF!"), "table-error-value", "#REF!"),
    # 2 1/4 in typed as 1/4 becomes a day; a month becomes its first day.
    "quantity turned into a date": (set_cell("nominal_speed", moment("2026-04-01"), "d-mmm", "setups"), "table-reinterpreted", "2026-04-01"),
    "month turned into a day": (set_cell("date", moment("2026-04-01"), "mmm-yy", "photographs"), "table-reinterpreted", "shown as mmm-yy"),
    "moment without an offset": (set_cell("start", moment("2026-04-18T14:12:05"), "yyyy-mm-dd hh:mm:ss"), "table-reinterpreted", "2026-04-18 14:12:05"),
    "length turned into a time": (set_cell("begins", dt.time(0, 1, 2), "h:mm:ss"), "table-reinterpreted", "00:01:02"),
    "text turned into a truth value": (set_cell("title", True), "table-reinterpreted", "TRUE"),
    "quantity without its unit": (set_cell("nominal_speed", 100, sheet="setups"), "sheet-quantity", "100"),
    "half a playing": (set_cell("playings_before", 1.5), "sheet-value", "1.5"),
    "mistyped word": (set_cell("kind", "reproductoin"), "sheet-value", "did you mean `reproduction`?"),
    "impossible day": (set_cell("date", "1907-02-29", "@", "photographs"), "sheet-date", "no leap year"),
    "column twice": (header_twice, "table-header", "stands twice"),
    "value without a column": (header_blank, "table-header", "no name of a field"),
    "odd column": (header_odd, "table-header", "`title of it!`"),
    "mistyped column": (header_mistyped, "sheet-unknown-field", "nearest: `title`"),
    "field twice": (two_fields_of_one_name, "table-field-twice", "`session.title` stands twice"),
    "field within a text": (clashing_fields, "table-header", "does not go together"),
    "unknown sheet": (unknown_sheet, "table-unknown-sheet", "nearest: `takes`"),
    "machine twice": (machine_twice, "table-field-twice", "`example-machine`"),
    "required cell empty": (required_cell_missing, "sheet-missing-field", "`kind` is missing"),
}  # fmt: skip


@pytest.mark.parametrize(("change", "code", "words"), BAD.values(), ids=list(BAD))
def test_a_fault_is_told_with_its_cell(
    book: Any, change: Callable[[Any], str], code: str, words: str
) -> None:
    place = change(book)
    _, findings = read_book(book)
    (finding, *_) = [each for each in errors(*findings) if each.code == code]
    assert finding.where.file == place
    assert words in finding.message
    assert finding.remedy


def header_of_nothing(book: Any) -> str:
    column = column_of(book, "takes", "kind")
    book["takes"].cell(1, column).value = "xyz"
    return f"{BOOK}, takes!{cell_name(1, column)}"


def merged_kinds(book: Any) -> str:
    letters = cell_name(1, column_of(book, "takes", "kind"))[:-1]
    book["takes"].merge_cells(f"{letters}2:{letters}3")
    return f"{BOOK}, takes!{letters}2:{letters}3"


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (set_cell("kind", "=A1"), "table-formula"),
        (set_cell("id", "#REF!"), "table-error-value"),
        (set_cell("kind", True), "table-reinterpreted"),
        (set_cell("sample_rate", moment("2026-04-01"), "d-mmm", "chains"), "table-reinterpreted"),
        (header_of_nothing, "sheet-unknown-field"),
        (header_mistyped, "sheet-unknown-field"),
        (merged_kinds, "table-merged-cells"),
        (unknown_sheet, "table-unknown-sheet"),
    ],
)
def test_what_follows_from_a_fault_is_not_told_too(
    book: Any, change: Callable[[Any], str], code: str
) -> None:
    """A required field whose cell or column cannot be taken is there, not missing."""
    place = change(book)
    _, findings = read_book(book)
    assert [(each.code, each.where.file) for each in errors(*findings)] == [(code, place)]


def test_a_moment_that_became_a_date_is_answered_with_its_text(book: Any) -> None:
    set_cell("start", moment("2026-04-18T14:12:05"), "d.m.yyyy hh:mm")(book)
    _, findings = read_book(book)
    (finding,) = errors(*findings)
    assert "`2026-04-18T14:12:05+02:00`" in finding.accepted


@pytest.mark.parametrize("text", ["ansa, joho", "ansa; joho"])
def test_several_values_in_one_line_are_answered_with_how_to_write_them(
    book: Any, text: str
) -> None:
    set_cell("operators", text)(book)
    _, findings = read_book(book)
    (finding,) = errors(*findings)
    assert "a line of its own in the cell" in finding.remedy


@pytest.mark.parametrize(
    ("change", "code", "text"),
    [
        # A whole day that is shown as one is taken for a date.
        (set_cell("date", moment("2026-04-18"), "yyyy-mm-dd", "photographs"), "table-date-read", "2026-04-18"),
        (set_cell("date", moment("2026-04-18"), "d/m/yyyy", "photographs"), "table-date-read", "2026-04-18"),
        # A number in a text may have lost its zeros.
        (set_cell("label", 7, sheet="media"), "table-number", "7"),
        (set_cell("label", 2.1, sheet="media"), "table-number", "2.1"),
        # Nothing is lost.
        (set_cell("date", 1907, sheet="photographs"), "", "1907"),
        (set_cell("playings_before", 3), "", "3"),
        (set_cell("playings_before", 3.0), "", "3"),
        (set_cell("consent.given", False, sheet="operators"), "", "no"),
    ],
)  # fmt: skip
def test_what_can_mean_one_thing_only_is_taken(
    book: Any, change: Callable[[Any], str], code: str, text: str
) -> None:
    place = change(book)
    imported, findings = read_book(book)
    assert errors(*findings) == []
    told = [finding for finding in findings if finding.code.startswith("table-")]
    assert [finding.code for finding in told] == ([code] if code else [])
    assert all(finding.where.file == place for finding in told)
    assert text in as_yaml(imported.session)


def bomb() -> bytes:
    """A workbook whose directory says that it unpacks to 6 GiB."""
    raw = io.BytesIO()
    with zipfile.ZipFile(raw, "w", zipfile.ZIP_DEFLATED) as packed:
        for number in range(6):
            packed.writestr(f"xl/{number}.xml", b"x")
            packed.filelist[-1].file_size = 1 << 30
    return raw.getvalue()


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (lambda: b"", "is no workbook"),
        (lambda: b"id,file\n", "is no workbook"),
        (lambda: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504), "password"),
        (lambda: zipped({"a.txt": b"x"}), "cannot be read as a workbook"),
        (lambda: zipped({"[Content_Types].xml": b"<"}), "cannot be read as a workbook"),
        (bomb, "more than any session needs"),
    ],
)
def test_what_is_no_workbook_is_refused(content: Callable[[], bytes], words: str) -> None:
    tables, (finding,) = decode_workbook(content(), BOOK)
    assert tables == ()
    assert finding.code == "table-unreadable"
    assert words in finding.message


def zipped(members: dict[str, bytes]) -> bytes:
    raw = io.BytesIO()
    with zipfile.ZipFile(raw, "w") as packed:
        for name, content in members.items():
            packed.writestr(name, content)
    return raw.getvalue()


@given(st.data())
@settings(max_examples=settings().max_examples // 2)
def test_a_damaged_workbook_gives_tables_or_findings(data: st.DataObject) -> None:
    content = bytearray(SMALL)
    for _ in range(data.draw(st.integers(1, 4))):
        content[data.draw(st.integers(0, len(content) - 1))] ^= data.draw(st.integers(1, 255))
    tables, findings = decode_workbook(bytes(content), BOOK)
    read_tables(tables, BOOK)
    assert tables or findings


SMALL = encode_workbook(
    [
        Table(
            kind="takes",
            name="takes",
            rows=((Cell(value="id", row=1, column=1),), (Cell(value="t1", row=2, column=1),)),
        )
    ]
)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_csv_as_spreadsheet_programs_of_any_country_write_it(
    session: Session, delimiter: str, encoding: str
) -> None:
    files = {}
    for table in tables_of(session):
        rows = list(csv.reader(io.StringIO(encode_csv(table).decode("utf-8-sig"), newline="")))
        out = io.StringIO(newline="")
        csv.writer(out, delimiter=delimiter).writerows(rows)
        files[csv_name(table)] = out.getvalue().encode(encoding)
    tables, findings = decode_csv(files)
    assert findings == ()
    imported = read_tables(tables, "csv")
    assert imported.findings == ()
    assert session_of(imported) == without_empty(session_as_json(session))


def test_a_fault_in_csv_is_told_with_file_and_cell() -> None:
    tables, findings = decode_csv(
        {
            "takes.csv": b"id,file,kind\nt01,takes/1.wav,opera\n",
            "extra.csv": b"a\n",
            "x.csv": b"\xff",
        }
    )
    assert [finding.code for finding in findings] == ["table-unknown-sheet"] * 2
    found = read_tables(tables, "csv").findings
    (finding,) = [each for each in found if each.code == "sheet-value"]
    assert finding.where.file == "takes.csv, C2"
    _, (finding,) = decode_csv({"takes.csv": b"id\n\xff\n"})
    assert (finding.code, finding.where.line) == ("table-unreadable", 2)


def test_a_text_that_looks_like_a_formula_is_guarded_in_csv_and_comes_back() -> None:
    table = Table(
        kind="takes",
        name="takes",
        rows=(
            (Cell(value="title", row=1, column=1),),
            *((Cell(value=text, row=row, column=1),) for row, text in enumerate(FORMULAS, start=2)),
        ),
    )
    content = encode_csv(table)
    for row in list(csv.reader(io.StringIO(content.decode("utf-8-sig"), newline="")))[1:]:
        assert row[0].startswith("'")
    ((read,), _) = decode_csv({"takes.csv": content})
    assert [row[0].value for row in read.rows[1:]] == FORMULAS


FORMULAS = ["=1+1", "+1", "-1", "@x", "'quoted'", "'=1"]


def with_takes(session: Session, count: int) -> Session:
    document = session_as_json(session)
    document["takes"] = [
        {"id": f"t{n:05d}", "file": f"takes/{n:05d}.wav", "kind": "room tone"} for n in range(count)
    ]
    document["conditions"] = []
    return session_from_json(document)


def test_ten_thousand_takes_come_back(session: Session) -> None:
    many = with_takes(session, 10_000)
    tables, findings = decode_csv({csv_name(t): encode_csv(t) for t in tables_of(many)})
    imported = read_tables(tables, "csv")
    assert findings == imported.findings == ()
    assert as_yaml(imported.session).count("kind: room tone") == 10_000


def test_a_thousand_takes_come_back_from_a_workbook(session: Session) -> None:
    many = with_takes(session, 1_000)
    tables, findings = decode_workbook(encode_workbook(tables_of(many)), BOOK)
    imported = read_tables(tables, BOOK)
    assert findings == imported.findings == ()
    assert len(imported.session.entries["takes"].value.items) == 1_000  # type: ignore[union-attr]


def test_cells_are_advised_in_the_language_of_cells(book: Any) -> None:
    set_cell("kind", "reproductoin")(book)
    column = column_of(book, "takes", "title")
    book["takes"].cell(2, column).value = " "
    required_cell_missing_in = column_of(book, "photographs", "file")
    book["photographs"].cell(2, required_cell_missing_in).value = None
    _, findings = read_book(book)
    told = errors(*findings)
    assert {one.code for one in told} >= {"sheet-value", "sheet-missing-field"}
    for one in told:
        assert not re.search(r"`\w+: ", f"{one.accepted} {one.remedy}"), one
    (word,) = [one for one in told if "reproductoin" in one.message]
    assert word.remedy == "Write `reproduction` if that is meant."


def test_a_missing_sheet_is_told_as_a_sheet(book: Any) -> None:
    del book["takes"]
    _, findings = read_book(book)
    (missing,) = [one for one in errors(*findings) if one.code == "table-sheet-missing"]
    assert "there is no sheet `takes`" in missing.message
    assert "{" not in missing.accepted
    assert "!A1" not in missing.where.file
    assert not [one for one in errors(*findings) if one.code == "sheet-missing-field"]


def test_a_number_without_its_unit_is_told_once(book: Any) -> None:
    place = set_cell("nominal_speed", 100, sheet="setups")(book)
    _, findings = read_book(book)
    assert [one.code for one in findings if one.where.file == place] == ["sheet-quantity"]
