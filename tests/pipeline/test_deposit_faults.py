"""Depositing by several at once, over lines that are cut, and by a machine that dies."""

from __future__ import annotations

import contextlib
import errno
import shutil
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

import pytest

from archiver import files
from archiver.custody.deposits import deposits_in
from archiver.custody.ledger import open_ledger
from archiver.custody.places import Place, open_place
from archiver.custody.transport.retrying import Retries
from archiver.errors import ArchiverError
from archiver.pipeline import deposit
from archiver.pipeline.deposit import deposit_bags
from archiver.pipeline.deposit_outcome import BagDeposit, DepositOutcome
from tests.custody.transport import surroundings
from tests.custody.transport.sftp_server import sftp_server
from tests.custody.transport.webdav_server import webdav_server
from tests.faults import FaultySeam, ProcessDeathError
from tests.package.small_bags import contents
from tests.pipeline.handing import PAYLOAD, Both, both_sides, same, small_bag


@pytest.fixture
def both(tmp_path: Path) -> Both:
    return both_sides(tmp_path)


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return small_bag(tmp_path / "home" / "bags" / "lhm-1")


def entered(both: Both) -> int:
    if not both.ledger.exists():
        return 0
    with open_ledger(both.ledger, read_only=True) as ledger:
        return len(deposits_in(ledger))


def _ends_complete(both: Both, bag: Path) -> None:
    """The same command once more: complete, verified, entered once."""
    (done,) = both.deposit(bag)
    assert done.outcome in {DepositOutcome.DEPOSITED, DepositOutcome.BEFORE}
    assert entered(both) == 1
    (received,) = both.receive()
    assert str(received.outcome) == "accepted"
    assert same(bag, both.store / "lhm-1")
    assert not [path for path in both.inbox.rglob("*") if path.name.endswith(".unfinished")]


@pytest.mark.parametrize("form", ["tar", "folder"])
@pytest.mark.parametrize("part", range(8))
def test_a_deposit_that_dies_anywhere_is_never_half_recorded_and_goes_on(
    tmp_path: Path, form: str, part: int
) -> None:
    both = both_sides(tmp_path / "count", form)
    bag = small_bag(tmp_path / "count" / "home" / "lhm-1")
    counting = FaultySeam()
    with files.use(counting):
        deposit_bags(both.plan(bag))
    last = len(counting.calls)
    both = both_sides(tmp_path / "dies", form)
    bag = small_bag(tmp_path / "dies" / "home" / "lhm-1")
    dying = FaultySeam(fail_at=1 + part * (last - 1) // 7)
    with files.use(dying), pytest.raises(ProcessDeathError):
        deposit_bags(both.plan(bag))
    known = 0
    if both.ledger.exists():
        with open_ledger(both.ledger) as ledger:
            known = len(deposits_in(ledger))
    records = list(both.inbox.rglob("deposit.json"))
    assert known <= len(records) <= 1
    _ends_complete(both, bag)


@pytest.mark.parametrize("part", range(6))
def test_a_full_disk_anywhere_is_told_and_the_same_command_goes_on(
    tmp_path: Path, part: int
) -> None:
    both = both_sides(tmp_path / "count")
    bag = small_bag(tmp_path / "count" / "home" / "lhm-1")
    counting = FaultySeam()
    with files.use(counting):
        deposit_bags(both.plan(bag))
    both = both_sides(tmp_path / "fails")
    bag = small_bag(tmp_path / "fails" / "home" / "lhm-1")
    failing = FaultySeam(fail_at=5 + part * (len(counting.calls) - 6) // 5, errno=errno.ENOSPC)
    status = 0
    with files.use(failing):
        try:
            (done,) = deposit_bags(both.plan(bag))
            status = done.exit_status
        except Exception as error:  # noqa: BLE001 - only the kind of error matters here
            status = getattr(error, "exit_status", -1)
    assert status in {0, 2, 3, 4}
    _ends_complete(both, bag)


def test_a_deposit_whose_entry_and_papers_were_lost_is_entered_as_it_was_made(
    both: Both, bag: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1795600000")
    (first,) = both.deposit(bag)
    before = contents(both.inbox)
    for path in both.ledger.parent.glob("ledger.sqlite3*"):
        path.unlink()
    shutil.rmtree(both.ledger.parent / "deposits")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1797000000")
    (again,) = both.deposit(bag)
    assert again.outcome is DepositOutcome.DEPOSITED
    assert again.receipt_due == first.receipt_due
    assert contents(both.inbox) == before


def test_of_concurrent_deposits_of_one_bag_one_is_made(both: Both, bag: Path) -> None:
    start = threading.Barrier(4)

    def run(_: int) -> BagDeposit:
        start.wait()
        return deposit_bags(both.plan(bag))[0]

    with ThreadPoolExecutor(4) as pool:
        done = list(pool.map(run, range(4)))
    made = [one for one in done if one.outcome is DepositOutcome.DEPOSITED]
    others = [one for one in done if one.outcome is not DepositOutcome.DEPOSITED]
    assert len(made) == 1
    for one in others:
        assert one.outcome is DepositOutcome.BEFORE or "another" in str(one.error)
    assert entered(both) == 1
    _ends_complete(both, bag)


def test_concurrent_deposits_of_several_bags_are_all_entered(both: Both, tmp_path: Path) -> None:
    bags = [small_bag(tmp_path / "home" / f"lhm-{number}") for number in range(4)]
    with ThreadPoolExecutor(4) as pool:
        done = list(pool.map(lambda bag: deposit_bags(both.plan(bag))[0], bags))
    assert [one.outcome for one in done] == [DepositOutcome.DEPOSITED] * 4
    assert entered(both) == 4
    both.deposits()


def test_a_deposit_over_sftp_is_cut_and_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    surroundings.bare(monkeypatch, tmp_path)
    both = both_sides(tmp_path / "sides", "folder")
    bag = small_bag(tmp_path / "home" / "lhm-1")
    with sftp_server(tmp_path / "server") as server:
        surroundings.let_into_sftp(monkeypatch, server)
        place = f"sftp://depositor@127.0.0.1:{server.port}/"
        server.clear_faults().full_after_bytes = 100_000
        (cut,) = both.deposit(bag, to=place)
        assert cut.outcome is DepositOutcome.FAILED
        assert cut.exit_status == 4
        assert entered(both) == 0
        assert not list(server.root.rglob("deposit.json"))
        # A note tells of it, and no ledger is there that holds nothing.
        assert not both.ledger.exists()
        (left,) = both.deposits().under_way
        assert (left.bag, both.deposits().exit_status) == ("lhm-1", 0)
        # The day after it is told to cron.
        assert both.deposits(today=date(2100, 1, 1)).exit_status == 1
        faults = server.clear_faults()
        (done,) = both.deposit(bag, to=place)
        assert done.outcome is DepositOutcome.DEPOSITED
        # The files that had arrived before the cut are not sent again.
        total = sum(path.stat().st_size for path in server.root.rglob("*") if path.is_file())
        assert faults.written_bytes <= total - len(PAYLOAD["masters/t01.wav"])
        assert both.deposits().under_way == ()
        assert done.to == f"sftp://depositor@127.0.0.1:{server.port}/{done.deposit}"
        with open_place(place) as opened:
            assert {one.name for one in opened.listing(done.deposit)} >= {"deposit.json"}
        (received,) = both.receive(server.root / done.deposit)
    assert str(received.outcome) == "accepted"
    assert same(bag, both.store / "lhm-1")


def test_a_rehearsal_over_sftp_looks_at_the_place_and_leaves_no_trace(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    surroundings.bare(monkeypatch, tmp_path)
    both = both_sides(tmp_path / "sides", "tar")
    bag = small_bag(tmp_path / "home" / "lhm-1")
    with sftp_server(tmp_path / "server") as server:
        surroundings.let_into_sftp(monkeypatch, server)
        place = f"sftp://depositor@127.0.0.1:{server.port}"
        (done,) = both.deposit(bag, to=f"{place}/", rehearse=True)
        assert done.outcome is DepositOutcome.REHEARSED
        with pytest.raises(ArchiverError, match="nowhere"):
            both.deposit(bag, to=f"{place}/nowhere", rehearse=True)
        assert list(server.root.iterdir()) == []


def test_a_deposit_over_webdav_is_received_as_the_same_bag(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    surroundings.bare(monkeypatch, tmp_path)
    both = both_sides(tmp_path / "sides", "zip")
    bag = small_bag(tmp_path / "home" / "lhm-1")
    with webdav_server(tmp_path / "server") as server:
        surroundings.let_into_webdav(monkeypatch)
        (done,) = both.deposit(bag, to=f"webdav://127.0.0.1:{server.port}/")
        assert done.outcome is DepositOutcome.DEPOSITED, done.error
        (received,) = both.receive(server.root / done.deposit)
    assert str(received.outcome) == "accepted"
    assert same(bag, both.store / "lhm-1")


def test_a_deposit_that_was_given_up_for_another_is_not_told_any_more(
    both: Both, bag: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1795600000")
    (bag / "data" / "masters" / "t01.wav").write_bytes(bytes(len(PAYLOAD["masters/t01.wav"])))
    both.use_form("folder")
    (cut,) = both.deposit(bag)
    assert cut.outcome is DepositOutcome.FAILED
    (left,) = both.deposits().under_way
    assert "t01.wav" in left.failed
    both.use_form("zip")
    (bag / "data" / "masters" / "t01.wav").write_bytes(PAYLOAD["masters/t01.wav"])
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1795700000")
    (done,) = both.deposit(bag)
    assert done.deposit != cut.deposit
    assert both.deposits().under_way == ()


def test_a_note_that_is_none_of_ours_is_passed_over(both: Both, bag: Path) -> None:
    both.deposit(bag)
    folder = both.ledger.parent / "deposits" / "D-000000000000"
    folder.mkdir()
    for text in ("", "[]", "{}", '{"deposit": 1}', '{"deposit": "D-000000000000", "bag": "b"}'):
        (folder / "under-way.json").write_text(text, encoding="utf-8")
        assert both.deposits().under_way == ()


def test_what_is_told_of_a_wait_reaches_the_one_who_deposits(
    both: Both, bag: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str] = []

    def place_with_a_wait(
        location: str, *, retries: Retries | None = None
    ) -> contextlib.AbstractContextManager[Place]:
        assert retries is not None
        retries.tell("cut; trying again in 3 s")
        return open_place(location, retries=retries)

    monkeypatch.setattr(deposit, "open_place", place_with_a_wait)
    deposit_bags(both.plan(bag), tell=told.append)
    assert told == ["cut; trying again in 3 s"]
