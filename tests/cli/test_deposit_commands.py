"""Deposits on the command line, as a person and as a timer meet them."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from archiver.pipeline.archive import archive_session
from archiver.pipeline.new import new_institution
from tests.cli.running import Ran, Runner
from tests.custody.transport import surroundings
from tests.custody.transport.sftp_server import sftp_server
from tests.package.small_bags import contents
from tests.pipeline.handing import Both, both_sides, same, small_bag
from tests.pipeline.making import make_session

HEAVY = ("asyncssh", "cryptography", "fsspec", "jinja2", "jsonschema", "lxml", "numpy", "sqlite3")


@pytest.fixture
def both(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Both:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1795600000")  # 2026-11-24, a time of no meaning
    return both_sides(tmp_path)


@pytest.fixture
def bag(both: Both) -> Path:
    return small_bag(both.root / "home" / "lhm-1")


def deposit(run: Runner, both: Both, *more: object) -> Ran:
    return run("deposit", *more, "--for", both.profile, "--ledger", both.ledger, "--to", both.inbox)


def receive(run: Runner, both: Both, *more: object) -> Ran:
    packages = [one for one in more if isinstance(one, Path)] or sorted(both.inbox.iterdir())
    options = [one for one in more if not isinstance(one, Path)]
    return run(
        "receive", *packages, "--for", both.profile, "--into", both.store, "--quarantine",
        both.quarantine, "--ledger", both.their_ledger, *options,
    )  # fmt: skip


def deposits(run: Runner, both: Both, *more: object) -> Ran:
    return run("deposits", "--ledger", both.ledger, *more)


def test_a_deposit_goes_from_hand_to_hand_until_its_receipt_is_held(
    run: Runner, both: Both, bag: Path
) -> None:
    ran = deposit(run, both, bag, "--rehearse")
    assert ran.status == 0
    assert "lhm-1: would be deposited" in ran.out
    ran = deposit(run, both, bag, "--by", "Karen Ravn")
    assert ran.status == 0
    assert "lhm-1: deposited" in ran.out
    assert "Receipt due: 2026-12-25" in ran.out
    ran = deposits(run, both)
    assert ran.status == 0
    assert "awaits a receipt, due 2026-12-25" in ran.out
    ran = receive(run, both, "--reference", "2026/117")
    assert ran.status == 0
    assert "accepted" in ran.out
    (receipt,) = (both.root / "archive" / "receipts").rglob("receipt.json")
    ran = run("receipt", receipt, "--ledger", both.ledger)
    assert ran.status == 0
    assert "receipt held" in ran.out
    ran = deposits(run, both)
    assert ran.status == 0
    assert "1 deposit: 1 receipt held." in ran.out
    # What can be broken between words is; a path stays one that can be copied.
    assert all(len(line) <= 80 or " " not in line.strip() for line in ran.out.splitlines())


def test_commands_that_only_read_leave_the_ledger_as_it_was_and_alone(
    run: Runner, both: Both, bag: Path
) -> None:
    deposit(run, both, bag)
    before = both.ledger.read_bytes()
    assert deposits(run, both).status == 0
    assert deposit(run, both, bag, "--rehearse").status == 0
    assert run("ledger", "verify", both.ledger).status == 0
    assert run("ledger", "export", both.ledger).status == 0
    names = [one.name for one in both.ledger.parent.glob(f"{both.ledger.name}*")]
    assert names == [both.ledger.name]
    assert both.ledger.read_bytes() == before


def test_a_refusal_after_a_receipt_shows_both(run: Runner, both: Both, bag: Path) -> None:
    deposit(run, both, bag)
    receive(run, both, "--reference", "2026/117")
    (receipt,) = (both.root / "archive" / "receipts").rglob("receipt.json")
    assert run("receipt", receipt, "--ledger", both.ledger).status == 0
    (sent,) = json.loads(deposits(run, both, "--json").out)["deposits"]
    ran = run(
        "receipt", "--ledger", both.ledger, "--deposit", sent["deposit"],
        "--reference", "2026/118", "--refused",
    )  # fmt: skip
    assert ran.status == 3
    assert "receipt contradicted" in ran.out
    assert "receipt-contradicts-another" in ran.out
    ran = deposits(run, both)
    assert ran.status == 3
    assert "1 deposit: 1 receipt contradicted." in ran.out
    assert f"accepted: {sent['receipts'][0]['receipt']}" in ran.out
    assert "refused: 2026/118" in ran.out


def test_cron_hears_of_what_is_overdue_and_of_nothing_else(
    run: Runner, both: Both, bag: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    deposit(run, both, bag)
    assert deposits(run, both).status == 0
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1798300000")  # 2026-12-26
    ran = deposits(run, both)
    assert ran.status == 1
    assert "receipt overdue, due 2026-12-25" in ran.out
    facts = json.loads(deposits(run, both, "--json").out)
    assert facts["states"] == {"receipt overdue": 1}
    ran = deposits(run, both, "--bag", "lhm-11")
    assert ran.status == 2
    assert "no deposit of the bag 'lhm-11'" in " ".join(ran.err.split())
    assert "such as lhm-1" in " ".join(ran.err.split())
    ran = deposits(run, both, "--institution", "Egeskov")
    assert ran.status == 2
    assert "such as Egeskov State Sound Archive" in " ".join(ran.err.split())
    assert deposits(run, both, "--bag", "lhm-1").status == 1


def test_a_line_that_is_suggested_does_all_that_was_asked_for(
    run: Runner, both: Both, bag: Path
) -> None:
    ran = deposit(run, both, bag.parent, "--by", "Karen Ravn", "--again", "--rehearse")
    assert ran.status == 2
    line = re.search(r"archiver (deposit .+?)(?:;|\n)", ran.err)
    assert line is not None, ran.err
    words = shlex.split(line[1])
    assert words[words.index("--to") + 1] == str(both.inbox)
    assert words[words.index("--by") + 1] == "Karen Ravn"
    assert {"--again", "--rehearse"} <= set(words)
    assert "--only-new" not in words
    ran = run(*words)
    assert ran.status == 0
    assert "would be deposited" in ran.out
    assert list(both.inbox.iterdir()) == []


def test_what_is_refused_is_shown_with_its_reasons_and_the_letter(run: Runner, both: Both) -> None:
    bag = small_bag(both.root / "home" / "lhm-1", sender=" ")
    ran = deposit(run, both, bag)
    assert ran.status == 1
    said = " ".join(ran.out.split())
    assert "lhm-1: not fit" in said
    assert "Your name as it stands in our register" in said
    both.use_form("folder")
    small_bag(both.inbox / "lhm-1", sender=" ")
    ran = receive(run, both)
    assert ran.status == 1
    said = " ".join(ran.out.split())
    assert "lhm-1: quarantined" in said
    assert "Your name as it stands in our register" in said
    assert "Letter R-" in said
    assert "letter.txt" in ran.out
    assert "1 package: 1 quarantined." in said


def test_cron_hears_nothing_of_an_inbox_to_which_nothing_has_come(run: Runner, both: Both) -> None:
    ran = receive(run, both, both.inbox)
    assert (ran.status, ran.out) == (0, "Nothing has come.\n")
    ran = receive(run, both, both.inbox, "--json")
    assert json.loads(ran.out)["packages"] == []


def test_what_lies_beside_a_package_is_shown(run: Runner, both: Both, bag: Path) -> None:
    deposit(run, both, bag)
    (folder,) = both.inbox.iterdir()
    (folder / "consent-form.txt").write_bytes(b"signed")
    ran = receive(run, both, both.inbox, "--clear")
    assert ran.status == 0
    assert "does not name consent-form.txt" in " ".join(ran.out.split())


def test_what_is_not_complete_yet_is_told(run: Runner, both: Both) -> None:
    (both.inbox / "D-000000000000").mkdir()
    ran = receive(run, both)
    assert ran.status == 4
    assert "not complete yet" in ran.out


def test_each_command_prints_json_alone_on_standard_output(
    run: Runner, both: Both, bag: Path
) -> None:
    sent = json.loads(deposit(run, both, bag, "--json").out)
    assert (sent["schema"], sent["exit_status"]) == ("deposit-report 1", 0)
    taken = json.loads(receive(run, both, "--json").out)
    assert taken["packages"][0]["deposit"] == sent["bags"][0]["deposit"]
    receipt = Path(taken["packages"][0]["papers"]) / "receipt.json"
    imported = json.loads(run("receipt", receipt, "--ledger", both.ledger, "--json").out)
    assert imported["state"] == "receipt held"
    assert json.loads(deposits(run, both, "--json").out)["states"] == {"receipt held": 1}


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["deposits", "--ledger", "{root}/none.sqlite3"], "does not exist"),
        (["receipt", "--ledger", "{root}/x.sqlite3"], "a file or a typed reference"),
        (
            ["deposit", "{root}/none", "--for", "nobody", "--ledger", "{root}/x.sqlite3"],
            "does not exist",
        ),
        (
            ["deposit", "{root}/home/lhm-1", "--for", "nobody", "--ledger", "{root}/x.sqlite3"],
            "no institution profile",
        ),
    ],
)
def test_a_command_called_wrongly_says_so_without_a_traceback(
    run: Runner, both: Both, bag: Path, arguments: list[str], words: str
) -> None:
    assert bag.exists()
    ran = run(*(one.format(root=both.root) for one in arguments))
    assert ran.status in {2, 4}
    assert words in " ".join(ran.err.split())
    assert "Traceback" not in ran.err


def test_help_loads_nothing_that_only_deposits_need() -> None:
    for command in ("deposit", "deposits", "receipt", "receive"):
        code = (
            "import sys; from archiver.cli.app import app\n"
            f"try: app([{command!r}, '--help'], standalone_mode=False)\n"
            "except SystemExit: pass\n"
            f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
        )
        ran = subprocess.run(
            [sys.executable, "-c", code], check=True, capture_output=True, encoding="utf-8"
        )
        assert ran.stderr.strip() == "[]"


# --- the sample session, all the way ------------------------------------------------------------


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory, sample_session: Path) -> Path:
    """The example profile, and the sample session archived by it."""
    root = tmp_path_factory.mktemp("sample")
    new_institution(root / "egeskov")
    outcome = archive_session(sample_session, root / "bags", profile=str(root / "egeskov"))
    assert outcome.bag is not None
    return root


def test_the_sample_session_reaches_the_example_institution_over_sftp_and_is_receipted(
    run: Runner, prepared: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    surroundings.bare(monkeypatch, tmp_path)
    bag = prepared / "bags" / "lhm-2026-10-17"
    before = contents(bag)
    profile, ledger, theirs = prepared / "egeskov", tmp_path / "l.sqlite3", tmp_path / "a.sqlite3"
    store = tmp_path / "store"
    for folder in (store, tmp_path / "q"):
        folder.mkdir()
    with sftp_server(tmp_path / "server") as server:
        surroundings.let_into_sftp(monkeypatch, server)
        place = f"sftp://depositor@127.0.0.1:{server.port}/"
        options = ("--for", profile, "--ledger", ledger, "--to", place)
        assert run("check", bag, "--for", profile).status == 0
        assert run("deposit", bag, *options).status == 0
        received = (
            "--for", profile, "--into", store, "--quarantine", tmp_path / "q", "--ledger", theirs,
            "--json",
        )  # fmt: skip
        taken = json.loads(run("receive", *sorted(server.root.iterdir()), *received).out)
    (package,) = taken["packages"]
    assert package["outcome"] == "accepted"
    assert same(bag, store / "lhm-2026-10-17")
    assert contents(bag) == before
    assert run("receipt", Path(package["papers"]) / "receipt.json", "--ledger", ledger).status == 0
    ran = run("deposits", "--ledger", ledger)
    assert (ran.status, "1 deposit: 1 receipt held." in ran.out) == (0, True)
    (agreement,) = (tmp_path / "deposits").rglob("agreement.html")
    page = agreement.read_text(encoding="utf-8")
    assert "The Vesterholm office dictating machine" in page
    assert "https://creativecommons.org/licenses/by/4.0/" in page
    assert "Egeskov State Sound Archive keeps the bag for good" in page
    assert "{" not in page.partition("</style>")[2]
    for path in (ledger, theirs):
        assert run("ledger", "verify", path).status == 0
        assert run("ledger", "export", path, "--form", "premis").status == 0


def test_a_new_version_of_a_session_sends_only_what_is_new(
    run: Runner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    profile, ledger, theirs = tmp_path / "egeskov", tmp_path / "l.sqlite3", tmp_path / "a.sqlite3"
    inbox, store = tmp_path / "inbox", tmp_path / "store"
    for folder in (inbox, store, tmp_path / "q"):
        folder.mkdir()
    new_institution(profile)
    session = make_session(tmp_path / "session", takes=2)
    made = archive_session(session, tmp_path / "bags", profile=str(profile))
    assert made.bag is not None
    first = made.bag
    # Two years later: what did not change has the same bytes all the same.
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1859000000")
    (session / "documents" / "found-later.txt").write_text("A letter", encoding="utf-8")
    outcome = archive_session(session, tmp_path / "bags", profile=str(profile), version=2)
    assert outcome.bag is not None

    def hand_over(bag: Path) -> dict[str, object]:
        sent = json.loads(
            run(
                "deposit", bag, "--for", profile, "--ledger", ledger, "--to", inbox,
                "--only-new", "--json",
            ).out
        )["bags"][0]  # fmt: skip
        taken = json.loads(
            run(
                "receive", inbox / sent["deposit"], "--for", profile, "--into", store,
                "--quarantine", tmp_path / "q", "--ledger", theirs, "--json",
            ).out
        )["packages"][0]  # fmt: skip
        receipt = Path(taken["papers"]) / "receipt.json"
        assert run("receipt", receipt, "--ledger", ledger).status == 0
        return {"sent": sent["packages"][0]["size"], "completed": taken["completed"]}

    whole, rest = hand_over(first), hand_over(outcome.bag)
    assert whole["completed"] == 0
    assert isinstance(whole["sent"], int)
    assert isinstance(rest["sent"], int)
    assert rest["sent"] < whole["sent"] / 3
    assert rest["completed"]
    assert same(outcome.bag, store / "trial-1-v2")
    assert same(first, store / "trial-1")
