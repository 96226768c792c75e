"""Exit statuses as the README's table gives them, where the machine stands in the way or not.

The faults come from the seam, so that they are met by a user whom no permission stops, too.
"""

from __future__ import annotations

import errno
import io
import json
import os
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from jsonschema import Draft202012Validator

from archiver import files
from archiver.schema_store import schema
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
    assert "could not be" in " ".join(signed.out.split())


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


@pytest.mark.parametrize(
    "words",
    ["copies {gone} {gone}", "heal {gone}", "salvage {gone} --to {out}", "ledger verify {gone}",
     "audit {gone} --ledger {out}", "ledger export {gone}", "check --explain no-such-rule",
     "sign {bag} --key {gone}", "ledger accept {gone} a b --reason c"],
)  # fmt: skip
def test_an_error_is_told_to_machines_in_one_form(
    words: str, bag: Path, tmp_path: Path, run: Runner
) -> None:
    call = words.format(gone=tmp_path / "gone", out=tmp_path / "out", bag=bag)
    ran = run(*call.split(), "--json")
    facts = json.loads(ran.out)
    Draft202012Validator(schema("error")).validate(facts)
    assert facts["exit_status"] == ran.status > 0


@pytest.mark.usefixtures("bag")
def test_what_is_accepted_in_a_ledger_is_told_to_machines(tmp_path: Path, run: Runner) -> None:
    ledger = tmp_path / "ledger.sqlite3"
    assert run("audit", tmp_path, "--ledger", ledger).status == 0
    ran = run("ledger", "accept", ledger, tmp_path, "bag", "--reason", "Trial", "--json")
    facts = json.loads(ran.out)
    Draft202012Validator(schema("accept-report")).validate(facts)
    assert facts["bag"] == "bag"
    export = run("ledger", "export", ledger, "--json").out
    assert export == run("ledger", "export", ledger).out
    last = [json.loads(line) for line in export.splitlines()][-1]
    assert last["number"] == facts["ledger_entry"]


def test_a_protected_key_is_opened_without_a_terminal_or_says_how(
    bag: Path, tmp_path: Path, run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    private = serialization.load_ssh_private_key(KEY.encode(), password=None)
    protected = tmp_path / "protected"
    protected.write_bytes(
        private.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.OpenSSH,
            serialization.BestAvailableEncryption(b"horn"),
        )
    )
    monkeypatch.setattr("sys.stdin", io.StringIO())
    ran = run("sign", bag, "--key", protected)
    assert ran.status == 2
    assert "ARCHIVER_SIGN_PASSPHRASE" in ran.out
    monkeypatch.setenv("ARCHIVER_SIGN_PASSPHRASE", "horn")
    assert run("sign", bag, "--key", protected).status == 0
