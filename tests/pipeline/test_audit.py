"""Audits of whole stores: what is chosen, what is found, what an interruption costs."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from archiver import files
from archiver.custody.audit import AuditVerdict
from archiver.custody.due import Selection, choose
from archiver.custody.entry import Draft, EntryKind, moment_text
from archiver.custody.ledger import LastCheck, open_ledger
from archiver.custody.ledger_check import verify_ledger
from archiver.custody.ledger_export import json_lines
from archiver.custody.verify import Depth
from archiver.errors import ArchiverError, IntegrityError, MisuseError, SurroundingsError
from archiver.pipeline.audit import AuditOutcome, AuditPlan, audit_store
from archiver.pipeline.ledger import accept, exported
from archiver.pipeline.signing import sign_bags
from archiver.schema_store import schema
from tests.custody.ledgers import tamper
from tests.custody.stores import small_bag, small_store
from tests.faults import FaultySeam, ProcessDeathError
from tests.package.small_bags import manifest_of, rewrite_tag_manifests

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Path:
    return small_store(tmp_path / "store")


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    (tmp_path / "custody").mkdir()
    return tmp_path / "custody" / "ledger.sqlite3"


def audited(store: Path | str, ledger: Path, **more: object) -> AuditOutcome:
    plan = AuditPlan(store=str(store), ledger=ledger, **more)  # type: ignore[arg-type]
    outcome = audit_store(plan)
    Draft202012Validator(schema("audit-report")).validate(outcome.as_json())
    with open_ledger(ledger, read_only=True) as opened:
        assert verify_ledger(opened, expected=[outcome.head]).intact
        judge = Draft202012Validator(schema("ledger"))
        for line in json_lines(opened.entries()):
            judge.validate(json.loads(line))
    return outcome


def verdicts(outcome: AuditOutcome) -> dict[str, int]:
    return {str(verdict): number for verdict, number in outcome.counts}


def findings_of(outcome: AuditOutcome, bag: str) -> list[tuple[str, str]]:
    (result,) = [result for result in outcome.results if result.bag == bag]
    return [(finding["code"], finding["where"]) for finding in result.findings]


def test_all_bags_are_checked_and_entered(store: Path, ledger: Path) -> None:
    outcome = audited(store, ledger)
    assert verdicts(outcome) == {"intact": 4}
    assert (outcome.exit_status, outcome.left, outcome.bags_held) == (0, 0, 4)
    assert outcome.ended is not None
    with open_ledger(ledger, read_only=True) as opened:
        kinds = [(entry.kind, entry.bag) for entry in opened.entries()]
    assert kinds[0] == ("audit begun", "")
    assert kinds[-1] == ("audit ended", "")
    assert sorted(bag for _, bag in kinds[1:-1]) == ["2026/bag-3", "bag-0", "bag-1", "bag-2"]


def test_every_bag_that_changed_is_named_with_its_file(store: Path, ledger: Path) -> None:
    (store / "bag-1" / "data" / "masters" / "t01.wav").write_bytes(b"other")
    (store / "2026" / "bag-3" / "data" / "documents" / "notes.txt").unlink()
    outcome = audited(store, ledger)
    assert verdicts(outcome) == {"intact": 2, "changed": 2}
    assert outcome.exit_status == 3
    assert ("bag-checksum-differs", "data/masters/t01.wav") in findings_of(outcome, "bag-1")
    assert ("bag-file-missing", "data/documents/notes.txt") in findings_of(outcome, "2026/bag-3")


def test_a_quick_audit_never_says_intact_and_reads_no_payload(store: Path, ledger: Path) -> None:
    victim = store / "bag-0" / "data" / "masters" / "t01.wav"
    content = victim.read_bytes()
    victim.write_bytes(bytes(len(content)))
    quick = audited(store, ledger, depth=Depth.QUICK)
    assert verdicts(quick) == {"complete": 4}
    assert quick.exit_status == 0
    victim.write_bytes(content + b"!")
    assert verdicts(audited(store, ledger, depth=Depth.QUICK)) == {"complete": 3, "changed": 1}
    assert verdicts(audited(store, ledger)) == {"intact": 3, "changed": 1}


@pytest.mark.parametrize("depth", list(Depth))
def test_a_manifest_altered_together_with_its_file_is_found_by_the_ledger(
    store: Path, ledger: Path, depth: Depth
) -> None:
    audited(store, ledger)
    forge(store / "bag-2")
    outcome = audited(store, ledger, depth=depth)
    found = findings_of(outcome, "bag-2")
    assert ("manifest-not-as-recorded", "manifest-sha256.txt") in found
    # Bags made by plain means have no records of samples, which is a warning.
    assert {code for code, _ in found} <= {"manifest-not-as-recorded", "sound-record-missing"}


def forge(bag: Path) -> None:
    """Alter a file and both manifests so that the bag agrees with itself."""
    (bag / "data" / "documents" / "notes.txt").write_bytes(b"Stylus no. 90\n")
    payload = {
        path.relative_to(bag).as_posix(): path.read_bytes()
        for path in sorted((bag / "data").rglob("*"))
        if path.is_file()
    }
    octets = sum(map(len, payload.values()))
    (bag / "bag-info.txt").write_bytes(f"Payload-Oxum: {octets}.{len(payload)}\n".encode())
    (bag / "manifest-sha256.txt").write_bytes(manifest_of(payload))
    rewrite_tag_manifests(bag)


def test_a_change_that_somebody_answers_for_is_the_reference_from_then_on(
    store: Path, ledger: Path
) -> None:
    audited(store, ledger)
    forge(store / "bag-2")
    assert audited(store, ledger).exit_status == 3
    with pytest.raises(MisuseError, match="no reason"):
        accept(ledger, str(store), "bag-2", reason=" ")
    with pytest.raises(MisuseError, match="knows no bag"):
        accept(ledger, str(store), "bag-9", reason="because")
    accept(ledger, str(store), "bag-2", reason="Notes corrected by the curator")
    assert verdicts(audited(store, ledger)) == {"intact": 4}


def test_a_bag_that_is_gone_is_told_until_that_is_accepted(store: Path, ledger: Path) -> None:
    audited(store, ledger)
    shutil.rmtree(store / "bag-1")
    outcome = audited(store, ledger)
    assert verdicts(outcome) == {"intact": 3, "gone": 1}
    assert outcome.exit_status == 3
    assert verdicts(audited(store, ledger))["gone"] == 1
    accept(ledger, str(store), "bag-1", reason="Withdrawn by its owner")
    assert verdicts(audited(store, ledger)) == {"intact": 3}


@pytest.mark.parametrize(
    "selection",
    [Selection(older_than=timedelta(days=90)), Selection(daily_percent=1.2)],
)
def test_a_bag_that_is_gone_is_told_though_it_is_not_due(
    store: Path, ledger: Path, selection: Selection
) -> None:
    audited(store, ledger)
    shutil.rmtree(store / "bag-1")
    for _ in range(2):
        outcome = audited(store, ledger, selection=selection, time_budget=timedelta(0))
        assert verdicts(outcome) == {"gone": 1}
        assert outcome.exit_status == 3
    accept(ledger, str(store), "bag-1", reason="Withdrawn by its owner")
    assert audited(store, ledger, selection=selection).checked == 0


def test_all_bags_of_an_emptied_store_are_told_to_be_gone(store: Path, ledger: Path) -> None:
    audited(store, ledger)
    shutil.rmtree(store)
    store.mkdir()
    outcome = audited(store, ledger, selection=Selection(daily_percent=1.2))
    assert (verdicts(outcome), outcome.exit_status, outcome.left) == ({"gone": 4}, 3, 0)
    (note,) = outcome.notes
    assert "its disk is connected" in note


def test_a_bag_that_went_during_an_interruption_is_told_by_the_audit_that_goes_on(
    store: Path, ledger: Path
) -> None:
    audited(store, ledger)
    first = audited(store, ledger, time_budget=timedelta(0))
    shutil.rmtree(store / "bag-1")
    again = audited(store, ledger, time_budget=timedelta(0))
    assert (again.run, verdicts(again)) == (first.run, {"gone": 1})
    last = audited(store, ledger)
    assert (last.run, verdicts(last)) == (first.run, {"gone": 1, "intact": 3})


def test_a_bag_that_was_signed_here_and_never_checked_is_missed_too(
    store: Path, ledger: Path, tmp_path: Path
) -> None:
    audited(store, ledger)
    small_bag(store / "bag-new", 7)
    signed(store / "bag-new", tmp_path / "key", ledger)
    shutil.rmtree(store / "bag-new")
    outcome = audited(store, ledger, selection=Selection(daily_percent=1.2))
    assert verdicts(outcome) == {"gone": 1}
    assert [result.bag for result in outcome.results] == ["bag-new"]


def test_a_bag_that_lost_its_declaration_is_still_a_bag(store: Path, ledger: Path) -> None:
    (store / "bag-1" / "bagit.txt").unlink()
    outcome = audited(store, ledger)
    assert ("bag-declaration-missing", "bagit.txt") in findings_of(outcome, "bag-1")


def test_bags_being_written_and_other_folders_are_left_alone(store: Path, ledger: Path) -> None:
    small_bag(store / ".bag-9.1234.unfinished", 9)
    (store / "empty").mkdir()
    (store / "notes.txt").write_text("kept", encoding="utf-8")
    assert verdicts(audited(store, ledger)) == {"intact": 4}


def test_a_bag_or_a_file_is_no_store(store: Path, ledger: Path) -> None:
    with pytest.raises(MisuseError, match="is a bag itself"):
        audited(store / "bag-0", ledger)
    with pytest.raises(MisuseError, match="not a directory"):
        audited(store / "bag-0" / "bagit.txt", ledger)
    with pytest.raises(ArchiverError, match="does not exist"):
        audited(store / "absent", ledger)


def test_only_bags_that_are_due_are_checked(store: Path, ledger: Path) -> None:
    quarter = Selection(older_than=timedelta(days=90))
    assert audited(store, ledger, selection=quarter).checked == 4
    assert audited(store, ledger, selection=quarter).checked == 0
    small_bag(store / "bag-new", 7)
    assert verdicts(audited(store, ledger, selection=quarter)) == {"intact": 1}
    # A look that was less deep does not count as one that was deeper.
    assert audited(store, ledger, selection=quarter, depth=Depth.SOUND).checked == 5
    assert audited(store, ledger, selection=quarter, depth=Depth.QUICK).checked == 0


@pytest.mark.parametrize(
    "selection", [Selection(older_than=timedelta(days=90)), Selection(daily_percent=25)]
)
def test_a_bag_known_to_be_bad_is_due_until_it_is_found_good(
    store: Path, ledger: Path, selection: Selection
) -> None:
    victim = store / "bag-0" / "data" / "documents" / "notes.txt"
    good = victim.read_bytes()
    victim.write_bytes(b"bad")
    assert audited(store, ledger).exit_status == 3
    again = audited(store, ledger, selection=selection)
    assert (again.checked, again.exit_status) == (1, 3)
    # A quick look cannot say that the payload is good again.
    victim.write_bytes(bytes(len(good)))
    quick = audited(store, ledger, depth=Depth.QUICK)
    assert (verdicts(quick), quick.exit_status) == ({"complete": 3, "changed": 1}, 3)
    assert findings_of(quick, "bag-0")[0] == ("damage-not-taken-back", ".")
    assert audited(store, ledger, selection=selection).exit_status == 3
    victim.write_bytes(good)
    mended = audited(store, ledger, selection=selection)
    assert (mended.checked, mended.exit_status) == (1, 0)
    assert audited(store, ledger, selection=selection).checked == 0
    assert verdicts(audited(store, ledger, depth=Depth.QUICK)) == {"complete": 4}


def test_a_change_that_was_accepted_is_not_told_by_a_quick_audit(store: Path, ledger: Path) -> None:
    audited(store, ledger)
    forge(store / "bag-2")
    assert audited(store, ledger).exit_status == 3
    accept(ledger, str(store), "bag-2", reason="Notes corrected by the curator")
    assert audited(store, ledger, depth=Depth.QUICK).exit_status == 0


def test_an_audit_does_not_trust_a_ledger_that_was_edited(store: Path, ledger: Path) -> None:
    audited(store, ledger)
    forge(store / "bag-2")
    digest = hashlib.sha256((store / "bag-2" / "manifest-sha256.txt").read_bytes()).hexdigest()
    tags = hashlib.sha256((store / "bag-2" / "tagmanifest-sha256.txt").read_bytes()).hexdigest()
    with open_ledger(ledger, read_only=True) as book:
        (check,) = book.entries(kind=EntryKind.CHECK, bag="bag-2")
    facts = check.parsed_facts()
    facts["manifests"] = {"manifest-sha256.txt": digest, "tagmanifest-sha256.txt": tags}
    tamper(
        ledger,
        "UPDATE entries SET facts = ? WHERE bag = 'bag-2'",
        values=(json.dumps(facts, sort_keys=True, separators=(",", ":")),),
    )
    for _ in range(2):
        outcome = audit_store(AuditPlan(store=str(store), ledger=ledger))
        Draft202012Validator(schema("audit-report")).validate(outcome.as_json())
        assert outcome.exit_status == 3
        assert verdicts(outcome) == {"intact": 3, "cannot be established": 1}
        assert ("ledger-entry-edited", ".") in findings_of(outcome, "bag-2")
        assert [(one.code, one.where.field) for one in outcome.ledger_findings] == [
            ("ledger-entry-edited", f"entry {check.number}")
        ]


def test_an_altered_entry_that_stops_an_audit_is_named(store: Path, ledger: Path) -> None:
    audited(store, ledger)
    tamper(ledger, "UPDATE entries SET facts = '{' WHERE number = 3")
    with pytest.raises(IntegrityError, match="canonical form") as caught:
        audit_store(AuditPlan(store=str(store), ledger=ledger))
    assert caught.value.where == "ledger.sqlite3, entry 3"


def test_a_new_ledger_and_a_store_that_it_does_not_know_are_told(store: Path, ledger: Path) -> None:
    (new,) = audited(store, ledger, name="vault").notes
    assert "a new ledger was begun" in new
    assert audited(store, ledger, name="vault").notes == ()
    (mistyped,) = audited(store, ledger, name="valut").notes
    assert "Is it vault?" in mistyped
    (other,) = audited(store, ledger, name="second hall").notes
    assert "It knows valut, vault." in other


def test_a_folder_of_packages_is_told_from_an_empty_store(tmp_path: Path, ledger: Path) -> None:
    outgoing = tmp_path / "outgoing"
    outgoing.mkdir()
    (outgoing / "bag-0.tar").write_bytes(b"x")
    (outgoing / "bag-0.tar.sha256").write_text("", encoding="utf-8")
    with pytest.raises(SurroundingsError, match=r"no bag but packages \(bag-0\.tar") as caught:
        audited(outgoing, ledger)
    assert "archiver unpack" in caught.value.remedy
    assert not ledger.exists()


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("foo://x/y", "not known here"),
        ("webdav://x.invalid/y", "a place for deposits"),
    ],
)
def test_a_url_of_another_kind_is_told_with_those_that_are_possible(
    ledger: Path, url: str, words: str
) -> None:
    with pytest.raises(MisuseError, match=words) as caught:
        audited(url, ledger)
    assert "sftp://user@host/folder (with archiver[sftp])" in caught.value.accepted


@pytest.mark.parametrize(("url", "extra"), [("sftp://h/f", "sftp"), ("s3://b/f", "s3")])
def test_a_library_that_is_not_installed_is_named_by_its_extra(
    ledger: Path, monkeypatch: pytest.MonkeyPatch, url: str, extra: str
) -> None:
    import fsspec

    def missing(*_: object, **__: object) -> object:
        raise ImportError("Install what reads this")

    monkeypatch.setattr(fsspec.core, "url_to_fs", missing)
    with pytest.raises(MisuseError) as caught:
        audited(url, ledger)
    assert f"archiver[{extra}]'" in caught.value.remedy


def test_no_folder_is_made_for_a_ledger(store: Path, tmp_path: Path) -> None:
    with pytest.raises(SurroundingsError, match="does not exist"):
        audited(store, tmp_path / "absent" / "ledger.sqlite3")
    assert not (tmp_path / "absent").exists()


def test_what_is_accepted_must_be_known_to_a_ledger_that_is_there(
    store: Path, tmp_path: Path
) -> None:
    with pytest.raises(SurroundingsError, match="does not exist"):
        accept(tmp_path / "none.sqlite3", str(store), "bag-0", reason="because")
    assert not (tmp_path / "none.sqlite3").exists()


def test_a_bag_that_contradicts_itself_cannot_be_accepted(store: Path, ledger: Path) -> None:
    audited(store, ledger)
    victim = store / "bag-1" / "data" / "documents" / "notes.txt"
    victim.write_bytes(bytes(len(victim.read_bytes())))
    with pytest.raises(IntegrityError, match=r"its own manifests.*notes\.txt"):
        accept(ledger, str(store), "bag-1", reason="Notes corrected by the curator")
    with open_ledger(ledger, read_only=True) as book:
        assert not list(book.entries(kind=EntryKind.ACCEPTED))


def test_a_daily_share_goes_round_all_bags_and_is_not_taken_twice_a_day(
    store: Path, ledger: Path
) -> None:
    share = Selection(daily_percent=50)
    assert audited(store, ledger, selection=share).checked == 2
    assert audited(store, ledger, selection=share).checked == 0


@given(
    st.lists(st.integers(0, 400), min_size=1, max_size=30),
    st.integers(1, 100),
    st.integers(0, 400),
)
def test_the_longest_unchecked_come_first_and_no_more_than_the_share(
    ages_d: list[int], percent: int, older_d: int
) -> None:
    bags = [f"b{number}" for number in range(len(ages_d))]
    checks = [
        LastCheck(bag=bag, depth="full", moment=moment_text(NOW - timedelta(days=age)))
        for bag, age in zip(bags, ages_d, strict=True)
        if age < 399
    ]
    age_of = dict(zip(bags, ages_d, strict=True))
    chosen = choose(
        bags,
        checks,
        depth=Depth.QUICK,
        selection=Selection(older_than=timedelta(days=older_d), daily_percent=percent),
        now=NOW,
    )
    ages = [min(age_of[bag], 399) for bag in chosen]
    assert ages == sorted(ages, reverse=True)
    assert all(age > older_d or age == 399 for age in ages)
    today = sum(age <= 1 for age in ages_d)
    assert len(chosen) <= max(0, -(-len(bags) * percent // 100) - today)
    left_out = [min(age_of[bag], 399) for bag in bags if bag not in chosen]
    if left_out and ages:
        assert max([age for age in left_out if age > older_d], default=0) <= ages[-1]


def test_when_the_time_is_up_no_file_is_begun_and_the_next_run_goes_on(
    store: Path, ledger: Path
) -> None:
    first = audited(store, ledger, time_budget=timedelta(0))
    assert (first.checked, first.left, first.ended, first.exit_status) == (0, 4, None, 0)
    second = audited(store, ledger)
    assert (second.run, second.resumed, second.checked, second.left) == (first.run, True, 4, 0)
    assert audited(store, ledger).run != first.run


def test_an_audit_left_alone_for_long_is_not_taken_up(store: Path, ledger: Path) -> None:
    old = moment_text(datetime.now(UTC) - timedelta(days=8))
    facts = {
        "run": "0" * 16,
        "depth": "full",
        "bags": 4,
        "selection": Selection().words(),
        "program": "archiver",
    }
    with open_ledger(ledger) as book:
        book.append(
            Draft(
                kind=EntryKind.AUDIT_BEGUN,
                store=str(store.resolve()),
                moment=old,
                facts=facts,
            )
        )
    outcome = audited(store, ledger)
    assert (outcome.resumed, outcome.checked) == (False, 4)
    assert outcome.run != "0" * 16


def test_an_audit_can_be_begun_anew(store: Path, ledger: Path) -> None:
    first = audited(store, ledger, time_budget=timedelta(0))
    assert audited(store, ledger, fresh=True).run != first.run


def test_an_interrupted_audit_ends_as_an_unbroken_one_and_reads_little_twice(
    store: Path, ledger: Path, tmp_path: Path
) -> None:
    """Death at every twentieth call in turn, then on to the end."""
    (store / "bag-1" / "data" / "masters" / "t01.wav").write_bytes(b"other")
    unbroken = audited(store, tmp_path / "unbroken.sqlite3")
    reads_of_one = _reads(store, tmp_path / "counted.sqlite3")
    reads = 0
    deaths = 0
    for at in range(15, 100_000, 20):
        seam = FaultySeam(fail_at=at)
        with files.use(seam):
            try:
                outcome = audit_store(AuditPlan(store=str(store), ledger=ledger))
            except ProcessDeathError:
                deaths += 1
                reads += _counted(seam)
                continue
        break
    reads += _counted(seam)
    assert deaths > 5
    assert _comparable(outcome) == _comparable(unbroken)
    # A death costs at most the bag in hand here, since bags this small are not noted inside.
    assert reads <= reads_of_one + deaths * 12


def _counted(seam: FaultySeam) -> int:
    return sum(call.operation == "open_read" and "data" in call.path.parts for call in seam.calls)


def _reads(store: Path, ledger: Path) -> int:
    seam = FaultySeam()
    with files.use(seam):
        audit_store(AuditPlan(store=str(store), ledger=ledger))
    return _counted(seam)


def _comparable(outcome: AuditOutcome) -> object:
    return (
        outcome.counts,
        outcome.bytes_read,
        outcome.left,
        [(result.bag, result.verdict, result.findings) for result in outcome.results],
    )


def test_files_of_a_large_bag_read_before_an_interruption_are_not_read_again(
    tmp_path: Path, ledger: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from archiver.package import hashing
    from tests.package.small_bags import write_bag

    # Many short reads, so that a run of small files can die between any two of them.
    monkeypatch.setattr(hashing, "_BLOCK_BYTES", 1 << 17)

    store = tmp_path / "store"
    payload = {f"masters/t{n:02d}.wav": bytes([n]) * (5 << 20) for n in range(4)}
    write_bag(store / "large", payload)
    opened: list[str] = []
    deaths = 0
    for at in range(70, 100_000, 45):
        seam = FaultySeam(fail_at=at)
        try:
            with files.use(seam):
                outcome = audit_store(AuditPlan(store=str(store), ledger=ledger))
        except ProcessDeathError:
            opened += _masters_opened(seam)
            deaths += 1
            continue
        opened += _masters_opened(seam)
        break
    assert verdicts(outcome) == {"intact": 1}
    with open_ledger(ledger, read_only=True) as book:
        facts = [entry.parsed_facts() for entry in book.entries()]
    assert [fact["resumed"] for fact in facts if "resumed" in fact] == [True]
    assert outcome.resumed
    # Four masters, two in hand at each death; none is opened again once it was noted.
    assert deaths
    assert len(opened) <= 4 + 2 * deaths


def _masters_opened(seam: FaultySeam) -> list[str]:
    return [c.path.name for c in seam.calls if c.operation == "open_read" and ".wav" in c.path.name]


def test_a_file_changed_between_is_read_again(tmp_path: Path, ledger: Path) -> None:
    from archiver.custody.audit import Notebook

    (tmp_path / "a").write_bytes(b"x")
    with open_ledger(ledger) as book:
        notebook = Notebook(book, "run", "bag")
        notebook.note("a", files.status(tmp_path / "a"), {"sha256": "d"})
        notebook.keep()
        again = Notebook(book, "run", "bag")
        assert again.recall("a", files.status(tmp_path / "a")) == {"sha256": "d"}
        time.sleep(0.02)
        (tmp_path / "a").write_bytes(b"y")
        assert again.recall("a", files.status(tmp_path / "a")) is None


def test_two_audits_at_once_both_end_and_the_ledger_is_whole(store: Path, ledger: Path) -> None:
    command = [sys.executable, "-m", "tests.pipeline.auditing", str(store), str(ledger)]
    running = [subprocess.Popen(command) for _ in range(3)]
    assert [process.wait(60) for process in running] == [0, 0, 0]
    with open_ledger(ledger, read_only=True) as opened:
        assert verify_ledger(opened).intact
        kinds = [entry.kind for entry in opened.entries()]
    assert kinds.count("audit begun") == kinds.count("audit ended")
    assert kinds.count("check") >= 4


def test_processes_side_by_side_give_the_same(store: Path, ledger: Path, tmp_path: Path) -> None:
    (store / "bag-1" / "data" / "masters" / "t01.wav").write_bytes(b"other")
    alone = audited(store, ledger)
    beside = audited(store, tmp_path / "other.sqlite3", jobs=2)
    assert _comparable(beside) == _comparable(alone)


@pytest.mark.parametrize(
    ("damage", "verdict"),
    [
        (lambda bag: (bag / "data").rename(bag / "date"), AuditVerdict.CHANGED),
        (lambda bag: [path.unlink() for path in bag.glob("manifest-*")], AuditVerdict.CHANGED),
    ],
)
def test_bags_beyond_recognition_do_not_stop_an_audit(
    store: Path, ledger: Path, damage: Callable[[Path], object], verdict: AuditVerdict
) -> None:
    damage(store / "bag-0")
    outcome = audited(store, ledger)
    assert dict(outcome.counts) == {AuditVerdict.INTACT: 3, verdict: 1}


def test_a_bag_that_cannot_be_listed_is_told_apart_from_a_changed_one(
    store: Path, ledger: Path
) -> None:
    import errno

    seam = FaultySeam(errno=errno.EACCES, refused={("listing", "bag-2")})
    with files.use(seam):
        outcome = audit_store(AuditPlan(store=str(store), ledger=ledger))
    assert seam.injected
    assert verdicts(outcome) == {"intact": 3, "unusable": 1}
    assert outcome.exit_status == 4


def test_nothing_is_written_to_the_store(store: Path, ledger: Path) -> None:
    before = {path: path.stat().st_mtime_ns for path in sorted(store.rglob("*"))}
    audited(store, ledger, depth=Depth.SOUND)
    assert {path: path.stat().st_mtime_ns for path in sorted(store.rglob("*"))} == before


def test_few_files_are_open_at_a_time(store: Path, ledger: Path) -> None:
    seam = FaultySeam()
    with files.use(seam):
        audit_store(AuditPlan(store=str(store), ledger=ledger))
    assert 0 < seam.most_open_files <= 16


def signed(bag: Path, key: Path, ledger: Path | None = None) -> None:
    """Sign with a new key of OpenSSH, that any judge would take."""
    private = Ed25519PrivateKey.generate()
    text = private.private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption())
    key.write_bytes(text)
    (one,) = sign_bags([bag], key, ledger=ledger)
    assert one.error is None


def test_the_audit_says_which_bags_are_signed_and_by_which_key(
    store: Path, ledger: Path, tmp_path: Path
) -> None:
    assert audited(store, ledger).signed == ()
    signed(store / "bag-0", tmp_path / "key")
    outcome = audited(store, ledger)
    # A bag that gains a signature is as it should be.
    assert (outcome.exit_status, verdicts(outcome)) == (0, {"intact": 4})
    ((key, number),) = outcome.signed
    assert (key.startswith("SHA256:"), number) == (True, 1)
    assert outcome.as_json()["signed"] == [{"key": key, "bags": 1}]


@pytest.mark.parametrize("depth", list(Depth))
def test_a_signature_that_is_gone_is_told_until_that_is_accepted(
    store: Path, ledger: Path, tmp_path: Path, depth: Depth
) -> None:
    signed(store / "bag-0", tmp_path / "key")
    ((key, _),) = audited(store, ledger, depth=depth).signed
    (store / "bag-0" / "tagmanifest-sha256.txt.sig").unlink()
    for _ in range(2):
        outcome = audited(store, ledger, depth=depth)
        assert outcome.exit_status == 3
        (result,) = outcome.results
        (finding,) = [one for one in result.findings if one["severity"] == "error"]
        assert finding["code"] == "signature-gone"
        assert finding["where"] == "tagmanifest-sha256.txt.sig"
        assert key in finding["message"]
    accept(ledger, str(store), "bag-0", reason="The key was lost")
    assert audited(store, ledger, depth=depth).exit_status == 0
    signed(store / "bag-0", tmp_path / "other")
    assert audited(store, ledger, depth=depth).exit_status == 0
    (store / "bag-0" / "tagmanifest-sha256.txt.sig").unlink()
    assert audited(store, ledger, depth=depth).exit_status == 3


def test_a_signature_of_another_key_is_told_until_that_is_accepted(
    store: Path, ledger: Path, tmp_path: Path
) -> None:
    signature = store / "bag-0" / "tagmanifest-sha256.txt.sig"
    signed(store / "bag-0", tmp_path / "key")
    first = signature.read_bytes()
    audited(store, ledger)
    signature.unlink()
    signed(store / "bag-0", tmp_path / "other")
    for _ in range(2):
        outcome = audited(store, ledger)
        found = findings_of(outcome, "bag-0")
        assert (outcome.exit_status, "signature-of-another-key") == (3, found[0][0])
    accept(ledger, str(store), "bag-0", reason="The old key was replaced")
    assert audited(store, ledger).exit_status == 0
    # From then on the new key is the one that is asked for.
    signature.write_bytes(first)
    assert audited(store, ledger).exit_status == 3


def test_a_bad_signature_is_told_once_and_not_as_one_that_is_gone(
    store: Path, ledger: Path, tmp_path: Path
) -> None:
    signed(store / "bag-0", tmp_path / "key")
    audited(store, ledger)
    signed(store / "bag-1", tmp_path / "other")
    shutil.copy(
        store / "bag-1" / "tagmanifest-sha256.txt.sig",
        store / "bag-0" / "tagmanifest-sha256.txt.sig",
    )
    codes = [code for code, _ in findings_of(audited(store, ledger), "bag-0")]
    assert "signature-bad" in codes
    assert not {"signature-gone", "signature-of-another-key"} & set(codes)


def test_what_was_signed_into_the_ledger_is_known_before_the_first_audit(
    store: Path, ledger: Path, tmp_path: Path
) -> None:
    signed(store / "bag-0", tmp_path / "key")
    signature = store / "bag-0" / "tagmanifest-sha256.txt.sig"
    signature.unlink()
    sign_bags([store / "bag-0"], tmp_path / "key", ledger=ledger)
    signature.unlink()
    assert findings_of(audited(store, ledger), "bag-0")[0][0] == "signature-gone"
    sign_bags([store / "bag-0"], tmp_path / "key", ledger=ledger)
    assert audited(store, ledger).exit_status == 0


def test_a_ledger_of_an_earlier_program_says_what_it_knew_of_signatures(
    store: Path, ledger: Path, tmp_path: Path
) -> None:
    signed(store / "bag-0", tmp_path / "key")
    audited(store, ledger)
    (store / "bag-0" / "tagmanifest-sha256.txt.sig").unlink()
    with open_ledger(ledger) as opened:
        checks = [one for one in opened.entries(kind=EntryKind.CHECK) if one.bag == "bag-0"]
        facts = checks[-1].parsed_facts()
        # An earlier program took a bag without its signature for intact, and had it accepted.
        facts["signatures"] = []
        del facts["signature_asked"]
        old = {"reason": "As found", "withdrawn": False, "manifests": facts["manifests"]}
        for kind, stated in ((EntryKind.CHECK, facts), (EntryKind.ACCEPTED, old)):
            draft = Draft(
                kind=kind,
                store=checks[-1].store,
                bag="bag-0",
                moment=moment_text(datetime.now(UTC)),
                facts=stated,
            )
            opened.append(draft)
    assert findings_of(audited(store, ledger), "bag-0")[0][0] == "signature-gone"


def test_the_events_of_the_ledger_state_signatures(
    store: Path, ledger: Path, tmp_path: Path
) -> None:
    signed(store / "bag-0", tmp_path / "key")
    ((key, _),) = audited(store, ledger).signed
    with open_ledger(ledger, read_only=True) as opened:
        events = b"".join(exported(opened, "premis")).decode()
    assert f"tagmanifest-sha256.txt.sig: good, no signers named, key {key}" in events


@pytest.mark.parametrize("known", [False, True])
def test_a_store_without_bags_that_the_ledger_does_not_know_is_not_well(
    store: Path, ledger: Path, tmp_path: Path, known: bool
) -> None:
    if known:
        audited(store, ledger)
    # What a disk leaves behind that is not connected.
    (tmp_path / "disk").mkdir()
    with pytest.raises(SurroundingsError, match=r"(?s)holds no bag.*disk.*connected"):
        audited(tmp_path / "disk", ledger)
    assert ledger.exists() is known


def test_a_store_whose_bags_were_all_withdrawn_is_as_it_should_be(
    store: Path, ledger: Path
) -> None:
    bags = ["bag-0", "bag-1", "bag-2", "2026/bag-3"]
    assert audited(store, ledger).bags_held == len(bags)
    for bag in bags:
        shutil.rmtree(store / bag)
    assert audited(store, ledger).exit_status == 3
    for bag in bags:
        accept(ledger, str(store), bag, reason="Withdrawn by its owner")
    assert audited(store, ledger).exit_status == 0
