"""Bad input: each with its own words and exit status, nothing partial, nothing changed."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.running import Runner
from tests.pipeline.making import (
    chunk,
    fmt,
    make_session,
    riff,
    snapshot,
    sound,
    take,
    write_sheet,
    write_take,
)

Case = Callable[[Path], None]


def edited(old: str, new: str) -> Case:
    """A session whose sheet has one text in place of another."""

    def make(folder: Path) -> None:
        def edit(text: str) -> str:
            assert old in text
            return text.replace(old, new, 1)

        make_session(folder, takes=2, edit=edit)

    return make


def captured(raw: bytes) -> Case:
    """A session whose only capture has these bytes."""

    def make(folder: Path) -> None:
        write_sheet(folder, [take("t1", "takes/t1.wav")])
        (folder / "takes/t1.wav").write_bytes(raw)

    return make


def truncated_flac(folder: Path) -> None:
    write_sheet(folder, [take("t1", "takes/t1.flac")])
    write_take(folder / "takes/t1.flac", sound(2))
    path = folder / "takes/t1.flac"
    path.write_bytes(path.read_bytes()[:-20_000])


def stray_take(folder: Path) -> None:
    make_session(folder)
    write_take(folder / "takes/extra.wav", sound(0.1))


def missing_take(folder: Path) -> None:
    make_session(folder, takes=2)
    (folder / "takes/t2.wav").unlink()


def no_sheet(folder: Path) -> None:
    make_session(folder)
    (folder / "session.yaml").unlink()


SOUND = chunk(b"data", bytes(3 * 4800))
SECOND_TAKE = "id: t2\n    file: takes/t2.wav\n    kind: room tone"
CASES: dict[str, tuple[Case, str, str]] = {
    # name: (session, code of the finding, words that it must hold)
    "truncated WAV": (captured(riff(fmt(), SOUND)[:-1000]), "capture-truncated", "declare"),
    "no sound": (captured(riff(fmt(), chunk(b"data", b""))), "capture-no-samples", "sample"),
    "no data chunk": (captured(riff(fmt())), "capture-unusable", "data"),
    "no fmt chunk": (captured(riff(SOUND)), "capture-unusable", "fmt"),
    "zero channels": (captured(riff(fmt(channels=0), SOUND)), "capture-unusable", "nChannels is 0"),
    "not audio": (captured(b"%PDF-1.4 and so on" * 20), "capture-unusable", "PDF"),
    "empty file": (captured(b""), "capture-unusable", "empty"),
    "text in place of sound": (captured(b"hello " * 50), "capture-unusable", "no sound file"),
    "truncated FLAC": (truncated_flac, "capture-truncated", "decoding stops at frame"),
    "missing take": (missing_take, "take-file-missing", "takes/t2.wav"),
    "take listed twice": (edited("id: t2", "id: t1"), "take-listed-twice", "t1"),
    "two takes with one file": (
        edited("file: takes/t2.wav", "file: takes/t1.wav"),
        "take-file-shared",
        "takes/t1.wav",
    ),
    "broken YAML": (edited("title: Prøve", "title: [Prøve"), "sheet-syntax", ""),
    "unknown setup": (
        edited(SECOND_TAKE, SECOND_TAKE + "\n    setup: s9"),
        "sheet-unknown-reference",
        "s9",
    ),
    "source take does not exist": (
        edited(SECOND_TAKE, SECOND_TAKE.replace("room tone", "reproduction\n    reproduces: t9")),
        "sheet-unknown-reference",
        "t9",
    ),
    "a day that does not exist": (
        edited("date: 2026-05-03", "date: 2026-02-30"),
        "sheet-date",
        "2026-02-30",
    ),
    "no sheet": (no_sheet, "folder-no-sheet", "session.yaml"),
    "mistyped field": (edited("  purpose:", "  purpos:"), "sheet-unknown-field", "purpose"),
}


@pytest.mark.parametrize("name", CASES)
def test_bad_input_is_named_and_leaves_nothing(name: str, run: Runner, tmp_path: Path) -> None:
    make, code, words = CASES[name]
    folder = tmp_path / "session"
    make(folder)
    before = snapshot(folder)
    checked = run("check", folder, "--json")
    found = [f for f in json.loads(checked.out)["findings"] if f["severity"] == "error"]
    assert checked.status == 1
    assert code in {finding["code"] for finding in found}, found
    (finding, *_) = [finding for finding in found if finding["code"] == code]
    assert words in json.dumps(finding, ensure_ascii=False)
    assert finding["where"]["file"]
    assert finding["remedy"]
    ran = run("archive", folder, "--to", tmp_path / "archive")
    assert ran.status == 1
    assert ran.out == ""
    assert "Traceback" not in ran.err
    assert code in ran.err
    assert not (tmp_path / "archive").exists()
    assert snapshot(folder) == before


def test_a_take_file_that_is_not_in_the_sheet_is_told(run: Runner, tmp_path: Path) -> None:
    stray_take(tmp_path / "s")
    ran = run("check", tmp_path / "s")
    assert "takes/extra.wav" in ran.out
