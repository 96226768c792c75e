"""No command writes into a bag, whatever it is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from archiver.cli.outputs import outside_bags
from archiver.errors import MisuseError
from tests.cli.running import Runner
from tests.custody.stores import small_bag

COMMANDS = (
    "new {inside}",
    "institution new {inside}",
    "archive {session} --to {inside}",
    "archive {session} --to {held}",
    "sheet export {session} {inside}.xlsx",
    "sheet import {table} {inside}",
    "page {bag} --to {inside}.html",
    "export {bag} --to {inside}",
    "pack {bag} --to {inside}",
    "unpack {package} --to {inside}",
    "salvage {bag} --to {inside}",
)


@pytest.mark.parametrize("command", COMMANDS)
def test_nothing_is_written_into_a_bag_that_is_held(
    run: Runner, tmp_path: Path, command: str
) -> None:
    held = small_bag(tmp_path / "held", 1)
    session = tmp_path / "session"
    session.mkdir()
    (session / "session.yaml").write_text("schema: session 1\n", encoding="utf-8")
    (tmp_path / "package.tar").write_bytes(b"")
    places = {
        "held": held,
        "inside": held / "data" / "some" / "more",
        "bag": small_bag(tmp_path / "bag", 2),
        "session": session,
        "table": tmp_path / "table.xlsx",
        "package": tmp_path / "package.tar",
    }
    before = sorted(tmp_path.rglob("*"))
    ran = run(*(word.format_map(places) for word in command.split()))
    assert ran.status == 2
    assert "which nothing may be added to" in ran.err.replace("\n", " ")
    assert sorted(tmp_path.rglob("*")) == before


def test_a_damaged_bag_and_one_behind_a_link_are_bags(tmp_path: Path) -> None:
    held = small_bag(tmp_path / "held", 1)
    (held / "bagit.txt").unlink()
    (tmp_path / "link").symlink_to(held / "data", target_is_directory=True)
    for path in (held, held / "x", tmp_path / "link" / "a" / "b"):
        with pytest.raises(MisuseError, match="nothing may be added"):
            outside_bags(path, "--to")
    outside_bags(tmp_path / "beside" / "x", "--to")
