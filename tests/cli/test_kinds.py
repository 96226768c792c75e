"""What is named wrongly is told for what it is, with the line that does what was meant."""

from __future__ import annotations

import json
import os
import shlex
import shutil
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from archiver.pipeline.profiles import profiles_directory
from archiver.schema_store import schema
from tests.cli.running import Runner
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
    quoted = {name: shlex.quote(str(path)) for name, path in named.items()}
    assert f"archiver {line.format_map(quoted)}" in said
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
    assert f"archiver verify {shlex.quote(str(store / 'bag-0'))}" in ran.err


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
    ran = run("check", session, "--for", profile, "--previous", session)
    (line,) = [line for line in ran.out.splitlines() if line.startswith("Ready: ")]
    words = shlex.split(line.removeprefix("Ready: "))
    assert words[:5] == ["archiver", "archive", str(session), "--to", "DIR"]
    assert words[5:] == ["--for", str(profile), "--previous", str(session)]
    assert run("archive", session, "--to", place / "out", *words[5:7]).status == 0


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
    assert (ran.status, told in ran.err) == (2, True), ran
