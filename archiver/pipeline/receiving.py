"""Receiving packages: unpack, verify, check, and then take in or set aside, with an answer.

What passes is put into the store in one step and a receipt is written; what does not is moved
into quarantine as it arrived, with a letter that says why. What is not complete yet is left
where it lies.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

from archiver import files
from archiver.custody.audit import AuditVerdict, BagCheck, check_bag, plain
from archiver.custody.deposit_record import BagIdentity, Package
from archiver.custody.deposit_rules import FORM_NOT_TAKEN, NAME_HELD, PACKAGE_DIFFERS
from archiver.custody.entry import EntryKind
from archiver.custody.inbox import (
    Inbound,
    InboundKind,
    arrived,
    beside_finding,
    clear,
    is_deposit_folder,
    laid_beside,
    last_change,
    look_at,
    received_packages,
)
from archiver.custody.intake import staging, sweep
from archiver.custody.ledger import Ledger, open_ledger
from archiver.custody.receipts import Decision
from archiver.custody.store import Store, opened_store
from archiver.custody.unread import require_read
from archiver.custody.verify import Depth
from archiver.errors import ArchiverError, IntegrityError, MisuseError, SurroundingsError
from archiver.findings import Finding, Severity, Where, in_order, stops_deposit
from archiver.package.reader import read_bag
from archiver.pipeline.answers import Answer, Answers, moved_parts
from archiver.pipeline.fitness import check_profile, fit
from archiver.pipeline.fitness_rules import DIGESTS_CONTRADICT
from archiver.pipeline.profiles import Profile, find_profile
from archiver.pipeline.quarantine import catch_up
from archiver.pipeline.receiving_outcome import PackageOutcome, ReceivedPackage, ReceivingPlan
from archiver.pipeline.refusal_remedies import for_sender
from archiver.pipeline.run import moment
from archiver.pipeline.unwrapping import NotTakenError, Unwrapped, Unwrapper
from archiver.progress import Progress, Silent

__all__ = ["receive_packages"]

# What lies in an inbox and did not grow for so long is not under way any more.
_ABANDONED = timedelta(days=1)


def receive_packages(
    plan: ReceivingPlan, *, progress: Progress | None = None
) -> tuple[ReceivedPackage, ...]:
    """Receive packages one after another; one that fails does not keep the others waiting.

    Raises
    ------
    MisuseError
        The profile is not there, is wrong or names no institution, or a folder lies in
        another.
    SurroundingsError, IntegrityError
        Store or quarantine is not there, or the ledger cannot be used.
    """
    progress = progress or Silent()
    profile = find_profile(Path(), plan.profile)
    if not profile.institution.name:
        raise MisuseError(
            "the profile names no institution",
            where=profile.file,
            accepted="a profile with the field name",
        )
    # What is wrong with the institution's own profiles is no ground to refuse a package. With
    # which digests it would make bags itself does not matter here.
    own = [f for f in check_profile(profile).findings if f.code != DIGESTS_CONTRADICT.code]
    if stops_deposit(own):
        first = next(f for f in own if f.severity is Severity.ERROR)
        raise MisuseError(
            f"the profile is wrong: {first.message}",
            where=str(first.where),
            accepted=first.accepted,
            remedy=first.remedy,
        )
    _require_there(plan.store, "store")
    _require_there(plan.quarantine, "quarantine")
    _refuse_nested(plan)
    packages = tuple(one for place in plan.packages for one in arrived(place))
    with opened_store(str(plan.store)) as store, contextlib.ExitStack() as held:
        ledger = None if plan.rehearse else held.enter_context(open_ledger(plan.ledger))
        if ledger is not None:
            sweep(plan.store)
            catch_up(plan.quarantine, store=store.name, ledger=ledger)
        work = _Receiving(plan, profile, store, ledger, progress)
        return tuple(work.run(package) for package in packages)


def _require_there(folder: Path, what: str) -> None:
    """Refuse to make a store: where its disk is not mounted, it would fill another."""
    if not files.exists(folder):
        raise SurroundingsError(
            f"there is no such folder for the {what}, and receiving makes none",
            where=str(folder),
            remedy=f"Check the name and that the disk it lies on is connected; for a new {what} "
            "make the folder first",
        )
    if not files.status(files.resolved(folder)).is_directory:
        raise MisuseError("is not a directory", where=str(folder), accepted=f"the {what}'s folder")


def _refuse_nested(plan: ReceivingPlan) -> None:
    store, quarantine = files.resolved(plan.store), files.resolved(plan.quarantine)
    if store == quarantine or store in quarantine.parents or quarantine in store.parents:
        raise MisuseError(
            "store and quarantine lie in each other",
            where=str(plan.quarantine),
            accepted="a folder outside the store, on the same disk if you can",
        )


@dataclass(slots=True, kw_only=True)
class _Looked:
    """What was found out about one thing that arrived, step by step."""

    inbound: Inbound
    packages: tuple[Package, ...] = ()
    bag: BagIdentity | None = None
    reasons: list[Finding] = field(default_factory=list)
    notes: tuple[Finding, ...] = ()
    completed: dict[str, str] = field(default_factory=dict)

    @property
    def deposit(self) -> str:
        return "" if self.inbound.record is None else self.inbound.record.deposit


class _Receiving:
    """Receives packages into one store."""

    def __init__(
        self,
        plan: ReceivingPlan,
        profile: Profile,
        store: Store,
        ledger: Ledger | None,
        progress: Progress,
    ) -> None:
        self.plan = plan
        self.profile = profile
        self.store = store
        self.ledger = ledger
        self.progress = progress
        self.answers = None if ledger is None else Answers(plan, profile, store, ledger)

    def run(self, package: Path) -> ReceivedPackage:
        """Receive one package; what stops it is a result too."""
        try:
            with self._alone(package):
                return self._receive(package)
        except ArchiverError as error:
            return ReceivedPackage(package=package, outcome=PackageOutcome.FAILED, error=error)

    @contextlib.contextmanager
    def _alone(self, package: Path) -> Iterator[None]:
        place = hashlib.sha256(str(files.resolved(package)).encode("utf-8", "replace"))
        name = f"{self.plan.ledger.name}.{place.hexdigest()[:16]}.lock"
        busy = MisuseError(
            "is being received by another process",
            where=str(package),
            remedy="Wait until it has ended, then run again",
        )
        if self.ledger is None:
            yield
            return
        with files.lock(self.plan.ledger.with_name(name), busy=busy):
            yield

    def _receive(self, package: Path) -> ReceivedPackage:
        inbound = look_at(package)
        if inbound.kind is InboundKind.INCOMPLETE:
            left = self._left_of_what_is_held(package)
            if left is not None:
                return left
            return ReceivedPackage(
                package=package,
                outcome=PackageOutcome.INCOMPLETE,
                under_way=package not in self.plan.packages
                and moment() - last_change(package) < _ABANDONED,
            )
        looked = _Looked(inbound=inbound, reasons=list(inbound.findings))
        beside = laid_beside(inbound)
        if beside:
            looked.notes = (beside_finding(beside),)
        self.progress.step(f"Receiving {package.name}", 2 * inbound.bytes_held)
        if inbound.packages:
            # What cannot be read is no reason; and where there is one, it is named all the same.
            with contextlib.suppress(*((ArchiverError,) if looked.reasons else ())):
                looked.packages, differing = received_packages(
                    inbound.packages, inbound.record, on_bytes=self.progress.advance
                )
                looked.reasons += differing
        if looked.reasons:
            return self._refuse(looked)
        with staging(self.store.root) as stage:
            unwrapped = self._unwrap(looked, stage)
            if unwrapped is None:
                return self._refuse(looked)
            check = self._judge(looked, unwrapped, stage)
            if looked.reasons:
                return self._refuse(looked)
            return self._accept(looked, unwrapped, check)

    def _left_of_what_is_held(self, package: Path) -> ReceivedPackage | None:
        """Tell of a folder that was cleared, and holds what was no part of its deposit."""
        if not is_deposit_folder(package):
            return None
        with contextlib.ExitStack() as opened:
            ledger = self.ledger
            if ledger is None:
                # A rehearsal looks, and makes none.
                if not files.exists(self.plan.ledger):
                    return None
                ledger = opened.enter_context(open_ledger(self.plan.ledger, read_only=True))
            known = tuple(ledger.entries(kind=EntryKind.RECEIVED, store=self.store.name))
        for entry in known:
            facts = entry.parsed_facts()
            if facts["deposit"] != package.name:
                continue
            names = [one.name for one in files.entries(package)]
            return ReceivedPackage(
                package=package,
                outcome=PackageOutcome.HELD,
                bag=entry.bag,
                deposit=package.name,
                receipt=str(facts["receipt"]),
                notes=(beside_finding(names),) if names else (),
            )
        return None

    def _unwrap(self, looked: _Looked, stage: Path) -> Unwrapped | None:
        unwrapper = Unwrapper(
            profile=self.profile,
            store=self.store,
            fetch_from=self.plan.fetch_from,
            trust=self.plan.trust,
            progress=self.progress,
        )
        try:
            unwrapped = unwrapper.unwrap(looked.inbound, stage)
        except NotTakenError as refused:
            looked.reasons += refused.findings
            return None
        looked.bag = unwrapped.identity
        looked.completed = dict(unwrapped.completed)
        if not looked.packages:
            looked.packages = (unwrapped.as_package,)
        return unwrapped

    def _judge(self, looked: _Looked, unwrapped: Unwrapped, stage: Path) -> BagCheck:
        """Say what stands in the way of a bag that is intact."""
        record = looked.inbound.record
        if record is not None and dict(record.bag.manifests) != dict(unwrapped.identity.manifests):
            looked.reasons.append(
                PACKAGE_DIFFERS.at(
                    Where(file="deposit.json", field="bag.manifests"),
                    "the manifests of the bag are not those that the record of the deposit states",
                )
            )
        media_type = unwrapped.form.media_type
        taken = self.profile.institution.serialisation
        if taken and taken != unwrapped.form:
            looked.reasons.append(
                FORM_NOT_TAKEN.at(
                    Where(file=looked.inbound.place.name),
                    f"it came as {unwrapped.form}",
                    accepted=taken,
                )
            )
        fitness = fit(unwrapped.root, self.profile, media_type=media_type)
        check, unsigned = unwrapped.checked(self.profile, stage)
        found = in_order(dict.fromkeys((*fitness.findings, *check.findings, *unsigned)))
        require_read(found)
        looked.reasons += [one for one in found if one.severity is Severity.ERROR]
        looked.notes += tuple(one for one in found if one.severity is Severity.WARNING)
        if not looked.reasons and self._name_is_anothers(unwrapped):
            looked.reasons.append(
                NAME_HELD.at(
                    Where(file="."),
                    f"another bag of the name {unwrapped.root.name} is held here",
                    accepted="a name that is not taken",
                )
            )
        return check

    def _name_is_anothers(self, unwrapped: Unwrapped) -> bool:
        name = unwrapped.root.name
        place = self.store.root / name
        if not files.exists(place) or _same_bag(place, unwrapped.identity):
            return False
        known = None if self.ledger is None else self.ledger.reference(plain(name), self.store.name)
        if known is not None:
            manifests = {plain(key): sha for key, sha in unwrapped.identity.manifests.items()}
            if known.parsed_facts().get("manifests") == manifests:
                raise _has_changed(place)
        return True

    def _refuse(self, looked: _Looked) -> ReceivedPackage:
        # The same words in the letter and in what the receiver reads of it.
        reasons = tuple(dict.fromkeys(map(for_sender, looked.reasons)))
        facts: dict[str, Any] = {
            "package": looked.inbound.place,
            "bag": "" if looked.bag is None else looked.bag.name,
            "deposit": looked.deposit,
            "reasons": reasons,
            "notes": looked.notes,
        }
        if self.answers is None:
            return ReceivedPackage(outcome=PackageOutcome.WOULD_QUARANTINE, **facts)
        answer = self.answers.refuse(self._answer(looked, Decision.REFUSED), reasons)
        return ReceivedPackage(
            outcome=PackageOutcome.QUARANTINED,
            receipt=answer.receipt,
            place=answer.place,
            papers=answer.papers,
            entry=answer.entry,
            **facts,
        )

    def _answer(self, looked: _Looked, decision: Decision) -> Answer:
        return Answer(
            decision=decision,
            inbound=looked.inbound,
            packages=looked.packages,
            bag=looked.bag,
            completed=looked.completed,
        )

    def _accept(self, looked: _Looked, unwrapped: Unwrapped, check: BagCheck) -> ReceivedPackage:
        name = unwrapped.root.name
        final = self.store.root / name
        facts: dict[str, Any] = {
            "package": looked.inbound.place,
            "bag": name,
            "deposit": looked.deposit,
            "completed": len(looked.completed),
            "notes": looked.notes,
        }
        if self.answers is None or self.ledger is None:
            return ReceivedPackage(outcome=PackageOutcome.WOULD_ACCEPT, place=final, **facts)
        held = self._take_in(unwrapped, final)
        if held is not None:
            check = held
        known = self.ledger.entries(kind=EntryKind.RECEIVED, store=self.store.name, bag=plain(name))
        before = [one.parsed_facts() for one in known]
        earlier = next((one for one in before if one["deposit"] == looked.deposit), None)
        outcome = PackageOutcome.HELD if before else PackageOutcome.ACCEPTED
        answer = self.answers.accept(
            self._answer(looked, Decision.ACCEPTED), check, before=bool(before), earlier=earlier
        )
        if self.plan.clear:
            clear(looked.inbound, moved_parts(looked.inbound))
        return ReceivedPackage(
            outcome=outcome,
            receipt=answer.receipt,
            place=final,
            papers=answer.papers,
            entry=answer.entry,
            **facts,
        )

    def _take_in(self, unwrapped: Unwrapped, final: Path) -> BagCheck | None:
        """Give the bag its name in the store; verify the one that is there, if it is the same."""
        if not files.exists(final):
            try:
                files.rename_new(unwrapped.root, final)
            except MisuseError:
                # Another process was faster; what it put there is judged like any other.
                if not files.exists(final) or not _same_bag(final, unwrapped.identity):
                    raise
            else:
                files.flush_directory(self.store.root)
                return None
        check = check_bag(self.store, final.name, Depth.FULL, on_bytes=self.progress.advance)
        if check.verdict is not AuditVerdict.INTACT:
            raise _has_changed(final)
        return check


def _has_changed(place: Path) -> IntegrityError:
    return IntegrityError(
        "the bag that is held has changed; the package that arrived is intact",
        where=str(place),
        remedy="Audit the store and repair the bag; the package is left where it is",
    )


def _same_bag(place: Path, identity: BagIdentity) -> bool:
    try:
        held = read_bag(place)
    except MisuseError:
        # A file, say: whatever it is, it is no bag.
        return False
    require_read(held.findings)
    return dict(held.manifest_digests) == dict(identity.manifests)
