"""Exit statuses as the README's table gives them, where the machine stands in the way or not.

The faults come from the seam, so that they are met by a user whom no permission stops, too.
"""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest

from archiver import files
from tests.cli.running import Runner
from tests.custody.stores import small_bag
from tests.faults import FaultySeam
from tests.package.test_signature import KEY, PUBLIC


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    (tmp_path / "key").write_text(KEY, encoding="utf-8")
    (tmp_path / "key.pub").write_text(f"{PUBLIC} somebody\n", encoding="utf-8")
    return small_bag(tmp_path / "bag")


def test_a_bag_with_a_file_that_cannot_be_read_is_not_established(bag: Path, run: Runner) -> None:
    seam = FaultySeam(errno=errno.EACCES, refused={("open_read", "t02.wav")})
    with files.use(seam):
        ran = run("verify", bag, "--json")
        signed = run("sign", bag, "--key", bag.parent / "key")
        protected = run("protect", bag)
    assert json.loads(ran.out)["bags"][0]["verdict"] == "cannot be established"
    assert json.loads(ran.out)["exit_status"] == ran.status == 4
    assert signed.status == protected.status == 4
    assert "could not be verified whole" in signed.out


@pytest.mark.parametrize(
    "words",
    ["verify {bag}", "protect {bag}", "heal {bag}", "salvage {bag} --to {out}", "check {bag}",
     "pack {bag} --to {out}", "export {bag} --to {out}", "sign {bag} --key {key}",
     "audit {bag} --ledger {ledger}", "copies {bag} {other}"],
)  # fmt: skip
def test_a_folder_that_cannot_be_opened_is_a_matter_of_permission(
    words: str, bag: Path, tmp_path: Path, run: Runner
) -> None:
    call = words.format(
        bag=bag,
        other=tmp_path,
        out=tmp_path / "out",
        key=tmp_path / "key",
        ledger=tmp_path / "ledger",
    )
    # What a folder without any permission refuses: to be listed, and all that would lie in it.
    names = ("bagit.txt", "bag-info.txt", "institution.yaml", "session.yaml")
    denied = {("listing", "bag"), *((o, n) for o in ("status", "open_read") for n in names)}
    with files.use(FaultySeam(errno=errno.EACCES, refused=denied)):
        ran = run(*call.split())
    assert ran.status == 4, ran
    assert os.strerror(errno.EACCES) in ran.out + ran.err


def test_the_parser_leaves_it_to_the_commands_to_open_what_is_named(
    bag: Path, run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda *_, **__: False)
    for words in (["check", bag], ["protect", bag], ["sign", bag, "--key", bag.parent / "none"]):
        ran = run(*words)
        assert "readable" not in ran.err
        assert "Usage" not in ran.err


def test_a_key_or_a_list_that_is_none_is_a_call_that_cannot_be_carried_out(
    bag: Path, tmp_path: Path, run: Runner
) -> None:
    public = run("sign", bag, "--key", tmp_path / "key.pub")
    assert public.status == 2
    assert "public key" in public.out
    listed = tmp_path / "signers"
    listed.write_text("Nobody in particular\n", encoding="utf-8")
    asked = run("verify", bag, "--signers", listed)
    assert asked.status == 2
    assert f"{listed}:1" in asked.err


def test_a_master_that_nothing_can_be_salvaged_of_is_one_that_changed(
    bag: Path, tmp_path: Path, run: Runner
) -> None:
    # The small bag has no record of the sound of its masters.
    (bag / "data" / "masters" / "t01.wav").write_bytes(b"damaged")
    assert run("salvage", bag, "--to", tmp_path / "out").status == 3


def test_a_bag_that_is_not_there_is_told_as_such_by_heal(tmp_path: Path, run: Runner) -> None:
    ran = run("heal", tmp_path / "nowhere")
    assert ran.status == run("verify", tmp_path / "nowhere").status == 4
    assert "does not exist" in ran.err
