"""A dot is named in full, wherever a path is given: what it leads to has the same name as ever."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from archiver.cli.naming import named
from tests.cli.running import Runner
from tests.custody.stores import copied, small_store
from tests.package.test_signature import KEY


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    (tmp_path / "key").write_text(KEY, encoding="utf-8")
    return small_store(tmp_path / "store", 1) / "bag-0"


def test_only_a_path_without_a_name_is_put_in_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a" / "b").mkdir(parents=True)
    monkeypatch.chdir(tmp_path / "a" / "b")
    here = Path(os.path.realpath(tmp_path))

    assert named(Path()) == here / "a" / "b"
    assert named(Path("./")) == here / "a" / "b"
    assert named(Path("..")) == here / "a"
    assert named(Path("../..")) == here
    assert named(Path("../b")) == Path("../b")
    assert named(Path("b")) == Path("b")
    assert named(Path(here.anchor)) == Path(here.anchor)


@pytest.mark.parametrize("where", [".", "./", "..", "../."])
@pytest.mark.parametrize(
    "words", ["verify", "verify --sound", "verify --json", "sign --key {key}", "export --to {out}"]
)
def test_a_command_in_a_bag_names_the_bag(
    where: str, words: str, bag: Path, tmp_path: Path, run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(bag / "data" if where.startswith("..") else bag)
    command, *rest = words.format(key=tmp_path / "key", out=tmp_path / "out").split()
    ran = run(command, where, *rest)

    if command != "export":
        assert ran.status == 0, ran
        assert str(Path(os.path.realpath(bag))) in ran.out
    assert "defect" not in ran.err


def test_recovery_data_beside_the_bag_is_looked_at_from_within(
    bag: Path, run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A folder of this name that holds no volumes stands for damaged recovery data.
    beside = bag.with_name("bag-0.recovery")
    beside.mkdir()
    (beside / "bag-0.par2").write_bytes(b"damaged")
    by_name = run("verify", bag)
    monkeypatch.chdir(bag / "data")
    from_within = run("verify", "..")

    assert by_name.status == from_within.status == 3
    assert "recovery data: damaged" in from_within.out


def test_what_is_salvaged_goes_beside_the_bag_from_within(
    bag: Path, run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(bag)

    assert run("salvage", ".", "--to", "../out").status == 0
    for place in (".", "data", "../bag-0/new", "../../store/bag-0"):
        inside = run("salvage", ".", "--to", place)
        assert inside.status == 2
        assert "bag" in inside.err


def test_a_store_is_audited_and_compared_from_within(
    bag: Path, tmp_path: Path, run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = copied(bag.parent, tmp_path / "other")
    monkeypatch.chdir(bag.parent)

    assert run("audit", ".", "--ledger", tmp_path / "ledger").status == 0
    assert run("copies", ".", other).status == 0
    monkeypatch.chdir(bag)
    assert run("audit", "..", "--ledger", tmp_path / "ledger").status == 0
    refused = run("audit", ".", "--ledger", tmp_path / "ledger")
    assert refused.status == 2
    assert f"archiver audit {Path(os.path.realpath(bag.parent))} --ledger FILE" in refused.err


def test_a_session_folder_is_archived_from_within(
    tmp_path: Path, run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(Path(__file__).parents[2] / "sample_session", tmp_path / "sample")
    monkeypatch.chdir(tmp_path / "sample")

    assert run("check", ".").status == 0
