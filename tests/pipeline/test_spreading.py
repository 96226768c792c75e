"""Audits over several processes: one that is lost, one that keeps being lost, and an end."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Generator
from pathlib import Path

import pytest

from archiver.custody.audit import AuditVerdict
from archiver.custody.entry import EntryKind
from archiver.custody.ledger import open_ledger
from archiver.custody.store import bags_of, opened_store
from archiver.errors import SurroundingsError
from archiver.pipeline.audit import AuditPlan, audit_store
from archiver.pipeline.spreading import spread
from tests.custody.stores import small_store
from tests.package.small_bags import write_bag


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite3"


class Killing:
    """Ends a process of the pool from outside, as a system without memory does."""

    def __init__(self, times: int) -> None:
        self.left = times

    def step(self, name: str, total_bytes: int) -> None:
        del name, total_bytes

    def advance(self, count: int) -> None:
        del count
        if self.left and (children := multiprocessing.active_children()):
            children[0].kill()
            self.left -= 1


def test_what_a_lost_process_had_in_hand_is_checked_by_another(
    tmp_path: Path, ledger: Path
) -> None:
    store = small_store(tmp_path / "many", 60)
    progress = Killing(2)
    outcome = audit_store(AuditPlan(store=str(store), ledger=ledger, jobs=2), progress=progress)
    assert progress.left == 0
    assert dict(outcome.counts) == {AuditVerdict.INTACT: 60}
    with open_ledger(ledger, read_only=True) as opened:
        checked = [entry.bag for entry in opened.entries(kind=EntryKind.CHECK)]
    assert len(checked) == len(set(checked)) == 60


def test_processes_lost_again_and_again_end_the_audit_with_a_sentence(
    tmp_path: Path, ledger: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("archiver.pipeline.spreading._RETRIES", 0)
    store = small_store(tmp_path / "many", 60)
    plan = AuditPlan(store=str(store), ledger=ledger, jobs=2)
    with pytest.raises(SurroundingsError, match="ended from outside 1 times"):
        audit_store(plan, progress=Killing(1))
    assert audit_store(plan).resumed


def test_audit_that_is_given_up_leaves_no_process_at_work(tmp_path: Path, ledger: Path) -> None:
    store = small_store(tmp_path / "store", 9)
    write_bag(store / "large", {"masters/t01.wav": bytes(1 << 27)})
    with opened_store(str(store)) as opened:
        bags = list(bags_of(opened))
        plan = AuditPlan(store=str(store), ledger=ledger, jobs=2)
        checks = spread(opened, [*bags, *["large"] * 40], plan, lambda: False)
        next(checks)
        begun = time.monotonic()
        assert isinstance(checks, Generator)
        checks.close()
    assert multiprocessing.active_children() == []
    # Forty times 128 MiB would take longer by far.
    assert time.monotonic() - begun < 10
