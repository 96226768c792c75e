"""What a path is, of all that the program takes and writes: each made by the program itself."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from archiver.pipeline.kinds import BESIDE_BAGS, Kind, look_at
from tests.custody.stores import small_bag, small_store
from tests.pipeline.making import make_session


@pytest.mark.parametrize(
    ("path", "kind", "owner"),
    [
        ("store", Kind.STORE, "store/bag-0"),
        ("store/bag-0", Kind.BAG, None),
        ("store/bag-0/data", Kind.IN_BAG, "store/bag-0"),
        ("store/bag-0/bagit.txt", Kind.IN_BAG, "store/bag-0"),
        ("store/bag-0/data/masters/t01.wav", Kind.SOUND, None),
        ("session", Kind.SESSION, None),
        ("session/session.yaml", Kind.SHEET, "session"),
        ("session/takes", Kind.IN_SESSION, "session"),
        ("nowhere", Kind.MISSING, None),
        ("empty", Kind.EMPTY, None),
        ("other", Kind.FOLDER, None),
        ("other/notes.txt", Kind.FILE, None),
        ("bag.tar", Kind.PACKAGE, None),
        ("bag.tar.zst.0001", Kind.PACKAGE, None),
        ("bag.tar.zst.sha256", Kind.PACKAGE, None),
        ("ledger", Kind.LEDGER, None),
        ("ledger-wal", Kind.LEDGER_PART, None),
        ("ledger.3f9a1c0de4b2a716.lock", Kind.LEDGER_PART, None),
        ("sheet.xlsx", Kind.TABLE, None),
    ],
)
def test_each_path_is_told_for_what_it_is(
    tmp_path: Path, path: str, kind: Kind, owner: str | None
) -> None:
    small_store(tmp_path / "store", 2)
    make_session(tmp_path / "session")
    (tmp_path / "empty").mkdir()
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "notes.txt").write_bytes(b"notes")
    for name in ("bag.tar", "bag.tar.zst.0001", "bag.tar.zst.sha256", "sheet.xlsx"):
        (tmp_path / name).write_bytes(b"x")
    with sqlite3.connect(tmp_path / "ledger") as made:
        made.execute("CREATE TABLE entries (number INTEGER)")
    made.close()
    for name in ("ledger-wal", "ledger.3f9a1c0de4b2a716.lock"):
        (tmp_path / name).write_bytes(b"")
    found = look_at(tmp_path / path)
    assert found.kind is kind
    assert found.owner == (None if owner is None else tmp_path / owner)


@pytest.mark.parametrize(
    "lost",
    [
        ["bagit.txt"],
        ["bagit.txt", "bag-info.txt", "manifest-sha256.txt"],
        ["bagit.txt", "bag-info.txt", "manifest-sha256.txt", "tagmanifest-sha256.txt"],
        ["data"],
    ],
)
def test_a_bag_that_lost_much_is_still_a_bag(tmp_path: Path, lost: list[str]) -> None:
    bag = small_bag(tmp_path / "bag")
    for name in lost:
        (bag / name).rename(tmp_path / name)
    assert look_at(bag).kind is Kind.BAG


def test_what_lies_beside_a_bag_is_no_bag_even_if_it_looks_like_one(tmp_path: Path) -> None:
    bag = small_bag(tmp_path / "bag")
    aside = tmp_path / f"{bag.name}.set-aside"
    small_bag(tmp_path / "other").rename(aside)
    assert look_at(aside).kind is Kind.SET_ASIDE
    assert look_at(aside).owner == bag
    assert Kind.SET_ASIDE in BESIDE_BAGS
    bag.rename(tmp_path / "moved")
    assert look_at(aside).kind is Kind.BAG
