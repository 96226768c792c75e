"""What is deposited where, what awaits a receipt, and what is overdue."""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

from archiver import files
from archiver.custody.deposits import DepositState, LedgerDeposit, deposits_in
from archiver.custody.ledger import open_ledger
from archiver.errors import MisuseError
from archiver.pipeline.deposit import papers_beside
from archiver.pipeline.run import moment
from archiver.pipeline.under_way import Begun, begun_in

__all__ = ["DepositsReport", "report_deposits"]

_MOST_NAMED = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class DepositsReport:
    """All deposits of a ledger, or those that were asked for.

    Parameters
    ----------
    today : date
        That overdue is reckoned from.
    deposits : tuple of LedgerDeposit
        In the order of entry.
    under_way : tuple of Begun
        Deposits that were begun and are not complete.
    """

    today: date
    deposits: tuple[LedgerDeposit, ...]
    under_way: tuple[Begun, ...] = ()

    @property
    def states(self) -> dict[DepositState, int]:
        """How many deposits stand how."""
        return dict(Counter(one.state(self.today) for one in self.deposits))

    @property
    def exit_status(self) -> int:
        """3 if a receipt or two statements disagree, 1 if there is something to do, else 0.

        That is a receipt that is overdue, a deposit that was refused and not made again, or
        one that was begun the day before and is not complete. A receipt that disagrees counts
        until the right one is held, for the same deposit or for a later one of the bag.
        """
        left = any(one.moment.date() < self.today for one in self.under_way)
        last = self._last()
        states = [
            self.standing(one).exit_status
            for one in self.deposits
            if one in last or self._in_question(one)
        ]
        return max([*states, int(left)], default=0)

    def _last(self) -> tuple[LedgerDeposit, ...]:
        newest = {_goods(one): one for one in self.deposits}
        return tuple(newest.values())

    def _in_question(self, deposit: LedgerDeposit) -> bool:
        """Say whether what a receipt says of a deposit is at odds with what was sent, still."""
        doubtful = {DepositState.DISAGREES, DepositState.CONTRADICTED}
        return self.standing(deposit) in doubtful and not any(
            _goods(one) == _goods(deposit)
            and one.entry > deposit.entry
            and self.standing(one) is DepositState.RECEIPTED
            for one in self.deposits
        )

    def standing(self, deposit: LedgerDeposit) -> DepositState:
        """Say how a deposit stands today."""
        return deposit.state(self.today)

    def superseded(self, deposit: LedgerDeposit) -> bool:
        """Say whether the same bag was deposited with the same institution again later."""
        return deposit not in self._last()

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines, as ``deposits-report.schema.json`` describes them."""
        return {
            "schema": "deposits-report 1",
            "today": self.today.isoformat(),
            "deposits": [self._as_json(one) for one in self.deposits],
            "under_way": [asdict(one) for one in self.under_way],
            "states": {str(state): number for state, number in sorted(self.states.items())},
            "exit_status": self.exit_status,
        }

    def _as_json(self, one: LedgerDeposit) -> dict[str, Any]:
        return {
            "deposit": one.deposit,
            "entry": one.entry,
            "moment": one.moment,
            "store": one.store,
            "bag": one.bag,
            "institution": one.institution,
            "to": one.to,
            "form": one.form,
            "files_sent": one.files_sent,
            "files_referenced": one.files_referenced,
            "bytes_sent": one.bytes_sent,
            "receipt_due": one.receipt_due,
            "state": str(self.standing(one)),
            "superseded": self.superseded(one),
            "receipts": [
                {
                    "entry": held.entry,
                    "moment": held.moment,
                    "receipt": held.receipt,
                    "decision": str(held.decision),
                    "agreement": str(held.agreement),
                    "file": held.file,
                    "sha256": held.sha256,
                }
                for held in one.receipts
            ],
        }


def _goods(deposit: LedgerDeposit) -> tuple[str, str, str]:
    return deposit.store, deposit.bag, deposit.institution


def _require_known(option: str, name: str, known: Sequence[str]) -> None:
    """Refuse to report on nothing: a name that was mistyped would look like one without deposits.

    Raises
    ------
    MisuseError
        The ledger knows no deposit of that name.
    """
    if not name or name in known:
        return
    names = list(dict.fromkeys(reversed(known)))
    near = difflib.get_close_matches(name, names, n=_MOST_NAMED) or names[:_MOST_NAMED]
    raise MisuseError(
        f"the ledger knows no deposit {'of the bag' if option == '--bag' else 'with'} {name!r}",
        where=option,
        accepted=f"a name as `archiver deposits` shows it, such as {', '.join(near)}"
        if near
        else "no name at all: there is no deposit yet",
    )


def report_deposits(
    ledger: Path,
    *,
    bag: str = "",
    institution: str = "",
    papers: Path | None = None,
    today: date | None = None,
) -> DepositsReport:
    """Read the deposits of a ledger.

    Parameters
    ----------
    ledger : Path
    bag, institution : str
        Only these; all if empty.
    papers : Path, optional
        Folder of the papers; ``deposits`` beside the ledger by default.
    today : date, optional
        Reckon from this day.

    Raises
    ------
    MisuseError
        The ledger knows no such bag, or no such institution.
    SurroundingsError, IntegrityError
        The ledger cannot be read.
    """
    folder = papers or papers_beside(ledger, "deposits")
    deposits: tuple[LedgerDeposit, ...] = ()
    # The first deposit may have been begun and left: then there is a note and no ledger yet.
    if files.exists(ledger) or not begun_in(folder, ()):
        with open_ledger(ledger, read_only=True) as opened:
            deposits = tuple(deposits_in(opened))
    begun = begun_in(folder, {one.deposit for one in deposits})
    every: tuple[LedgerDeposit | Begun, ...] = (*deposits, *begun)
    _require_known("--bag", bag, [one.bag for one in every])
    _require_known("--institution", institution, [one.institution for one in every])

    def given_up(one: Begun) -> bool:
        # The same bag went the same way later, in another form or to another place.
        return any(
            (each.bag, each.institution) == (one.bag, one.institution) and each.moment > one.begun
            for each in deposits
        )

    def wanted(one: LedgerDeposit | Begun) -> bool:
        return (not bag or one.bag == bag) and (not institution or one.institution == institution)

    return DepositsReport(
        today=today or moment().date(),
        deposits=tuple(filter(wanted, deposits)),
        under_way=tuple(one for one in begun if wanted(one) and not given_up(one)),
    )
