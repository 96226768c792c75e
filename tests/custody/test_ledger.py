"""The ledger: what it refuses, what it finds in itself, and what it exports.

Judges: the sqlite3 module and SQL alone do the damage; the canonical form is compared with
the examples of RFC 8785; the exports are checked with jsonschema and the official PREMIS 3.0
XML schema.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator
from lxml import etree

from archiver import files
from archiver.custody.entry import Draft, EntryKind, canonical, moment_text
from archiver.custody.ledger import Head, Ledger, open_ledger
from archiver.custody.ledger_check import LedgerReport, verify_ledger
from archiver.custody.ledger_export import json_lines, premis_events
from archiver.errors import (
    ArchiverError,
    DefectError,
    IntegrityError,
    MisuseError,
    SurroundingsError,
)
from archiver.schema_store import schema
from tests.custody.ledgers import MOMENT, check_draft, check_facts, make_ledger, tamper
from tests.describe import official
from tests.faults import FaultySeam, ProcessDeathError


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return make_ledger(tmp_path / "ledger.sqlite3")


def verified(path: Path, expected: Head | None = None) -> LedgerReport:
    with open_ledger(path, read_only=True) as ledger:
        return verify_ledger(ledger, expected=[expected] if expected else ())


def found(path: Path, expected: Head | None = None) -> list[tuple[str, str]]:
    return [(f.code, f.where.field) for f in verified(path, expected).findings]


def head_of(path: Path) -> Head:
    with open_ledger(path, read_only=True) as ledger:
        head = ledger.head()
    assert head is not None
    return head


def test_an_untouched_ledger_is_intact_and_states_its_last_entry(path: Path) -> None:
    report = verified(path, head_of(path))
    assert report.intact
    assert report.entries == 8
    assert report.head == head_of(path)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET bag = 'other' WHERE number = 3",
        "DELETE FROM entries WHERE number = 3",
        "INSERT INTO entries VALUES (99, '', '', '', '', '', 'p', 'd')",
        "INSERT OR REPLACE INTO entries VALUES (3, '', '', '', '', '', 'p', 'd')",
    ],
)
def test_the_file_itself_refuses_changes(path: Path, statement: str) -> None:
    connection = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="ledger"):
        connection.execute(statement)
    connection.close()
    assert verified(path).intact


@pytest.mark.parametrize(
    "column", ["moment", "kind", "store", "bag", "facts", "previous", "digest"]
)
def test_an_edited_column_is_named(path: Path, column: str) -> None:
    value = '{"verdict":"intact"}' if column == "facts" else "c" * 64
    tamper(path, f"UPDATE entries SET {column} = ? WHERE number = 4", values=(value,))  # noqa: S608 - a column of ours
    assert found(path) == [("ledger-entry-edited", "entry 4")]


def test_facts_that_are_no_json_any_more_are_named(path: Path) -> None:
    tamper(path, "UPDATE entries SET facts = '{' WHERE number = 4")
    assert found(path) == [("ledger-entry-edited", "entry 4")]


@pytest.mark.parametrize("number", [1, 4, 8])
def test_a_removed_entry_is_named(path: Path, number: int) -> None:
    tamper(path, f"DELETE FROM entries WHERE number = {number}")  # noqa: S608 - a number of ours
    assert found(path) == [("ledger-entry-removed", f"entry {number}")]


def test_two_exchanged_entries_are_named(path: Path) -> None:
    tamper(
        path,
        "UPDATE entries SET number = 1000 WHERE number = 3",
        "UPDATE entries SET number = 3 WHERE number = 6",
        "UPDATE entries SET number = 6 WHERE number = 1000",
    )
    assert ("ledger-entry-reordered", "entry 3") in found(path)
    assert ("ledger-entry-reordered", "entry 6") in found(path)


def test_an_entry_written_anew_with_its_digest_breaks_the_chain_after_it(path: Path) -> None:
    forge(path, 4)
    assert found(path) == [("ledger-entry-rewritten", "entry 4")]


def test_a_ledger_written_anew_from_some_entry_on_is_found_by_a_stated_entry(path: Path) -> None:
    stated = head_of(path)
    forge(path, 4)
    for number in range(5, 9):
        forge(path, number, chained=True)
    assert found(path) == []
    assert found(path, stated) == [("ledger-head-differs", "entry 8")]


def test_removed_newest_entries_are_found_by_a_stated_entry_even_without_the_counter(
    path: Path,
) -> None:
    stated = head_of(path)
    tamper(
        path,
        "DELETE FROM entries WHERE number > 6",
        "UPDATE sqlite_sequence SET seq = 6",
    )
    assert found(path) == []
    assert found(path, stated) == [("ledger-head-differs", "entry 8")]


def test_missing_triggers_are_told(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("DROP TRIGGER entries_stay")
    connection.close()
    assert [code for code, _ in found(path)] == ["ledger-unguarded"]
    assert verified(path).as_written


def test_a_trigger_that_does_nothing_is_no_guard(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("DROP TRIGGER entries_stay")
    connection.execute("CREATE TRIGGER entries_stay BEFORE DELETE ON entries BEGIN SELECT 1; END")
    connection.close()
    (finding,) = verified(path).findings
    assert finding.code == "ledger-unguarded"
    assert "is another one now" in finding.message


def test_an_entry_of_a_number_far_away_is_all_that_is_told(path: Path) -> None:
    tamper(path, "UPDATE entries SET number = 2000 WHERE number = 4")
    assert found(path) == [("ledger-entry-reordered", "entry 2000")]
    assert "this is entry 4" in verified(path).findings[0].message


def test_findings_are_in_the_order_of_the_entries_and_long_runs_are_one(tmp_path: Path) -> None:
    path = make_ledger(tmp_path / "long.sqlite3", 120)
    tamper(
        path,
        "UPDATE entries SET bag = 'x' WHERE number IN (2, 10, 100)",
        "UPDATE entries SET bag = 'x' WHERE number BETWEEN 20 AND 40",
        "DELETE FROM entries WHERE number BETWEEN 50 AND 90",
    )
    assert found(path) == [
        ("ledger-entry-edited", "entry 2"),
        ("ledger-entry-edited", "entry 10"),
        ("ledger-entry-edited", "entries 20 to 40"),
        ("ledger-entry-removed", "entries 50 to 90"),
        ("ledger-entry-edited", "entry 100"),
    ]


def test_of_a_long_ledger_the_newest_entries_can_be_verified_alone(path: Path) -> None:
    def newest(count: int) -> list[tuple[str, str]]:
        with open_ledger(path, read_only=True) as ledger:
            report = verify_ledger(ledger, newest=count)
        assert report.entries == min(count, 8)
        return [(finding.code, finding.where.field) for finding in report.findings]

    assert [newest(count) for count in (1, 3, 8, 9)] == [[]] * 4
    forge(path, 4)
    assert newest(3) == []
    assert newest(4) == newest(5) == [("ledger-entry-rewritten", "entry 4")]


def forge(path: Path, number: int, *, chained: bool = False) -> None:
    """Write an entry anew with a digest that belongs to it."""
    with open_ledger(path, read_only=True) as ledger:
        rows = {entry.number: entry for entry in ledger.entries()}
    row = rows[number]
    previous = rows[number - 1].digest if chained else row.previous
    facts = json.loads(row.facts) | {"bytes_read": 999}
    whole = {
        "number": number,
        "moment": row.moment,
        "kind": row.kind,
        "store": row.store,
        "bag": row.bag,
        "facts": facts,
        "previous": previous,
    }
    text = json.dumps(whole, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    tamper(
        path,
        "UPDATE entries SET facts = ?, previous = ?, digest = ? WHERE number = ?",
        values=(json.dumps(facts), previous, hashlib.sha256(text.encode()).hexdigest(), number),
    )


def test_canonical_form_agrees_with_rfc_8785() -> None:
    # RFC 8785 section 3.2.3 sorts these members of its example so; 3.2.2.2 gives the escapes.
    # Of that text the parts that the ledger lets in (from memory, checked by the rules there).
    assert canonical({"literals": [None, True, False], "b": '€$\u000f\nA\'B"\\\\"/'}) == (
        '{"b":"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/","literals":[null,true,false]}'.encode()
    )


@pytest.mark.parametrize("value", [1.5, 2**53, b"x", {"ä": 1}, {1: 1}])
def test_facts_without_one_form_are_refused(value: object) -> None:
    with pytest.raises(DefectError):
        canonical({"fact": value})


def test_moments_are_in_utc_and_sort_as_text() -> None:
    from datetime import datetime

    moment = datetime.fromisoformat("2026-04-18T01:00:00.5+02:00")
    assert moment_text(moment) == "2026-04-17T23:00:00.500Z"


def test_each_line_of_the_export_is_valid_and_recomputes(path: Path) -> None:
    validator = Draft202012Validator(schema("ledger"))
    Draft202012Validator.check_schema(schema("ledger"))
    with open_ledger(path, read_only=True) as ledger:
        lines = list(json_lines(ledger.entries()))
    previous = "0" * 64
    for line in lines:
        entry = json.loads(line)
        validator.validate(entry)
        assert entry["previous"] == previous
        previous = entry.pop("digest")
        text = json.dumps(entry, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert hashlib.sha256(text.encode()).hexdigest() == previous
    assert len(lines) == 8


def test_the_schema_refuses_an_entry_of_another_form() -> None:
    validator = Draft202012Validator(schema("ledger"))
    entry = {
        "number": 1,
        "moment": MOMENT,
        "kind": "check",
        "store": "s",
        "bag": "b",
        "facts": check_facts(),
        "previous": "0" * 64,
        "digest": "0" * 64,
    }
    assert validator.is_valid(entry)
    for broken in (
        entry | {"kind": "guess"},
        entry | {"facts": check_facts("perhaps")},
        entry | {"facts": check_facts() | {"more": 1}},
        entry | {"number": 0},
        entry | {"more": 1},
    ):
        assert not validator.is_valid(broken)


def test_premis_export_is_valid_and_tells_outcomes(tmp_path: Path, official_schemas: Path) -> None:
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        ledger.append(
            Draft(kind=EntryKind.AUDIT_BEGUN, store="/vault/a", moment=MOMENT, facts={}),
            check_draft(),
            check_draft(
                verdict="changed",
                findings=[
                    {
                        "code": "bag-file-missing",
                        "severity": "error",
                        "where": "data/\x01.wav",
                        "message": "<&>",
                    }
                ],
            ),
            check_draft(verdict="complete"),
            Draft(
                kind=EntryKind.REPAIRED,
                store="/vault/a",
                bag="bag-1",
                moment=MOMENT,
                facts={"path": "data/a.wav"},
            ),
        )
        document = premis_events(ledger.entries(), program="archiver", version="1")
    root = etree.fromstring(document)
    official.schema(official_schemas, "premis/premis-v3-0.xsd").assertValid(root)
    premis = {"p": "http://www.loc.gov/premis/v3"}
    assert root.xpath("//p:eventType/text()", namespaces=premis) == ["fixity check"] * 3 + [
        "recovery"
    ]
    assert root.xpath("//p:eventOutcome/text()", namespaces=premis) == [
        "success",
        "fail",
        "warning",
        "success",
    ]


def test_a_group_of_entries_is_there_as_a_whole_or_not_at_all(path: Path) -> None:
    with open_ledger(path) as ledger:
        with pytest.raises(DefectError):
            ledger.append(check_draft("good"), check_draft("bad", weight=1.5))
        assert [entry.bag for entry in ledger.entries(after=8)] == []
        ledger.append(check_draft("later"))
    assert verified(path).entries == 9


def test_what_is_no_ledger_is_refused(tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("no database " * 100, encoding="utf-8")
    with pytest.raises(IntegrityError, match="cannot be read as a ledger"):
        open_ledger(text)
    other = tmp_path / "other.sqlite3"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE things (name TEXT)")
    connection.commit()
    connection.close()
    with pytest.raises(MisuseError, match="no ledger"):
        open_ledger(other)
    with pytest.raises(ArchiverError, match="does not exist"):
        open_ledger(tmp_path / "absent", read_only=True)


def test_a_head_that_is_none_is_refused() -> None:
    with pytest.raises(MisuseError):
        Head.parse("12")
    assert Head.parse(f"12:{'a' * 64}") == Head(number=12, digest="a" * 64)


WRITER = """
import sys
from pathlib import Path
from archiver.custody.ledger import open_ledger
from tests.describe import official
from tests.custody.ledgers import check_draft
with open_ledger(Path(sys.argv[1])) as ledger:
    for number in range(int(sys.argv[3])):
        ledger.append(check_draft(f"{sys.argv[2]}-{number}"), durable=False)
"""


def test_writers_in_several_processes_make_one_chain(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite3"
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(path), str(name), "40"])
        for name in range(4)
    ]
    assert [writer.wait(60) for writer in writers] == [0] * 4
    report = verified(path)
    assert report.intact
    assert report.entries == 160


def test_a_writer_killed_at_any_moment_leaves_a_whole_chain(tmp_path: Path) -> None:
    path = make_ledger(tmp_path / "ledger.sqlite3")
    for delay_s in (0.25, 0.3, 0.35):
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(path), "k", "1000000"])
        try:
            writer.wait(delay_s)
        except subprocess.TimeoutExpired:
            writer.kill()
        writer.wait()
        assert verified(path).intact


def appended(seam: FaultySeam, path: Path) -> None:
    with files.use(seam), open_ledger(path) as ledger:
        ledger.append(check_draft("a"), check_draft("b"))


@pytest.mark.parametrize("number", [errno.EIO, 0])
def test_a_fault_at_any_statement_leaves_both_entries_or_none(tmp_path: Path, number: int) -> None:
    fresh = make_ledger(tmp_path / "fresh.sqlite3", 2).read_bytes()
    injected = 0
    for at in range(1, 200):
        path = tmp_path / f"{number}-{at}.sqlite3"
        path.write_bytes(fresh)
        seam = FaultySeam(fail_at=at, errno=number)
        with contextlib.suppress(ArchiverError, ProcessDeathError):
            appended(seam, path)
        report = verified(path)
        assert report.intact
        assert report.entries in {2, 4}
        if not seam.injected:
            assert report.entries == 4
            break
        injected += 1
    assert injected > 8


def test_notes_of_a_check_under_way_are_kept_and_forgotten(path: Path) -> None:
    with open_ledger(path) as ledger:
        ledger.note("run", "bag", [("data/a", 1, 2, "{}")])
        assert ledger.notes("run", "bag") == {"data/a": (1, 2, "{}")}
        ledger.append(check_draft("bag"), forget="run")
        assert ledger.notes("run", "bag") == {}
    assert verified(path).intact


def test_a_ledger_is_read_where_nothing_can_be_written(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A medium without room for the shared files of writers: SQLite then cannot open it."""
    opened: list[str] = []
    connect = sqlite3.connect

    def refuse(where: str, **options: object) -> sqlite3.Connection:
        opened.append(where)
        if "immutable" not in where:
            return connect(":memory:", factory=_Unopened)
        return connect(where, **options)  # type: ignore[call-overload,no-any-return]

    monkeypatch.setattr(sqlite3, "connect", refuse)
    with open_ledger(path, read_only=True) as ledger:
        assert verify_ledger(ledger).entries == 8
    assert len(opened) == 2


def test_entries_in_a_log_that_cannot_be_read_are_not_left_out_without_a_word(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path.with_name(f"{path.name}-wal").write_bytes(b"entries")
    connect = sqlite3.connect

    def refuse(where: str, **options: object) -> sqlite3.Connection:
        del where, options
        return connect(":memory:", factory=_Unopened)

    monkeypatch.setattr(sqlite3, "connect", refuse)
    with pytest.raises(SurroundingsError, match="-wal"):
        open_ledger(path, read_only=True)


class _Unopened(sqlite3.Connection):
    def execute(self, *arguments: object) -> sqlite3.Cursor:
        del arguments
        raise sqlite3.OperationalError("unable to open database file")


def beside(path: Path) -> dict[str, tuple[bytes, int]]:
    return {
        one.name: (one.read_bytes(), one.stat().st_mtime_ns)
        for one in path.parent.glob(f"{path.name}*")
    }


def test_reading_leaves_no_file_beside_the_ledger_and_changes_no_byte(path: Path) -> None:
    """The files that writers share (sqlite.org/wal.html) are gone when the last one closes."""
    before = beside(path)
    assert list(before) == [path.name]
    assert verified(path).intact
    assert beside(path) == before


def test_what_is_read_cannot_be_changed(path: Path) -> None:
    with open_ledger(path, read_only=True) as ledger, pytest.raises(ArchiverError):
        ledger.append(check_draft("bag-9"))
    assert verified(path).entries == 8


def test_a_reader_leaves_the_files_of_a_writer_alone(path: Path) -> None:
    with open_ledger(path) as writer:
        writer.append(check_draft("bag-9"))
        assert verified(path).entries == 9
        names = {one.name for one in path.parent.glob(f"{path.name}*")}
        assert names == {path.name, f"{path.name}-wal", f"{path.name}-shm"}
        writer.append(check_draft("bag-10"))
    assert verified(path).entries == 10


def test_the_log_of_a_writer_that_died_is_read_and_not_worked_in(
    path: Path, tmp_path: Path
) -> None:
    """Its last entries stand in the log alone; reading is no repair."""
    died = tmp_path / "died"
    died.mkdir()
    with open_ledger(path) as writer:
        writer.append(check_draft("bag-9"))
        for one in path.parent.glob(f"{path.name}*"):
            shutil.copy2(one, died)
    held = died / path.name
    kept = {name: beside(held)[name] for name in (path.name, f"{path.name}-wal")}
    assert verified(held).entries == 9
    assert {name: beside(held)[name] for name in kept} == kept


def test_ledger_is_a_context(path: Path) -> None:
    ledger = open_ledger(path, read_only=True)
    assert isinstance(ledger, Ledger)
    with ledger:
        assert ledger.head() is not None
    with pytest.raises(ArchiverError):
        ledger.head()


def steps_of(ledger: Ledger, bag: str) -> int:
    """Steps of SQLite's machine to look up what is known of a bag."""
    steps = 0

    def count() -> int:
        nonlocal steps
        steps += 1
        return 0

    ledger._connection.set_progress_handler(count, 1)
    try:
        ledger.reference(bag, "/vault/a")
        list(ledger.entries(bag=bag, store="/vault/a"))
    finally:
        ledger._connection.set_progress_handler(None, 0)
    return steps


@pytest.mark.parametrize("bag", ["bag-0", "bag-never-seen"])
def test_what_is_known_of_a_bag_is_found_at_once_however_long_the_ledger(
    tmp_path: Path, bag: str
) -> None:
    """Otherwise the checks of a store would go through each other: ten thousand, squared."""
    taken = []
    for count in (20, 400):
        with open_ledger(make_ledger(tmp_path / f"{count}.sqlite3", count)) as ledger:
            taken.append(steps_of(ledger, bag))
    assert 0 < taken[1] <= taken[0] + 5
