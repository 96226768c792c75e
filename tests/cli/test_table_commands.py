"""Spreadsheets and questions on the command line."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import openpyxl
import pytest

from archiver.session import load_session
from tests.cli.running import Runner
from tests.pipeline.making import snapshot
from tests.session.folders import edit, whole_session


@pytest.mark.parametrize("target", ["session.xlsx", "tables"])
def test_a_session_comes_back_from_a_spreadsheet(
    run: Runner, sample_session: Path, tmp_path: Path, target: str
) -> None:
    ran = run("sheet", "export", sample_session, tmp_path / target)
    assert ran.status == 0, ran.err
    ran = run("sheet", "import", tmp_path / target, tmp_path / "again")
    assert ran.status == 0, ran.err
    assert "session.yaml" in ran.out
    first, second = load_session(sample_session).session, load_session(tmp_path / "again").session
    assert first is not None
    assert first == second


def test_an_export_names_the_folder_and_how_to_fill_cells(
    run: Runner, sample_session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    ran = run("sheet", "export", sample_session, "session.xlsx")
    assert ran.out.startswith(f"Wrote into {tmp_path}:\n")
    assert "Several values in one cell stand one a line" in " ".join(ran.out.split())


def test_nothing_is_overwritten(run: Runner, sample_session: Path, tmp_path: Path) -> None:
    book = tmp_path / "session.xlsx"
    run("sheet", "export", sample_session, book)
    run("sheet", "import", book, tmp_path / "again")
    before = snapshot(tmp_path)
    assert run("sheet", "export", sample_session, book).status == 2
    ran = run("sheet", "import", book, tmp_path / "again")
    assert ran.status == 2
    assert "session.yaml" in ran.err
    assert snapshot(tmp_path) == before


def test_captures_may_lie_in_the_folder_already(
    run: Runner, sample_session: Path, tmp_path: Path
) -> None:
    run("sheet", "export", sample_session, tmp_path / "session.xlsx")
    (tmp_path / "s" / "takes").mkdir(parents=True)
    (tmp_path / "s" / "takes" / "0002.wav").write_bytes(b"RIFF")
    ran = run("sheet", "import", tmp_path / "session.xlsx", tmp_path / "s")
    assert ran.status == 0
    told = ran.out.partition("The spreadsheet names files but holds none.")[2].split()
    assert {"takes/0001.flac", "photographs/vesterholm-b.png"} <= {*told}
    assert "takes/0002.wav" not in told
    assert (tmp_path / "s" / "takes" / "0002.wav").read_bytes() == b"RIFF"


def test_a_fault_names_its_cell_and_writes_nothing(
    run: Runner, sample_session: Path, tmp_path: Path
) -> None:
    path = tmp_path / "session.xlsx"
    run("sheet", "export", sample_session, path)
    book = openpyxl.load_workbook(path)
    book["takes"]["C3"] = "=A1"
    book["takes"].merge_cells("D2:D4")
    book.save(path)
    ran = run("sheet", "import", path, tmp_path / "s", "--json")
    assert ran.status == 1
    found = {f["where"]["file"]: f["code"] for f in json.loads(ran.out)["findings"]}
    assert found["session.xlsx, takes!C3"] == "table-formula"
    assert found["session.xlsx, takes!D2:D4"] == "table-merged-cells"
    assert not (tmp_path / "s").exists()
    assert "Nothing was written" in run("sheet", "import", path, tmp_path / "s").out


def test_a_sheet_with_faults_of_form_is_not_exported(run: Runner, tmp_path: Path) -> None:
    folder = whole_session(tmp_path / "s")
    edit(folder, "session.yaml", "  purpose:", "  purpos:")
    ran = run("sheet", "export", folder, tmp_path / "x.xlsx")
    assert ran.status == 1
    assert "sheet-unknown-field" in ran.out
    assert not (tmp_path / "x.xlsx").exists()


@pytest.mark.parametrize("name", ["nowhere.xlsx", "table.ods", "takes.csv"])
def test_what_is_no_spreadsheet_is_misuse(run: Runner, tmp_path: Path, name: str) -> None:
    if not name.startswith("nowhere"):
        (tmp_path / name).write_bytes(b"x")
    ran = run("sheet", "import", tmp_path / name, tmp_path / "s")
    assert ran.status == (4 if name.startswith("nowhere") else 2)
    assert "Traceback" not in ran.err


def test_an_empty_folder_holds_no_tables(run: Runner, tmp_path: Path) -> None:
    (tmp_path / "csv").mkdir()
    ran = run("sheet", "import", tmp_path / "csv", tmp_path / "s")
    assert ran.status == 1
    assert "no CSV file" in ran.err


def test_without_a_terminal_nobody_is_asked(
    run: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with (tmp_path / "answers").open("w+", encoding="utf-8") as answers:
        monkeypatch.setattr(sys, "stdin", answers)
        ran = run("new", tmp_path / "s", "--ask")
    assert ran.status == 2
    assert "not a terminal" in ran.err
    assert not (tmp_path / "s").exists()
