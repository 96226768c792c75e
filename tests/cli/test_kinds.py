"""What is named wrongly is told for what it is, with the line that does what was meant."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import sqlite3
from pathlib import Path, PurePosixPath

import pytest
from jsonschema import Draft202012Validator

from archiver.pipeline.profiles import profiles_directory
from archiver.schema_store import schema
from archiver.telling import command_line
from tests.cli.running import Ran, Runner
from tests.custody.stores import copied, small_store
from tests.package.test_signature import KEY
from tests.pipeline.making import make_session, snapshot


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A folder with blanks in its name, with a store, a session and a package."""
    root = tmp_path / "our archive"
    make_session(root / "session")
    small_store(root / "store", 2)
    (root / "key").write_text(KEY, encoding="utf-8")
    (root / "bag.tar").write_bytes(b"x")
    return root


WRONG = [
    # command, the kind that is found, the command for it
    ("verify {session}", "a session folder", "archive {session} --to DIR"),
    ("pack {session} --to {out}", "a session folder", "archive {session} --to DIR"),
    ("export {session} --to {out}", "a session folder", "archive {session} --to DIR"),
    ("salvage {session} --to {out}", "a session folder", "archive {session} --to DIR"),
    ("heal {session}", "a session folder", "archive {session} --to DIR"),
    ("sign {session} --key {key}", "a session folder", "archive {session} --to DIR"),
    ("protect {session}", "a session folder", "archive {session} --to DIR"),
    ("audit {session} --ledger {ledger}", "a session folder", "archive {session} --to DIR"),
    ("archive {bag} --to {out}", "a bag", "verify {bag}"),
    ("motion {bag}", "a bag", "page {bag} --to FILE"),
    ("measure {bag}", "a bag", "verify {bag}"),
    ("inspect {bag}", "a bag", "verify {bag}"),
    ("find-takes {bag} x.wav", "a bag", "verify {bag}"),
    ("unpack {bag} --to {out}", "a bag", "verify {bag}"),
    ("audit {bag} --ledger {ledger}", "a bag", "audit {store} --ledger FILE"),
    ("sheet export {bag} {out}", "a bag", "verify {bag}"),
    ("ledger verify {bag}", "a bag", "verify {bag}"),
    ("check {session}/session.yaml", "the sheet of a session", "check {session}"),
    ("verify {bag}/bagit.txt", "a part of a bag", "verify {bag}"),
    ("pack {bag}/data --to {out}", "a part of a bag", "pack {bag} --to {out}"),
    ("verify {package}", "a package", "unpack {package} --to DIR"),
    ("check {package}", "a package", "unpack {package} --to DIR"),
    ("archive {store} --to {out}", "a folder of bags", "audit {store} --ledger FILE"),
    ("page {store} --to {out}", "a folder of bags", "page {bag} --to {out}"),
    ("verify {store}", "a folder of bags", "audit {store} --ledger FILE"),
    ("machine date {store}", "a folder of bags", "machine date {bag}"),
    ("media {package}", "a package", "unpack {package} --to DIR"),
    ("deposit {session} --for {key} --ledger {ledger}", "a session folder", "archive {session}"),
    ("copies {session} {store}", "a session folder", "archive {session} --to DIR"),
]


@pytest.mark.parametrize(("called", "kind", "line"), WRONG)
def test_another_kind_is_told_with_the_line_for_it(
    run: Runner, place: Path, called: str, kind: str, line: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "400")
    named = {
        "session": place / "session",
        "store": place / "store",
        "bag": place / "store" / "bag-0",
        "package": place / "bag.tar",
        "key": place / "key",
        "out": place / "out",
        "ledger": place / "ledger.sqlite3",
    }
    before = snapshot(place)
    ran = run(*(word.format_map(named) for word in called.split()))
    assert ran.status == 2
    said = " ".join((ran.err + ran.out).split())
    assert f"is {kind}" in said
    assert "Accepted: " in said
    assert command_line(*(word.format_map(named) for word in line.split())) in said
    assert snapshot(place) == before


@pytest.mark.parametrize("pattern", [False, True])
def test_what_the_program_writes_beside_bags_is_passed_over(
    run: Runner, place: Path, tmp_path: Path, *, pattern: bool
) -> None:
    store, bag = place / "store", place / "store" / "bag-0"
    shutil.rmtree(store / "2026")
    ledger = store / "ledger.sqlite3"
    run("protect", bag, "--redundancy", "60", "--ledger", ledger)
    (bag / "data" / "stray.txt").write_bytes(b"whose?")
    (bag / "data" / "documents" / "notes.txt").write_bytes(b"bad")
    run("heal", bag, "--ledger", ledger)
    run("audit", store, "--ledger", ledger, "--report", store / "report.json")
    run("pack", bag, "--to", store, "--part-size", "65536B")
    export = run("ledger", "export", ledger, "--to", store / "ledger.jsonl")
    assert export.status == 0
    names = [store / "*"] if pattern else sorted(store.iterdir())
    ran = run("verify", *names, "--json")
    assert ran.status == 0
    report = json.loads(ran.out)
    Draft202012Validator(schema("verify-report")).validate(report)
    assert [one["bag"] for one in report["bags"]] == [str(bag)]
    skipped = {Path(one["path"]).name: one["kind"] for one in report["skipped"]}
    assert {"bag-0.recovery", "bag-0.set-aside", "ledger.sqlite3", "report.json"} <= set(skipped)
    assert set(skipped) == {one.name for one in store.iterdir()} - {"bag-0"}
    assert ran.err.count("passed over.") == len(skipped)
    told = run("verify", *names)
    assert (told.status, told.err) == (0, ran.err)
    assert "passed over" not in told.out
    assert run("protect", *names, "--replace").status == 0
    other = copied(store, tmp_path / "copies" / "other")
    shutil.copytree(store, tmp_path / "copies" / "one")
    (tmp_path / "copies" / "ledger.sqlite3").write_bytes(ledger.read_bytes())
    compared = run("copies", tmp_path / "copies" / "*")
    assert (compared.status, "a ledger, passed over" in compared.err) == (0, True), other


def test_nothing_left_to_verify_is_no_success(run: Runner, place: Path) -> None:
    store = place / "store"
    run("protect", store / "bag-0")
    ran = run("verify", store / "bag-0.recovery", place / "bag.tar")
    assert ran.status == 2
    assert command_line("verify", store / "bag-0") in ran.err


def test_what_is_nobodys_stays_an_error(run: Runner, place: Path) -> None:
    bag = place / "store" / "bag-0"
    (place / "store" / "empty").mkdir()
    assert run("verify", bag, place / "nowhere").status == 4
    assert run("verify", bag, place / "key").status == 2
    assert run("verify", bag, place / "store" / "empty").status == 2
    assert run("verify", bag, place / "session").status == 2
    assert run("verify", bag).status == 0


def test_a_store_does_not_hold_what_was_moved_out_of_its_bags(run: Runner, place: Path) -> None:
    store, ledger = place / "store", place / "ledger.sqlite3"
    aside = store / "bag-0.set-aside"
    aside.mkdir()
    (aside / "manifest-md5.txt").write_bytes(b"")
    report = json.loads(run("audit", store, "--ledger", ledger, "--json").out)
    assert report["bags_held"] == 2
    assert report["exit_status"] == 0


def test_verify_says_nothing_after_the_last_comma(run: Runner, place: Path) -> None:
    bag = place / "store" / "bag-0"
    (bag / "tagmanifest-sha256.txt").unlink()
    (bag / "manifest-sha256.txt").unlink()
    lines = run("verify", bag).out.splitlines()
    (depth,) = [line for line in lines if " read" in line and "payload file" in line]
    assert not depth.rstrip().endswith(",")


def test_the_line_to_archive_carries_what_the_check_was_given(run: Runner, place: Path) -> None:
    profile = place / "egeskov.yaml"
    profile.write_text("schema: institution 1\nname: Egeskov Archive\n", encoding="utf-8")
    session = place / "session"
    before = place / "before"
    shutil.copytree(session, before)
    sheet = (before / "session.yaml").read_text(encoding="utf-8")
    sheet = re.sub(r"(?m)^  identifier: .*$", "  identifier: before", sheet)
    # Nothing was recorded then, so that the counts of this session agree with it.
    sheet = sheet.partition("\ntakes:")[0] + "\ntakes: []\n"
    (before / "session.yaml").write_text(sheet, encoding="utf-8")
    ran = run("check", session, "--for", profile, "--previous", before)
    (line,) = [line for line in ran.out.splitlines() if line.startswith("Ready: ")]
    given = ("--for", profile, "--previous", before)
    assert line == f"Ready: {command_line('archive', session, '--to', 'DIR', *given)}"
    assert run("archive", session, "--to", place / "out", *given[:2]).status == 0


@pytest.mark.parametrize(
    ("windows", "line"),
    [
        (False, "archiver archive 'our archive/session' --to DIR"),
        (True, 'archiver archive "our archive/session" --to DIR'),
    ],
)
def test_the_line_for_it_can_be_pasted_into_either_shell(line: str, *, windows: bool) -> None:
    session = PurePosixPath("our archive", "session")
    assert command_line("archive", session, "--to", "DIR", windows=windows) == line


def test_a_ledger_is_told_from_what_is_none(run: Runner, place: Path) -> None:
    store, session, bag = place / "store", place / "session", place / "store" / "bag-0"
    text, other = place / "notes.txt", place / "other.sqlite3"
    text.write_text("no ledger\n", encoding="utf-8")
    with contextlib.closing(sqlite3.connect(other)) as database:
        database.execute("CREATE TABLE things (name TEXT)")
    (place / "empty").mkdir()
    before = snapshot(place)
    wrong = (
        (place / "empty", "is an empty folder", "ledger.sqlite3"),
        (store, "is a folder of bags", "ledger.sqlite3"),
        (session, "is a session folder", "Name a file"),
        (bag, "is a bag", "Name a file"),
        (bag / "bagit.txt", "is a part of a bag", "Name a ledger"),
        (bag / "ledger.sqlite3", "lies in a bag", "outside of bags"),
        (place / "ledger.sqlite3-wal", "has an ending that a database", "another name"),
        (text, "is a file of a kind that is not known here", "Name a ledger"),
        (other, "is a database, but no ledger", "or a new name"),
    )
    for path, found, remedy in wrong:
        for called in (
            ("audit", store),
            ("copies", store, store),
            ("protect", bag, "--replace"),
            ("heal", bag),
            ("sign", bag, "--key", place / "key"),
            ("deposits",),
            ("receipt", "--deposit", "D-000000000000", "--reference", "1"),
        ):
            if path == other and called[0] in {"copies", "protect", "heal", "sign"}:
                continue
            ran = run(*called, "--ledger", path)
            assert (ran.status, found in ran.err) == (2, True), (called, ran)
            assert remedy in ran.err, (called, ran)
            assert "Accepted: " in ran.err
    assert run("ledger", "verify", text).status == 2
    assert snapshot(place) == before


def test_what_no_sender_sends_is_not_received(run: Runner, place: Path) -> None:
    profile, session, bag = place / "egeskov.yaml", place / "session", place / "store" / "bag-0"
    profile.write_text("schema: institution 1\nname: Egeskov Archive\n", encoding="utf-8")
    for name in ("into", "quarantine"):
        (place / name).mkdir()
    text = place / "notes.txt"
    text.write_text("no folder\n", encoding="utf-8")
    before = snapshot(place)

    def receive(*packages: Path, **options: Path) -> Ran:
        given = {"into": place / "into", "quarantine": place / "quarantine"} | options
        words = [word for name, path in given.items() for word in (f"--{name}", path)]
        ledger = place / "received.sqlite3"
        return run("receive", *packages, "--for", profile, "--ledger", ledger, *words)

    for package, found, line in (
        (session, "is a session folder", command_line("archive", session, "--to", "DIR")),
        (session / "session.yaml", "is the sheet of a session", command_line("check", session)),
        (bag / "bagit.txt", f"is a part of a bag, {bag}", command_line("verify", bag)),
        (profile, "is the profile of an institution", "institution check"),
    ):
        ran = receive(package)
        assert (ran.status, found in ran.err, line in ran.err) == (2, True, True), ran
    for option, path, found in (
        ("into", bag, "is a bag"),
        ("into", session, "is a session folder"),
        ("into", text, "is a file"),
        ("quarantine", bag / "data", "is a part of a bag"),
        ("receipts", text, "is a file"),
        ("receipts", bag, "is a bag"),
    ):
        ran = receive(bag, **{option: path})
        assert (ran.status, f"--{option}: {path} {found}" in ran.err) == (2, True), ran
    assert snapshot(place) == before
    ran = receive(bag, session)
    assert f"{session}: a session folder, passed over." in ran.err
    assert ran.status != 2


def test_a_receipt_is_a_file(run: Runner, place: Path) -> None:
    ledger = place / "ledger.sqlite3"
    assert run("audit", place / "store", "--ledger", ledger).status == 0
    papers = place / "R-0123456789ab"
    papers.mkdir()
    (papers / "receipt.json").write_text("{}", encoding="utf-8")
    for path, found, remedy in (
        (papers, "a receipt with its papers", command_line("receipt", papers / "receipt.json")),
        (place / "store", "a folder of bags", "Name the file itself"),
        (ledger, "a ledger", "Name the file itself"),
    ):
        ran = run("receipt", path, "--ledger", ledger)
        assert (ran.status, f"{path}: is {found}" in ran.err) == (2, True), ran
        assert remedy in ran.err
    ran = run("deposits", "--ledger", ledger, "--papers", place / "key")
    assert (ran.status, "--papers: " in ran.err) == (2, True), ran


@pytest.mark.parametrize("called", ["institution check", "institution fetch", "check {s} --for"])
def test_what_is_no_profile_is_told_as_what_it_is(run: Runner, place: Path, called: str) -> None:
    session = place / "session"
    for path, found in (
        (place / "key", "is a file of a kind that is not known here"),
        (session / "session.yaml", "is the sheet of a session"),
        (place / "bag.tar", "is a package"),
        (session, f"the folder {session} holds no institution.yaml"),
    ):
        ran = run(*(word.format(s=session) for word in called.split()), path)
        assert (ran.status, found in ran.err, ran.out) == (2, True, ""), ran


def test_a_mistyped_profile_is_told_with_those_that_are_kept(
    run: Runner, place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("APPDATA", "HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(name, str(tmp_path))
    unknown = run("check", place / "session", "--for", "egskov")
    assert unknown.status == 2
    assert "archiver institution new DIR" in unknown.err
    kept = profiles_directory(os.environ)
    kept.mkdir(parents=True)
    for name in ("egeskov", "lindeby"):
        (kept / f"{name}.yaml").write_text("schema: institution 1\n", encoding="utf-8")
    near = run("check", place / "session", "--for", "egskov")
    assert near.status == 2
    assert near.err.endswith("egeskov, lindeby. Did you mean egeskov?\n")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("machine", "compare", "{root}/nowhere", "a", "b"), "nowhere: does not exist"),
        (("machine", "date", "{root}/nowhere"), "nowhere: does not exist"),
        (("page", "{root}/nowhere", "--to", "{root}/x.html"), "nowhere: does not exist"),
        (("media", "{session}", "--previous", "{root}/nowhere"), "nowhere: does not exist"),
        (("machine", "date", "{session}", "--id", "lillehavn"), "Did you mean lillehavn-a?"),
        (("check", "{root}/nowhere"), "nowhere: does not exist"),
        (("archive", "{root}/nowhere", "--to", "{root}/out"), "nowhere: does not exist"),
        (("motion", "{root}/nowhere"), "nowhere: does not exist"),
        (("find-takes", "{root}/nowhere", "a.wav"), "nowhere: does not exist"),
        (("sheet", "export", "{root}/nowhere", "{root}/x.xlsx"), "nowhere: does not exist"),
        (("sheet", "import", "{root}/nowhere", "{root}/x"), "nowhere: does not exist"),
        (("verify", "{root}/nowhere"), "does not exist"),
        (("export", "{root}/nowhere", "--to", "{root}/x"), "nowhere: does not exist"),
        (("inspect", "{root}/nowhere"), "nowhere: does not exist"),
        (("measure", "{root}/nowhere"), "nowhere: does not exist"),
        (("pack", "{root}/nowhere", "--to", "{root}/x"), "nowhere: does not exist"),
        (("unpack", "{root}/nowhere", "--to", "{root}/x"), "nowhere: does not exist"),
        (("heal", "{root}/nowhere"), "nowhere: does not exist"),
        (("salvage", "{root}/nowhere", "--to", "{root}/x"), "nowhere: does not exist"),
        (("audit", "{root}/nowhere", "--ledger", "{root}/l.sqlite3"), "does not exist"),
    ],
)
def test_what_does_not_exist_is_told_as_that(
    run: Runner, place: Path, words: tuple[str, ...], told: str
) -> None:
    session = place / "session"
    if "lillehavn" in words:
        (session / "machines").mkdir(exist_ok=True)
        text = "schema: machine 1\nid: lillehavn-a\nnames: [Lillehavn A]\n"
        (session / "machines" / "lillehavn-a.yaml").write_text(text, encoding="utf-8")
    ran = run(*(word.format(root=place, session=session) for word in words))
    said = " ".join((ran.out + ran.err).split())
    assert told in said
    # One rule for every command: a wrong name and a disk that is not connected look alike.
    assert ran.status == (4 if "does not exist" in told else 2), ran
    if ran.status == 4:
        assert "Check the name and that the disk it lies on is connected" in said


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("archive", "{root}/other", "--to", "{root}/other/out"), "archiver check"),
        (("archive", "{root}/other", "--to", "{root}/other"), "holds neither a bag nor a session"),
        (("motion", "{root}/other"), "holds neither a bag nor a session"),
        (("find-takes", "{root}/other", "a.wav"), "holds neither a bag nor a session"),
        (("measure", "{root}/other"), "archiver measure"),
        (("inspect", "{root}/other"), "archiver inspect"),
        (("measure", "{session}/takes"), "is a part of a session folder"),
    ],
)
def test_a_folder_of_another_kind_is_told_as_that(
    run: Runner, place: Path, words: tuple[str, ...], told: str
) -> None:
    other = place / "other"
    other.mkdir()
    (other / "note.txt").write_text("x", encoding="utf-8")
    ran = run(*(word.format(root=place, session=place / "session") for word in words))
    assert ran.status == 2, ran
    assert told in ran.err
    assert "inside the session folder" not in ran.err
    assert "finds errors" not in ran.err


def test_recovery_data_whose_bag_is_gone_is_told(place: Path, run: Runner) -> None:
    store = place / "store"
    beside = store / "bag-0.recovery"
    beside.mkdir()
    (beside / "bag-0.par2").write_bytes(b"PAR2")
    shutil.rmtree(store / "bag-0")
    for words in (["verify", beside], ["verify", store / "bag-0"], ["verify", *store.iterdir()],
                  ["heal", store / "bag-0"], ["sign", beside, "--key", place / "key"]):  # fmt: skip
        ran = run(*words)
        assert ran.status == 3, ran
        assert "the bag is gone" in " ".join((ran.out + ran.err).split())
    facts = json.loads(run("verify", beside, "--json").out)
    assert [bag["bag"] for bag in facts["bags"]] == [str(store / "bag-0")]
    assert facts["exit_status"] == 3
