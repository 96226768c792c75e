"""The commands that look after stored bags, as a person and as a timer meets them."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from archiver.schema_store import schema
from tests.cli.running import Runner
from tests.custody.ledgers import tamper
from tests.custody.stores import copied, small_store
from tests.package.test_signature import KEY, PUBLIC

HEAVY = ("cryptography", "distributed", "fsspec", "numpy", "sqlite3")


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return small_store(tmp_path / "store", 3)


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite3"


def test_audit_says_what_changed_and_exits_for_cron(
    run: Runner, store: Path, ledger: Path, tmp_path: Path
) -> None:
    report = tmp_path / "report.json"
    assert run("audit", store, "--ledger", ledger).status == 0
    (store / "bag-1" / "data" / "masters" / "t01.wav").write_bytes(b"other")
    ran = run("audit", store, "--ledger", ledger, "--report", report)
    assert ran.status == 3
    assert "bag-1: changed" in ran.out
    assert "data/masters/t01.wav" in ran.out
    assert "3 bags checked of 3: 1 changed, 2 intact" in ran.out.replace("\n", " ")
    assert json.loads(report.read_text(encoding="utf-8"))["exit_status"] == 3
    head = ran.out.split()[-1]
    assert run("ledger", "verify", ledger, "--expect", head).status == 0


def test_audit_takes_what_is_due_in_a_time_budget(run: Runner, store: Path, ledger: Path) -> None:
    ran = run("audit", store, "--ledger", ledger, "--time-budget", "0s", "--json")
    assert (ran.status, json.loads(ran.out)["bags_left"]) == (0, 3)
    ran = run("audit", store, "--ledger", ledger, "--older-than", "90d", "--quick", "--json")
    assert json.loads(ran.out)["verdicts"] == {"complete": 3}
    ran = run("audit", store, "--ledger", ledger, "--daily-percent", "34", "--quick", "--json")
    assert json.loads(ran.out)["bags_checked"] == 0


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--older-than", "soon"], "no length of time"),
        (["--quick", "--sound"], "exclude each other"),
    ],
)
def test_audit_called_wrongly_says_what_is_accepted(
    run: Runner, store: Path, ledger: Path, options: list[str], words: str
) -> None:
    ran = run("audit", store, "--ledger", ledger, *options)
    assert ran.status == 2
    assert words in ran.err
    assert "Accepted" in ran.err


def test_ledger_is_verified_exported_and_amended(
    run: Runner, store: Path, ledger: Path, tmp_path: Path
) -> None:
    run("audit", store, "--ledger", ledger)
    assert "5 entries, as written" in run("ledger", "verify", ledger).out.replace("\n", " ")
    lines = run("ledger", "export", ledger).out.splitlines()
    assert [json.loads(line)["number"] for line in lines] == [1, 2, 3, 4, 5]
    target = tmp_path / "events.xml"
    assert run("ledger", "export", ledger, "--form", "premis", "--to", target).status == 0
    assert b"fixity check" in target.read_bytes()
    assert run("ledger", "export", ledger, "--form", "papyrus").status == 2
    ran = run("ledger", "accept", ledger, store, "bag-0", "--reason", "Corrected")
    assert "entry 6" in ran.out
    tamper(ledger, "DELETE FROM entries WHERE number = 2")
    ran = run("ledger", "verify", ledger)
    assert ran.status == 3
    assert "entry 2" in ran.out


@pytest.mark.parametrize("option", ["report", "export"])
def test_no_output_takes_the_place_of_what_is_kept(
    run: Runner, store: Path, ledger: Path, tmp_path: Path, option: str
) -> None:
    run("audit", store, "--ledger", ledger)
    other = tmp_path / "second-name"
    other.hardlink_to(ledger)
    letter = tmp_path / "letter.txt"
    letter.write_text("Dear all", encoding="utf-8")
    kept = [
        ledger,
        other,
        tmp_path / "ledger.sqlite3-wal",
        letter,
        store,
        store / "bag-0" / "bagit.txt",
        store / "bag-0" / "data" / "new.json",
    ]
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    for path in kept:
        if option == "report":
            ran = run("audit", store, "--ledger", ledger, "--report", path)
        else:
            ran = run("ledger", "export", ledger, "--to", path)
        assert ran.status == 2, path
        told = ran.err.replace("\n", " ")
        assert "Name another file" in told or "inside the bag" in told, path
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before
    # Yesterday's is replaced, whatever it is called, and an empty file is nobody's.
    mine = tmp_path / "mine.txt"
    mine.touch()
    for _ in range(2):
        if option == "report":
            assert run("audit", store, "--ledger", ledger, "--report", mine).status == 0
        else:
            for form in ("json-lines", "premis"):
                assert run("ledger", "export", ledger, "--form", form, "--to", mine).status == 0


def test_a_report_does_not_take_the_place_of_a_ledger_that_is_yet_to_be_made(
    run: Runner, store: Path, ledger: Path
) -> None:
    assert run("audit", store, "--ledger", ledger, "--report", ledger).status == 2
    assert not ledger.exists()


def test_what_the_ledger_did_not_know_is_told_and_stands_in_the_report(
    run: Runner, store: Path, ledger: Path, tmp_path: Path
) -> None:
    report = tmp_path / "report.json"
    ran = run("audit", store, "--ledger", ledger, "--store-name", "vault", "--report", report)
    assert "a new ledger was begun" in ran.err
    assert json.loads(report.read_text(encoding="utf-8"))["notes"] == [ran.err.splitlines()[-1]]
    assert "new ledger" not in run("audit", store, "--ledger", ledger, "--store-name", "vault").err
    ran = run("audit", store, "--ledger", ledger, "--store-name", "valut", "--json")
    assert "Is it vault?" in ran.err
    assert len(json.loads(ran.out)["notes"]) == 1


def test_an_audit_tells_entries_that_were_edited(run: Runner, store: Path, ledger: Path) -> None:
    run("audit", store, "--ledger", ledger)
    tamper(ledger, "UPDATE entries SET moment = '2099-01-01T00:00:00.000Z' WHERE number = 3")
    ran = run("audit", store, "--ledger", ledger, "--daily-percent", "1.2")
    assert ran.status == 3
    assert "The ledger itself is not as it was written" in ran.out
    assert "entry 3" in ran.out


def test_lost_guards_are_not_called_altered_entries(run: Runner, store: Path, ledger: Path) -> None:
    run("audit", store, "--ledger", ledger)
    connection = sqlite3.connect(ledger)
    connection.execute("DROP TRIGGER entries_stay")
    connection.close()
    ran = run("ledger", "verify", ledger)
    assert ran.status == 3
    assert "5 entries, as written, but not guarded any more" in ran.out.replace("\n", " ")
    ran = run("audit", store, "--ledger", ledger)
    assert ran.status == 3
    assert "The ledger itself is not guarded any more" in ran.out


def test_no_time_is_not_called_nothing_due(run: Runner, store: Path, ledger: Path) -> None:
    ran = run("audit", store, "--ledger", ledger, "--time-budget", "0s")
    assert "none in this time" in ran.out
    assert "3 bags left" in ran.out
    ran = run("audit", store, "--ledger", ledger, "--time-budget", "2")
    assert "such as 2h" in ran.err


def test_copies_are_compared_and_repaired(
    run: Runner, store: Path, ledger: Path, tmp_path: Path
) -> None:
    other = copied(store, tmp_path / "other")
    (other / "bag-0" / "data" / "masters" / "t01.wav").write_bytes(b"bad")
    ran = run("copies", store, other)
    assert ran.status == 3
    assert "data/masters/t01.wav: altered" in ran.out
    assert f"To repair: archiver copies {store} {other} --ledger FILE --repair" in ran.out
    ran = run("copies", store, other, "--ledger", ledger, "--repair", "--json")
    assert ran.status == 0
    (first, *_) = [one for one in json.loads(ran.out)["bags"] if not one["good"]]
    assert first["after"] == [{"store": str(other), "verdict": "intact"}]
    assert first["good_now"] is True
    (other / "bag-0" / "data" / "masters" / "t01.wav").write_bytes(b"bad")
    ran = run("copies", store, other, "--ledger", ledger, "--repair")
    assert "3 bags compared: 3 good in every store, 1 of them repaired just now." in ran.out
    assert "bag-0: repaired, and good in every store now" in ran.out
    assert "3 bags compared: 3 good in every store." in run("copies", store, other).out


def test_copies_called_wrongly_say_what_is_meant(
    run: Runner, store: Path, ledger: Path, tmp_path: Path
) -> None:
    other = copied(store, tmp_path / "other")
    ran = run("copies", store, other, "--bag", "bag0")
    assert (ran.status, "Did you mean bag-0?" in ran.err) == (2, True)
    ran = run("copies", store)
    assert (ran.status, f"archiver audit {store}" in ran.err) == (2, True)
    # What the ledger knows is gone, not mistyped.
    run("audit", store, "--ledger", ledger)
    for place in (store, other):
        (place / "bag-0").rename(tmp_path / f"{place.name}-bag-0")
    assert run("copies", store, other, "--bag", "bag-0", "--ledger", ledger).status == 3


def test_what_no_copy_can_repair_is_not_called_good(
    run: Runner, store: Path, ledger: Path, tmp_path: Path
) -> None:
    other = copied(store, tmp_path / "other")
    run("audit", store, "--ledger", ledger)
    for place in (store, other):
        (place / "bag-0" / "data" / "masters" / "t01.wav").write_bytes(b"bad")
    (other / "bag-0" / "data" / "documents" / "notes.txt").write_bytes(b"bad")
    ran = run("copies", store, other, "--ledger", ledger, "--repair")
    assert ran.status == 3
    assert "bag-0: not good in every store" in ran.out
    assert ran.out.count(": changed") == 2
    assert "3 bags compared: 2 good in every store, 1 not." in ran.out
    assert "To repair" not in run("copies", store, other, "--ledger", ledger).out
    ran = run("copies", store, other, "--ledger", ledger, "--repair", "--json")
    (bad,) = [one for one in json.loads(ran.out)["bags"] if not one["good_now"]]
    assert (bad["bag"], bad["exit_status"]) == ("bag-0", 3)


def test_a_bag_is_protected_healed_and_salvage_has_nothing_to_do(
    run: Runner, store: Path, tmp_path: Path
) -> None:
    bag = store / "bag-0"
    ran = run("protect", bag, "--redundancy", "30")
    assert ran.status == 0
    assert "can be restored" in ran.out
    assert "recovery data: intact" in run("verify", bag).out
    (bag / "data" / "documents" / "notes.txt").write_bytes(b"bad")
    assert f"archiver heal {bag}" in " ".join(run("verify", bag).out.split())
    ran = run("heal", bag)
    assert ran.status == 0
    assert "restored: data/documents/notes.txt" in ran.out
    ran = run("salvage", bag, "--to", tmp_path / "out")
    assert ran.status == 0
    assert "nothing is to be salvaged" in ran.out


def test_a_signed_bag_says_who_signed(run: Runner, store: Path, tmp_path: Path) -> None:
    key, signers = tmp_path / "key", tmp_path / "signers"
    key.write_text(KEY, encoding="utf-8")
    signers.write_text(f"archive@lillehavn.example {PUBLIC}\n", encoding="utf-8")
    bag = store / "bag-0"
    assert run("sign", bag, "--key", key).status == 0
    ran = run("verify", bag, "--signers", signers)
    assert ran.status == 0
    assert "signed by archive@lillehavn.example" in ran.out
    assert "Not compared" not in ran.out
    said = " ".join(run("verify", bag).out.split())
    assert "good signature of the key SHA256:" in said
    assert run("sign", bag, "--key", key).status == 2


def test_a_signature_that_is_asked_for_and_missing_is_told_everywhere(
    run: Runner, store: Path, ledger: Path, tmp_path: Path
) -> None:
    key, signers = tmp_path / "key", tmp_path / "signers"
    key.write_text(KEY, encoding="utf-8")
    signers.write_text(f"archive@lillehavn.example {PUBLIC}\n", encoding="utf-8")
    bag = store / "bag-0"
    ran = run("verify", bag, "--signers", signers)
    assert ran.status == 3
    assert f"{bag}: intact, but not signed by an accepted signer" in ran.out
    assert "signature-not-accepted" in ran.out
    run("sign", bag, "--key", key)
    asked = ("audit", store, "--ledger", ledger, "--signers", signers)
    ran = run(*asked)
    assert ran.status == 3
    assert "1 intact, 2 not signed by an accepted signer" in ran.out.replace("\n", " ")
    assert "Asked of each bag: a signature of archive@lillehavn.example." in ran.out
    report = json.loads(run(*asked, "--json").out)
    Draft202012Validator(schema("audit-report")).validate(report)
    assert report["exit_status"] == 3
    assert [one["signer"] for one in report["accepted_signers"]] == ["archive@lillehavn.example"]
    assert {one["verdict"] for one in report["results"]} == {"not signed by an accepted signer"}
    lines = [json.loads(line) for line in run("ledger", "export", ledger).out.splitlines()]
    for line in lines:
        Draft202012Validator(schema("ledger")).validate(line)
    assert lines[0]["facts"]["accepted_signers"] == report["accepted_signers"]
    assert [line["facts"]["signature_asked"] for line in lines if line["kind"] == "check"] == [
        True
    ] * 6
    assert run("audit", store, "--ledger", ledger).status == 0


def test_an_audit_for_other_signers_does_not_go_on_with_an_interrupted_one(
    run: Runner, store: Path, ledger: Path, tmp_path: Path
) -> None:
    signers = tmp_path / "signers"
    signers.write_text(f"archive@lillehavn.example {PUBLIC}\n", encoding="utf-8")
    assert run("audit", store, "--ledger", ledger, "--time-budget", "0s").status == 0
    ran = run("audit", store, "--ledger", ledger, "--signers", signers, "--json")
    assert json.loads(ran.out)["resumed"] is False
    assert json.loads(run("audit", store, "--ledger", ledger, "--json").out)["resumed"] is True


def test_quick_verification_does_not_say_intact(run: Runner, store: Path) -> None:
    ran = run("verify", store / "bag-0", "--quick")
    assert ran.status == 0
    said = " ".join(ran.out.split())
    assert "complete; the payload was not read" in said
    assert "intact" not in said


def test_help_loads_nothing_that_only_custody_needs() -> None:
    code = (
        "import sys; from archiver.cli.app import app\n"
        "try: app(['audit', '--help'], standalone_mode=False)\n"
        "except SystemExit: pass\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, encoding="utf-8"
    )
    assert ran.stderr.strip() == "[]"
