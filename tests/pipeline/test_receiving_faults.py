"""Receiving by several at once, and by a machine that fails or dies at any call."""

from __future__ import annotations

import contextlib
import errno
import shutil
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from archiver import files
from archiver.custody.entry import EntryKind
from archiver.custody.ledger import open_ledger
from archiver.errors import ArchiverError
from archiver.pipeline.receiving import receive_packages
from archiver.pipeline.receiving_outcome import PackageOutcome, ReceivedPackage
from tests.faults import FaultySeam, ProcessDeathError
from tests.pipeline.handing import (
    PAYLOAD,
    Both,
    as_tar,
    both_sides,
    climbing,
    kinds,
    same,
    small_bag,
)


@pytest.fixture
def both(tmp_path: Path) -> Both:
    return both_sides(tmp_path)


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    return small_bag(tmp_path / "home" / "bags" / "lhm-1")


def test_of_several_who_receive_one_package_one_accepts_it(both: Both, bag: Path) -> None:
    (sent,) = both.deposit(bag)
    start = threading.Barrier(4)

    def run(_: int) -> ReceivedPackage:
        start.wait()
        return receive_packages(both.receiving(both.inbox / sent.deposit))[0]

    with ThreadPoolExecutor(4) as pool:
        done = list(pool.map(run, range(4)))
    assert [one.outcome for one in done].count(PackageOutcome.ACCEPTED) == 1
    for one in done:
        assert one.outcome in {PackageOutcome.ACCEPTED, PackageOutcome.HELD} or "another" in str(
            one.error
        )
    assert kinds(both) == ["received", "check"]
    assert same(bag, both.store / "lhm-1")


def test_two_packages_of_one_bag_at_once_end_in_one_bag(both: Both, bag: Path) -> None:
    packages = [as_tar(bag, both.inbox / f"{number}.tar") for number in range(3)]
    start = threading.Barrier(3)

    def run(package: Path) -> ReceivedPackage:
        start.wait()
        return receive_packages(both.receiving(package))[0]

    with ThreadPoolExecutor(3) as pool:
        done = list(pool.map(run, packages))
    assert {one.outcome for one in done} <= {PackageOutcome.ACCEPTED, PackageOutcome.HELD}
    assert same(bag, both.store / "lhm-1")


@pytest.mark.parametrize("part", range(8))
def test_receiving_that_dies_anywhere_leaves_a_whole_bag_or_none_and_goes_on(
    tmp_path: Path, part: int
) -> None:
    both = both_sides(tmp_path / "count")
    both.deposit(small_bag(tmp_path / "count" / "home" / "lhm-1"))
    counting = FaultySeam()
    with files.use(counting):
        receive_packages(both.receiving())
    both = both_sides(tmp_path / "dies")
    bag = small_bag(tmp_path / "dies" / "home" / "lhm-1")
    both.deposit(bag)
    dying = FaultySeam(fail_at=1 + part * (len(counting.calls) - 1) // 7)
    with files.use(dying), pytest.raises(ProcessDeathError):
        receive_packages(both.receiving())
    if (both.store / "lhm-1").exists():
        assert same(bag, both.store / "lhm-1")
    (received,) = both.receive()
    assert received.outcome in {PackageOutcome.ACCEPTED, PackageOutcome.HELD}
    assert same(bag, both.store / "lhm-1")
    assert kinds(both)[:2] == ["received", "check"]


@pytest.mark.parametrize("part", range(8))
def test_a_full_disk_at_the_institution_never_ends_in_a_letter_to_the_depositor(
    tmp_path: Path, part: int
) -> None:
    both = both_sides(tmp_path / "count")
    both.deposit(small_bag(tmp_path / "count" / "home" / "lhm-1"))
    counting = FaultySeam()
    with files.use(counting):
        receive_packages(both.receiving())
    both = both_sides(tmp_path / "fails")
    bag = small_bag(tmp_path / "fails" / "home" / "lhm-1")
    both.deposit(bag)
    failing = FaultySeam(fail_at=5 + part * (len(counting.calls) - 6) // 7, errno=errno.ENOSPC)
    outcome = PackageOutcome.FAILED
    # What is no result of the package is one of the command: the ledger, say.
    with files.use(failing), contextlib.suppress(ArchiverError):
        outcome = receive_packages(both.receiving())[0].outcome
    assert outcome is not PackageOutcome.QUARANTINED
    if both.quarantine.exists():
        assert list(both.quarantine.iterdir()) == []
    (received,) = both.receive()
    assert received.outcome in {PackageOutcome.ACCEPTED, PackageOutcome.HELD}
    assert same(bag, both.store / "lhm-1")


@pytest.fixture(scope="module")
def half_sent(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new version in the inbox, of which the institution holds the rest."""
    root = tmp_path_factory.mktemp("half") / "sides"
    both = both_sides(root)
    both.deposit(small_bag(root / "home" / "lhm-1"))
    (received,) = both.receive(clear=True)
    assert received.papers is not None
    both.import_receipt(received.papers / "receipt.json")
    payload = PAYLOAD | {"documents/notes.txt": b"new"}
    second = small_bag(root / "home" / "lhm-1-v2", payload, version=2, replaces="lhm-1")
    both.deposit(second, only_new=True)
    return root


@pytest.mark.parametrize("number", [0, errno.EIO])
def test_completing_a_version_that_meets_a_fault_anywhere_is_no_fault_of_the_sender(
    half_sent: Path, tmp_path: Path, number: int
) -> None:
    counting = FaultySeam()
    shutil.copytree(half_sent, tmp_path / "count")
    with files.use(counting):
        receive_packages(Both(root=tmp_path / "count").receiving())
    for part in range(10):
        root = tmp_path / str(part)
        shutil.copytree(half_sent, root)
        both = Both(root=root)
        failing = FaultySeam(fail_at=40 + part * (len(counting.calls) - 40) // 10, errno=number)
        outcome = PackageOutcome.FAILED
        with (
            files.use(failing),
            contextlib.suppress(ArchiverError, ProcessDeathError),
        ):
            outcome = receive_packages(both.receiving())[0].outcome
        assert failing.injected
        assert outcome is not PackageOutcome.QUARANTINED
        (received,) = both.receive()
        assert received.outcome in {PackageOutcome.ACCEPTED, PackageOutcome.HELD}
        assert same(root / "home" / "lhm-1-v2", both.store / "lhm-1-v2")


def test_what_lies_in_quarantine_the_ledger_knows_wherever_a_run_died(
    both: Both, bag: Path
) -> None:
    package = as_tar(bag, both.inbox / "lhm-1.tar", climbing)
    content = package.read_bytes()
    counting = FaultySeam()
    receive_packages(both.receiving(package))
    package.write_bytes(content)
    with files.use(counting):
        receive_packages(both.receiving(package))
    for part in range(12):
        (both.inbox / "lhm-1.tar").write_bytes(content)
        dying = FaultySeam(fail_at=len(counting.calls) - 30 + part * 2)
        with files.use(dying), pytest.raises(ProcessDeathError):
            receive_packages(both.receiving(package))
        places = [*both.inbox.rglob("lhm-1.tar"), *both.quarantine.rglob("lhm-1.tar")]
        assert any(path.read_bytes() == content for path in places)
        (both.inbox / "lhm-1.tar").unlink(missing_ok=True)
        both.receive(both.inbox)
        aside = {path.parent.parent.name for path in both.quarantine.rglob("lhm-1.tar")}
        with open_ledger(both.their_ledger, read_only=True) as ledger:
            known = [
                entry.parsed_facts()["receipt"]
                for entry in ledger.entries(kind=EntryKind.QUARANTINED)
            ]
        assert len(known) == len(set(known))
        assert set(known) == aside
    assert EntryKind.RECEIVED not in kinds(both)
