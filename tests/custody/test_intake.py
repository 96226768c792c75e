"""Bringing what arrived into a place of its own, and setting aside what is refused."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

import pytest

from archiver import files
from archiver.custody.intake import copy_folder, move_aside, staging, sweep
from archiver.errors import ArchiverError, IntegrityError, MisuseError
from archiver.files import OperatingSystem, Status
from archiver.package.limits import Limits
from archiver.package.refusal import PackageRefusedError
from tests.custody.stores import small_bag
from tests.package.small_bags import contents


def test_a_staging_place_is_hidden_and_gone_afterwards(tmp_path: Path) -> None:
    with staging(tmp_path) as place:
        assert place.parent == tmp_path
        assert place.name.startswith(".")
        (place / "x").write_bytes(b"x")
    assert list(tmp_path.iterdir()) == []


def test_what_a_killed_run_left_is_swept_and_what_is_in_use_is_not(tmp_path: Path) -> None:
    left = tmp_path / ".receiving.00ff.unfinished"
    left.mkdir()
    (left / "x").write_bytes(b"x")
    (tmp_path / ".receiving.00ee.unfinished.lock").write_bytes(b"")
    (tmp_path / ".other.unfinished").mkdir()
    with staging(tmp_path) as place:
        sweep(tmp_path)
        assert place.exists()
        assert not left.exists()
    assert [path.name for path in tmp_path.iterdir()] == [".other.unfinished"]


def test_a_folder_is_copied_byte_for_byte_and_the_source_is_only_read(tmp_path: Path) -> None:
    bag = small_bag(tmp_path / "bag-1")
    before = {path: path.stat().st_mtime_ns for path in bag.rglob("*")}
    (tmp_path / "into").mkdir()
    told: list[int] = []
    copy = copy_folder(bag, tmp_path / "into", limits=Limits(), on_bytes=told.append)
    assert contents(copy) == contents(bag)
    assert sum(told) == sum(map(len, contents(bag).values()))
    assert {path: path.stat().st_mtime_ns for path in bag.rglob("*")} == before


@pytest.mark.parametrize(
    ("name", "code"),
    [("NUL.wav", "package-name-device"), ("a:b", "package-name-character")],
)
def test_names_that_some_systems_refuse_are_refused(tmp_path: Path, name: str, code: str) -> None:
    bag = small_bag(tmp_path / "bag-1")
    (bag / "data" / name).write_bytes(b"")
    (tmp_path / "into").mkdir()
    with pytest.raises(PackageRefusedError) as refused:
        copy_folder(bag, tmp_path / "into", limits=Limits())
    assert refused.value.finding.code == code
    assert list((tmp_path / "into").iterdir()) == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes cannot be made here")
def test_a_pipe_is_refused_and_never_opened(tmp_path: Path) -> None:
    bag = small_bag(tmp_path / "bag-1")
    os.mkfifo(bag / "data" / "pipe")
    (tmp_path / "into").mkdir()
    with pytest.raises(PackageRefusedError) as refused:
        copy_folder(bag, tmp_path / "into", limits=Limits())
    assert refused.value.finding.code == "package-entry-unknown"


class _TwoDisks(OperatingSystem):
    """The real file system, on which what lies below ``other`` is another disk."""

    def status(self, path: Path | str) -> Status:
        found = super().status(path)
        return replace(found, device=found.device + 1) if "other" in Path(path).parts else found


class _BadCopies(_TwoDisks):
    """A disk on which what is read back is not what was written."""

    def fsync(self, file: BinaryIO) -> None:
        file.seek(0)
        file.write(b"?")
        super().fsync(file)


def test_moving_aside_within_a_disk_is_one_step(tmp_path: Path) -> None:
    bag = small_bag(tmp_path / "bag-1")
    before = contents(bag)
    move_aside(bag, tmp_path / "quarantine" / "R-1" / "bag-1")
    assert not bag.exists()
    assert contents(tmp_path / "quarantine" / "R-1" / "bag-1") == before


def test_moving_aside_to_another_disk_copies_compares_and_then_removes(tmp_path: Path) -> None:
    bag, file = small_bag(tmp_path / "bag-1"), tmp_path / "a.tar"
    file.write_bytes(b"package" * 1000)
    before = contents(bag)
    with files.use(_TwoDisks()):
        move_aside(bag, tmp_path / "other" / "R-1" / "bag-1")
        move_aside(file, tmp_path / "other" / "R-2" / "a.tar")
    assert not bag.exists()
    assert not file.exists()
    assert contents(tmp_path / "other" / "R-1" / "bag-1") == before
    assert (tmp_path / "other" / "R-2" / "a.tar").read_bytes() == b"package" * 1000


def test_a_bad_copy_on_another_disk_leaves_everything_where_it_was(tmp_path: Path) -> None:
    file = tmp_path / "a.tar"
    file.write_bytes(b"package" * 1000)
    with files.use(_BadCopies()), pytest.raises(IntegrityError, match="not what was written"):
        move_aside(file, tmp_path / "other" / "a.tar")
    assert file.read_bytes() == b"package" * 1000
    assert list((tmp_path / "other").iterdir()) == []


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="links cannot be made here")
def test_a_link_is_not_carried_to_another_disk_and_the_folder_stays(tmp_path: Path) -> None:
    bag = small_bag(tmp_path / "bag-1")
    (bag / "link").symlink_to(tmp_path)
    with files.use(_TwoDisks()), pytest.raises(MisuseError, match="on the same disk"):
        move_aside(bag, tmp_path / "other" / "bag-1")
    assert (bag / "link").is_symlink()
    assert list((tmp_path / "other").iterdir()) == []


def test_a_name_that_is_taken_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"a")
    (tmp_path / "b").write_bytes(b"b")
    with pytest.raises(ArchiverError):
        move_aside(tmp_path / "a", tmp_path / "b")
    assert (tmp_path / "b").read_bytes() == b"b"
