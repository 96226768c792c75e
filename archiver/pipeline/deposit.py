"""Depositing bags: check them, send them, and record what is complete and verified far away.

The same command again goes on with a deposit that was interrupted. Nothing stands in the
ledger before every package was verified at the far end; the record of the deposit is sent
last, so that its presence there says that the deposit is complete.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from archiver import files
from archiver.custody.audit import AuditVerdict, check_bag, judged_by, plain
from archiver.custody.deposit_record import (
    DEPOSIT_NAME,
    SENT_ALONG,
    DepositRecord,
    Package,
    decode_deposit,
    deposit_identifier,
)
from archiver.custody.deposits import (
    DepositState,
    LedgerDeposit,
    deposit_draft,
    deposits_in,
    digests_held,
)
from archiver.custody.entry import moment_text
from archiver.custody.ledger import Ledger, open_ledger
from archiver.custody.outgoing import Text
from archiver.custody.places import Place, TakenError, open_place
from archiver.custody.statements import LARGEST_STATEMENT_BYTES
from archiver.custody.store import Store, opened_store
from archiver.custody.transport.address import Kind, address_of
from archiver.custody.transport.retrying import Retries
from archiver.custody.unread import require_read
from archiver.custody.verify import Depth
from archiver.errors import (
    ArchiverError,
    InputError,
    IntegrityError,
    MisuseError,
    SurroundingsError,
)
from archiver.findings import Finding, Severity, in_order, stops_deposit
from archiver.package.form import Form
from archiver.pipeline.consignment import (
    Consignment,
    PlannedPackage,
    consignment,
    send,
    try_out,
    withdraw,
)
from archiver.pipeline.deposit_outcome import BagDeposit, DepositOutcome, DepositPlan
from archiver.pipeline.deposit_papers import write_papers
from archiver.pipeline.fitness import fit
from archiver.pipeline.handover import RECEIPT_DAYS, depositor_of, institution_party
from archiver.pipeline.profiles import Profile, find_profile
from archiver.pipeline.run import PROGRAM, moment
from archiver.pipeline.under_way import Begun, note_begun, note_ended
from archiver.pipeline.versions_sent import payload_digests
from archiver.progress import Progress, Silent

__all__ = ["deposit_bags", "papers_beside"]

_SETTLED = frozenset(
    {
        DepositState.RECEIPTED,
        DepositState.UNPROVED,
        DepositState.AWAITED,
        DepositState.OVERDUE,
    }
)


def papers_beside(ledger: Path, name: str) -> Path:
    """Return where papers lie if nobody says otherwise: a folder beside the ledger."""
    return ledger.parent / name


def deposit_bags(
    plan: DepositPlan,
    *,
    progress: Progress | None = None,
    tell: Callable[[str], None] | None = None,
) -> tuple[BagDeposit, ...]:
    """Deposit bags one after another; one that fails does not keep the others waiting.

    Parameters
    ----------
    plan : DepositPlan
    progress : Progress, optional
        Told what is being done.
    tell : callable, optional
        Told in a sentence when a connection was cut and is tried again after a wait.

    Raises
    ------
    MisuseError
        The profile is not there, names no institution or no destination, or the plan asks for
        something that the profile does not allow; or the place is not there.
    InputError
        The profile is wrong.
    SurroundingsError, IntegrityError
        The ledger or the place cannot be reached at all, or the place may not be written. A
        rehearsal looks, too, and writes nothing there.
    """
    progress = progress or Silent()
    profile = find_profile(Path(), plan.profile)
    to = _destination(plan, profile)
    form = _form(plan, profile)
    with contextlib.ExitStack() as opened:
        # A ledger is not made for the sake of looking, nor for a deposit that cannot begin.
        ledger = None
        if files.exists(plan.ledger):
            ledger = opened.enter_context(open_ledger(plan.ledger, read_only=plan.rehearse))
        place = opened.enter_context(open_place(to, retries=Retries(tell=tell) if tell else None))
        place.require_open()
        work = _Depositing(plan, profile, to, form, ledger, place, opened, progress)
        return tuple(work.run(bag) for bag in plan.bags)


def _destination(plan: DepositPlan, profile: Profile) -> str:
    institution = profile.institution
    if not institution.name:
        raise MisuseError(
            "the profile names no institution",
            where=profile.file,
            accepted="a profile with the field name",
        )
    to = plan.to or institution.destination
    if not to:
        raise MisuseError(
            "nothing says where to send it",
            where="--to",
            accepted="a folder, or a URL of sftp, s3 or webdavs",
            remedy="Give --to, or write the field destination in the profile",
        )
    if plan.only_new and not institution.earlier_versions_referenced:
        raise MisuseError(
            f"{institution.name} takes whole bags only",
            where="--only-new",
            accepted="a profile with earlier_versions: referenced",
        )
    address = address_of(to)
    # The record names the same folder wherever the command was started.
    return str(Path(address.path).absolute()) if address.kind is Kind.LOCAL else to


def _form(plan: DepositPlan, profile: Profile) -> Form:
    word = plan.form or profile.institution.serialisation or Form.FOLDER
    if word not in set(Form):
        raise MisuseError(f"there is no form {word!r}", where="--form", accepted=", ".join(Form))
    taken = profile.institution.serialisation
    if taken and taken != word:
        raise MisuseError(
            f"{profile.institution.name} takes packages as {taken}, and would not take this one",
            where="--form",
            accepted=f"{taken}, as {profile.file} says",
            remedy="Leave out --form, or ask the institution and correct its profile",
        )
    return Form(word)


class _Depositing:
    """Deposits bags with one profile at one place."""

    def __init__(
        self,
        plan: DepositPlan,
        profile: Profile,
        to: str,
        form: Form,
        ledger: Ledger | None,
        place: Place,
        opened: contextlib.ExitStack,
        progress: Progress,
    ) -> None:
        self.plan = plan
        self.profile = profile
        self.institution = profile.institution
        self.to = to
        self.form = form
        self.ledger = ledger
        self.place = place
        self.opened = opened
        self.progress = progress

    def run(self, bag: Path) -> BagDeposit:
        """Deposit one bag; what stops it is a result too."""
        try:
            return self._deposit(files.resolved(bag))
        except ArchiverError as error:
            return self._result(bag, DepositOutcome.FAILED, error=error)

    def _result(self, bag: Path, outcome: DepositOutcome, **more: Any) -> BagDeposit:
        return BagDeposit(
            bag=bag,
            outcome=outcome,
            institution=self.institution.name,
            form=str(self.form),
            **({"to": self.to} | more),
        )

    def _deposit(self, root: Path) -> BagDeposit:
        findings, changed = self._unfit(root)
        if stops_deposit(findings):
            return self._result(root, DepositOutcome.NOT_FIT, findings=findings, changed=changed)
        deposits = () if self.ledger is None else deposits_in(self.ledger)
        held = frozenset(
            (algorithm, digest)
            for one in digests_held(deposits, plain(self.institution.name), plain(root.name))
            for algorithm, _, digest in [one.partition(":")]
            if self.plan.only_new
        )
        goods = consignment(
            root, self.form, part_bytes=self.institution.largest_part_bytes, held=held
        )
        name, before = self._name(goods, deposits)
        to = address_of(self.to).of(name, "")
        facts: dict[str, Any] = {
            "deposit": name,
            "to": to,
            "findings": findings,
            "files_sent": sum(file.sent for file in goods.files),
            "files_referenced": len(goods.left_out.paths),
            "bytes_left_out": goods.left_out.size_bytes,
        }
        if before is not None:
            return self._before(root, before, facts)
        if self.plan.rehearse:
            self.place.require_open(self._needed(goods.planned, name))
            self.progress.step(f"Reading {root.name}", goods.bytes_to_read)
            # Only so it shows that every byte can be sent, and how much there is to be sent.
            packages = try_out(goods, self.progress)
            self.place.require_open(self._needed(packages, name))
            return self._result(root, DepositOutcome.REHEARSED, packages=packages, **facts)
        self._look_at_the_ledgers_place()
        busy = MisuseError(
            "is being deposited by another process",
            where=str(root),
            remedy="Wait until it has ended, then run again",
        )
        lock = self.plan.ledger.with_name(f"{self.plan.ledger.name}.{name}.lock")
        with files.lock(lock, busy=busy), opened_store(str(root.parent)) as store:
            # Whoever held the lock before may have made this very deposit.
            if self.ledger is None and files.exists(self.plan.ledger):
                self._opened_ledger()
            known = () if self.ledger is None else deposits_in(self.ledger)
            made = next((one for one in known if one.deposit == name), None)
            if made is not None:
                return self._before(root, made, facts)
            return self._hand_over(goods, name, store, facts)

    def _look_at_the_ledgers_place(self) -> None:
        """Refuse before anything is sent if a ledger that is not there yet cannot be made."""
        if self.ledger is not None:
            return
        folder = self.plan.ledger.parent
        files.make_directory(folder)
        if not files.may_write(folder):
            raise SurroundingsError(
                "may not be written by this account",
                where=str(folder),
                accepted="a folder in which the ledger can be made",
                remedy="Choose another place for the ledger with --ledger",
            )

    def _opened_ledger(self) -> Ledger:
        if self.ledger is None:
            self.ledger = self.opened.enter_context(open_ledger(self.plan.ledger))
        return self.ledger

    def _needed(self, packages: Sequence[PlannedPackage], name: str) -> int | None:
        """Say how much room a deposit takes; None if that is not known."""
        if self.place.listing(name):
            # Begun before: what has arrived takes its room already.
            return None
        sizes = [one.size for one in packages]
        known = [size for size in sizes if size is not None]
        return sum(known) if len(known) == len(sizes) else None

    def _before(self, root: Path, before: LedgerDeposit, facts: dict[str, Any]) -> BagDeposit:
        known = {"to": before.to, "entry": before.entry, "receipt_due": before.receipt_due}
        return self._result(root, DepositOutcome.BEFORE, **facts | known)

    def _unfit(self, root: Path) -> tuple[tuple[Finding, ...], bool]:
        """Compare lists, sizes and tag files, the ledger's memory, and the profile.

        Returns
        -------
        findings : tuple of Finding
        changed : bool
            Whether the bag is not what it was, rather than not what is asked for.
        """
        with opened_store(str(root.parent)) as store:
            check = check_bag(store, root.name, Depth.QUICK)
            if self.ledger is not None:
                check = judged_by(self.ledger, check, store.name)
        findings = [*check.findings]
        if check.verdict is not AuditVerdict.UNUSABLE:
            findings += fit(root, self.profile, media_type=self.form.media_type).findings
        require_read(findings, str(root))
        findings = [one for one in findings if one.severity is not Severity.NOTE]
        return in_order(dict.fromkeys(findings)), check.verdict is AuditVerdict.CHANGED

    def _name(
        self, goods: Consignment, deposits: Sequence[LedgerDeposit]
    ) -> tuple[str, LedgerDeposit | None]:
        """Name the deposit; an earlier one that still stands is handed back."""
        today = moment().date()
        known = {one.deposit: one for one in deposits}
        turn = 0
        while True:
            name = deposit_identifier(
                self.institution.name,
                self.to,
                str(self.form),
                goods.identity,
                left_out=goods.left_out.fetch,
                turn=turn,
            )
            before = known.get(name)
            if before is None:
                return name, None
            # What was refused, or is held as something else, has to be sent once more.
            if before.state(today) in _SETTLED and not self.plan.again:
                return name, before
            turn += 1

    def _hand_over(
        self,
        goods: Consignment,
        name: str,
        store: Store,
        facts: dict[str, Any],
    ) -> BagDeposit:
        root, place = goods.root, self.place
        self.progress.step(f"Sending {root.name}", goods.bytes_to_read)
        papers = (self.plan.papers or papers_beside(self.plan.ledger, "deposits")) / name
        begun = Begun(
            deposit=name,
            bag=plain(root.name),
            institution=self.institution.name,
            to=address_of(self.to).of(name, ""),
            begun=moment_text(moment()),
        )
        note_begun(papers, begun)
        try:
            packages = tuple(send(goods, place, name, self.progress))
        except (IntegrityError, InputError) as error:
            self._give_up(goods, begun, papers, error)
            raise
        # Only now: what could not be sent leaves no empty ledger behind.
        ledger = self._opened_ledger()
        record = self._record(goods, name, packages)
        # A run that ended before it entered the deposit has said already when that was.
        for earlier in (_far_record(place, name, papers), _earlier_record(papers / DEPOSIT_NAME)):
            if earlier is not None and _same(earlier, record):
                record = earlier
                break
        written = write_papers(papers, record, goods, self.institution)
        for paper in sorted(SENT_ALONG & written.keys()):
            # What another version of this program has laid there says the same in other words.
            with contextlib.suppress(TakenError):
                place.send(Text(name=paper, content=written[paper]), folder=name)
        place.send(Text(name=DEPOSIT_NAME, content=written[DEPOSIT_NAME]), folder=name)
        digests = {paper: _sha256(content) for paper, content in written.items()}
        draft = deposit_draft(
            record,
            store=store.name,
            moment=moment_text(moment()),
            papers=digests,
            payload=payload_digests(goods.said),
        )
        (entry,) = ledger.append(draft)
        note_ended(papers)
        return self._result(
            root,
            DepositOutcome.DEPOSITED,
            packages=packages,
            papers=papers,
            entry=entry.number,
            receipt_due=record.receipt_due,
            **facts,
        )

    def _give_up(
        self, goods: Consignment, begun: Begun, papers: Path, error: ArchiverError
    ) -> None:
        """Take back what was sent of a bag that is damaged, and note what cannot be."""
        nothing_left = False
        with contextlib.suppress(ArchiverError):
            nothing_left = withdraw(goods, self.place, begun.deposit)
        if nothing_left:
            note_ended(papers)
        else:
            note_begun(papers, replace(begun, failed=plain(f"{error.where}: {error.found}")))

    def _record(
        self,
        goods: Consignment,
        name: str,
        packages: tuple[Package, ...],
    ) -> DepositRecord:
        now: datetime = moment()
        due = now.date() + timedelta(days=self.institution.receipt_days or RECEIPT_DAYS)
        return DepositRecord(
            deposit=name,
            made=moment_text(now),
            depositor=depositor_of(goods.said.info, self.plan.person),
            institution=institution_party(self.institution),
            to=address_of(self.to).of(name, ""),
            program=PROGRAM,
            form=str(self.form),
            bag=goods.identity,
            packages=packages,
            files=goods.files,
            receipt_due=due.isoformat(),
        )


def _far_record(place: Place, folder: str, papers: Path) -> DepositRecord | None:
    """Return the record that lies at the far end already, if there is one."""
    if not any(one.name == DEPOSIT_NAME and not one.unfinished for one in place.listing(folder)):
        return None
    files.make_directory(papers)
    copy = files.temporary_sibling(papers / DEPOSIT_NAME)
    try:
        place.fetch(DEPOSIT_NAME, copy, folder=folder)
        return _earlier_record(copy)
    finally:
        files.discard(copy)


def _earlier_record(path: Path) -> DepositRecord | None:
    if not files.exists(path):
        return None
    try:
        return decode_deposit(files.read_bytes(path, limit=LARGEST_STATEMENT_BYTES), str(path))
    except ArchiverError:
        return None


def _same(one: DepositRecord, other: DepositRecord) -> bool:
    def facts(record: DepositRecord) -> tuple[Any, ...]:
        return (
            record.deposit,
            record.bag,
            tuple((package.name, package.size, package.sha256) for package in record.packages),
            tuple(record.files),
        )

    return facts(one) == facts(other)


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
