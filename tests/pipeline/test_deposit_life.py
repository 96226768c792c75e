"""The life of deposits in any order: handed over, damaged, received, answered, made anew.

Whatever comes of a deposit, the ledgers stay whole, the store holds bags of the home byte for
byte and nothing else, and the home never counts on what the institution does not hold.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from archiver.custody.deposits import DepositState, deposits_in
from archiver.custody.ledger import open_ledger
from archiver.pipeline.deposit_outcome import DepositOutcome
from archiver.pipeline.receiving_outcome import PackageOutcome
from tests.pipeline.handing import PAYLOAD, both_sides, judge_ledger, same, small_bag

_MOST_VERSIONS = 3


class DepositLife(RuleBasedStateMachine):
    """Two sides and everything that may happen between them."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.both = both_sides(Path(self.folder.name))
        self.bags = [small_bag(Path(self.folder.name) / "home" / "lhm-1")]
        self.damaged: set[str] = set()
        self.imported: set[Path] = set()

    def teardown(self) -> None:
        self.folder.cleanup()

    @precondition(lambda self: len(self.bags) < _MOST_VERSIONS)
    @rule(new=st.binary(min_size=1, max_size=20))
    def make_a_new_version(self, new: bytes) -> None:
        number = len(self.bags) + 1
        payload = PAYLOAD | {"documents/notes.txt": new}
        root = Path(self.folder.name) / "home" / f"lhm-1-v{number}"
        self.bags.append(small_bag(root, payload, version=number, replaces=self.bags[-1].name))

    @rule(data=st.data(), only_new=st.booleans())
    def deposit(self, data: st.DataObject, only_new: bool) -> None:
        bag = data.draw(st.sampled_from(self.bags))
        (done,) = self.both.deposit(bag, only_new=only_new)
        assert done.outcome in {DepositOutcome.DEPOSITED, DepositOutcome.BEFORE}, done.error

    @precondition(lambda self: any(self.both.inbox.iterdir()))
    @rule(data=st.data())
    def damage_a_package(self, data: st.DataObject) -> None:
        folder = data.draw(st.sampled_from(sorted(self.both.inbox.iterdir())))
        (package,) = folder.glob("*.tar")
        content = bytearray(package.read_bytes())
        content[data.draw(st.integers(0, len(content) - 1))] ^= 0x10
        package.write_bytes(content)
        self.damaged.add(folder.name)

    @precondition(lambda self: any(self.both.inbox.iterdir()))
    @rule(clear=st.booleans())
    def receive(self, clear: bool) -> None:
        for received in self.both.receive(clear=clear):
            if received.outcome is PackageOutcome.QUARANTINED:
                assert received.package.name in self.damaged
            else:
                assert received.outcome in {PackageOutcome.ACCEPTED, PackageOutcome.HELD}
        self.damaged &= {path.name for path in self.both.inbox.iterdir()}

    @rule()
    def import_what_was_answered(self) -> None:
        for file in sorted((self.both.root / "archive").rglob("receipt.json")):
            if file not in self.imported:
                self.imported.add(file)
                self.both.import_receipt(file)

    @invariant()
    def the_store_holds_bags_of_the_home_and_nothing_else(self) -> None:
        if not self.both.store.exists():
            return
        home = {bag.name: bag for bag in self.bags}
        for held in self.both.store.iterdir():
            assert same(held, home[held.name])

    @invariant()
    def the_ledgers_are_whole_and_the_home_counts_on_nothing_that_is_not_held(self) -> None:
        judge_ledger(self.both.their_ledger)
        if not self.both.ledger.exists():
            return
        judge_ledger(self.both.ledger)
        with open_ledger(self.both.ledger, read_only=True) as ledger:
            deposits = deposits_in(ledger)
        report = self.both.deposits()
        for one in deposits:
            state = report.standing(one)
            if state is DepositState.RECEIPTED:
                assert (self.both.store / one.bag).exists()
            else:
                assert state in {DepositState.AWAITED, DepositState.REFUSED}
        assert len({one.deposit for one in deposits}) == len(deposits)


TestDepositLife = DepositLife.TestCase
TestDepositLife.settings = settings(
    max_examples=5,
    stateful_step_count=10,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
