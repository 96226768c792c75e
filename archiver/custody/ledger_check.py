"""Verify a ledger by itself: every entry against its digest, and against the one before.

What the chain alone cannot show is that the newest entries are gone, or that everything from
some entry on was written anew with new digests. Both show against the last entry that a
report stated: hand it in as ``expected``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from archiver.custody.entry import GENESIS, Entry
from archiver.custody.ledger import Head, Ledger
from archiver.custody.ledger_layout import TRIGGERS
from archiver.custody.rules import (
    LEDGER_EDITED,
    LEDGER_HEAD,
    LEDGER_REMOVED,
    LEDGER_REORDERED,
    LEDGER_REWRITTEN,
    LEDGER_UNGUARDED,
)
from archiver.findings import Finding, Rule, Where, in_order

__all__ = ["LedgerReport", "verify_ledger"]

_SCHEMA = "ledger-report 1"
_MOST_SUSPECTS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerReport:
    """What is to be said of a ledger.

    Parameters
    ----------
    entries : int
        How many there are.
    head : Head, optional
        The last one; keep it, to hand it in next time.
    findings : tuple of Finding
        In the order of entries; empty if all is well.
    """

    entries: int
    head: Head | None
    findings: tuple[Finding, ...]

    @property
    def intact(self) -> bool:
        """Whether nothing was found."""
        return not self.findings

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines, as ``ledger-report.schema.json`` describes them."""
        return {
            "schema": _SCHEMA,
            "entries": self.entries,
            "head": None if self.head is None else str(self.head),
            "intact": self.intact,
            "findings": [finding.as_json() for finding in self.findings],
        }


def verify_ledger(ledger: Ledger, *, expected: Sequence[Head] = ()) -> LedgerReport:
    """Verify every entry of a ledger.

    Parameters
    ----------
    ledger : Ledger
    expected : sequence of Head
        Entries that earlier reports stated as the last one.

    Raises
    ------
    IntegrityError
        The file is damaged beyond reading.
    """
    check = _Check(ledger.path.name)
    met: dict[int, str] = {head.number: "" for head in expected}
    for entry in ledger.entries():
        check.take(entry)
        if entry.number in met:
            met[entry.number] = entry.digest
    check.close(ledger.highest_number())
    for head in expected:
        if met[head.number] != head.digest:
            now = met[head.number]
            check.report(
                LEDGER_HEAD,
                head.number,
                f"the digest stated was {head.digest}; "
                + (f"it is {now} now" if now else "there is no such entry now"),
            )
    layout = ledger.layout()
    for trigger in TRIGGERS:
        if trigger not in layout:
            check.findings.append(
                LEDGER_UNGUARDED.at(
                    Where(file=check.name), f"the trigger {trigger} is not there any more"
                )
            )
    return LedgerReport(
        entries=check.count, head=check.head, findings=in_order(dict.fromkeys(check.findings))
    )


class _Check:
    """Follows the chain and remembers only what broke it."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.findings: list[Finding] = []
        self.count = 0
        self.head: Head | None = None
        self._before: Entry | None = None
        self._before_good = True
        self._suspects: list[Entry] = []

    def report(self, rule: Rule, number: int, message: str) -> None:
        """Name an entry."""
        self.findings.append(rule.at(Where(file=self.name, field=f"entry {number}"), message))

    def take(self, entry: Entry) -> None:
        """Look at the next entry."""
        self.count += 1
        good = entry.computed() == entry.digest
        if not good:
            self._suspects.append(entry)
        before = self._before
        due = 1 if before is None else before.number + 1
        link = GENESIS if before is None else before.digest
        if entry.number != due:
            self._gap(due, entry.number - 1)
        elif good and self._before_good and entry.previous != link:
            # Both have the digest that belongs to their content, yet they do not join.
            self.report(
                LEDGER_REWRITTEN,
                entry.number if before is None else before.number,
                f"entry {entry.number} was made to follow another content than the one there now",
            )
        self._before, self._before_good = entry, good
        self.head = Head(number=entry.number, digest=entry.digest)

    def _gap(self, first: int, last: int) -> None:
        for number in range(first, min(last, first + _MOST_SUSPECTS) + 1):
            self.report(LEDGER_REMOVED, number, "the entry is not there any more")

    def close(self, highest: int) -> None:
        """Explain the suspects, once all of them are known."""
        last = self._before.number if self._before else 0
        if highest > last:
            self._gap(last + 1, highest)
        numbers = [entry.number for entry in self._suspects[:_MOST_SUSPECTS]]
        for entry in self._suspects:
            place = next((n for n in numbers if entry.computed(n) == entry.digest), None)
            if place is not None:
                self.report(
                    LEDGER_REORDERED, entry.number, f"this is entry {place}, put in another place"
                )
                continue
            found = entry.computed()
            self.report(
                LEDGER_EDITED,
                entry.number,
                f"the content has the digest {found}, the entry states {entry.digest[:80]}"
                if found
                else "the content cannot be what was entered: it has no canonical form",
            )
