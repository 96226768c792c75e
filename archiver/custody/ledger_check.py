"""Verify a ledger by itself: every entry against its digest, and against the one before.

What the chain alone cannot show is that the newest entries are gone, or that everything from
some entry on was written anew with new digests. Both show against the last entry that a
report stated: hand it in as ``expected``.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
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
from archiver.findings import Finding, Rule, Where

__all__ = ["LedgerReport", "verify_ledger"]

_SCHEMA = "ledger-report 1"
_MOST_SUSPECTS = 1000
_LONGEST_RUN_NAMED_ONE_BY_ONE = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerReport:
    """What is to be said of a ledger.

    Parameters
    ----------
    entries : int
        How many were looked at.
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

    @property
    def as_written(self) -> bool:
        """Whether every entry is as it was written, be the file guarded or not."""
        return all(finding.code == LEDGER_UNGUARDED.code for finding in self.findings)

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines, as ``ledger-report.schema.json`` describes them."""
        return {
            "schema": _SCHEMA,
            "entries": self.entries,
            "head": None if self.head is None else str(self.head),
            "intact": self.intact,
            "findings": [finding.as_json() for finding in self.findings],
        }


def verify_ledger(
    ledger: Ledger, *, expected: Sequence[Head] = (), newest: int | None = None
) -> LedgerReport:
    """Verify every entry of a ledger, or the newest ones.

    Parameters
    ----------
    ledger : Ledger
    expected : sequence of Head
        Entries that earlier reports stated as the last one.
    newest : int, optional
        Look at no more than so many entries, and that the first of them follows on the one
        before.

    Raises
    ------
    IntegrityError
        The file is damaged beyond reading.
    """
    check = _Check(ledger.path.name)
    met: dict[int, str] = {head.number: "" for head in expected}
    # Asked first: what others append meanwhile has not been removed.
    highest = ledger.highest_number()
    last = ledger.head()
    after = 0 if newest is None or last is None else max(0, last.number - newest - 1)
    for entry in ledger.entries(after=after):
        if after and check.count == 0 and not check.begun:
            check.begin_behind(entry)
            continue
        check.take(entry)
        if entry.number in met:
            met[entry.number] = entry.digest
    check.close(highest)
    for head in expected:
        if met[head.number] != head.digest:
            now = met[head.number]
            check.report(
                LEDGER_HEAD,
                head.number,
                f"the digest stated was {head.digest}; "
                + (f"it is {now} now" if now else "there is no such entry now"),
            )
    triggers = ledger.triggers()
    unguarded = [
        LEDGER_UNGUARDED.at(
            Where(file=check.name),
            f"the trigger {name} is not there any more"
            if name not in triggers
            else f"the trigger {name} is another one now",
        )
        for name, text in TRIGGERS.items()
        if triggers.get(name) != text
    ]
    return LedgerReport(
        entries=check.count, head=check.head, findings=(*check.findings(), *unguarded)
    )


class _Check:
    """Follows the chain and remembers only what broke it."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.count = 0
        self.begun = False
        self.head: Head | None = None
        self._before: Entry | None = None
        self._before_good = True
        self._suspects: list[Entry] = []
        self._gaps: list[tuple[int, int]] = []
        self._found: dict[tuple[int, int, Rule, str], None] = {}

    def report(self, rule: Rule, first: int, message: str, last: int | None = None) -> None:
        """Name an entry, or those from the first to the last."""
        self._found.setdefault((first, first if last is None else last, rule, message))

    def findings(self) -> tuple[Finding, ...]:
        """Return what was found, in the order of the entries."""
        told: list[Finding] = []
        for first, last, rule, message in sorted(
            self._found, key=lambda one: (one[0], one[1], one[2].code)
        ):
            place = f"entry {first}" if first == last else f"entries {first} to {last}"
            told.append(rule.at(Where(file=self.name, field=place), message))
        return tuple(told)

    def begin_behind(self, entry: Entry) -> None:
        """Take an entry for the one that the first to be looked at has to follow."""
        self.begun = True
        self._before, self._before_good = entry, entry.is_as_entered()
        if not self._before_good:
            self._suspects.append(entry)

    def take(self, entry: Entry) -> None:
        """Look at the next entry."""
        self.count += 1
        good = entry.is_as_entered()
        if not good:
            self._suspects.append(entry)
        before = self._before
        due = 1 if before is None else before.number + 1
        link = GENESIS if before is None else before.digest
        if entry.number != due:
            if entry.number > due:
                self._gaps.append((due, entry.number - 1))
        elif good and self._before_good and entry.previous != link:
            # Both have the digest that belongs to their content, yet they do not join.
            self.report(
                LEDGER_REWRITTEN,
                entry.number if before is None else before.number,
                f"entry {entry.number} was made to follow another content than the one there now",
            )
        self._before, self._before_good = entry, good
        self.head = Head(number=entry.number, digest=entry.digest)

    def close(self, highest: int) -> None:
        """Explain the suspects and the gaps, once all of them are known."""
        last = self._before.number if self._before else 0
        if highest > last:
            self._gaps.append((last + 1, highest))
        # What never had a number cannot have been removed; an entry got a higher number then.
        gaps = [(first, min(end, highest)) for first, end in self._gaps if first <= highest]
        numbers = [entry.number for entry in self._suspects[:_MOST_SUSPECTS]]
        numbers += itertools.islice(
            (number for first, end in gaps for number in range(first, end + 1)), _MOST_SUSPECTS
        )
        edited: list[Entry] = []
        moved: set[int] = set()
        for entry in self._suspects:
            # Each place is a digest to make, so that of very many only some are looked for.
            places = numbers if len(moved) + len(edited) < _MOST_SUSPECTS else ()
            place = next((n for n in places if entry.computed(n) == entry.digest), None)
            if place is None:
                edited.append(entry)
                continue
            moved.add(place)
            self.report(
                LEDGER_REORDERED, entry.number, f"this is entry {place}, put in another place"
            )
        for first, end in gaps:
            missing = (n for n in range(first, end + 1) if n not in moved)
            for begin, stop in _runs(missing):
                self._tell_missing(begin, stop)
        by_number = {entry.number: entry for entry in edited}
        for begin, stop in _runs(sorted(by_number)):
            self._tell_edited([by_number[number] for number in range(begin, stop + 1)])

    def _tell_missing(self, first: int, last: int) -> None:
        if last - first >= _LONGEST_RUN_NAMED_ONE_BY_ONE:
            self.report(LEDGER_REMOVED, first, "these entries are not there any more", last)
            return
        for number in range(first, last + 1):
            self.report(LEDGER_REMOVED, number, "the entry is not there any more")

    def _tell_edited(self, run: Sequence[Entry]) -> None:
        if len(run) > _LONGEST_RUN_NAMED_ONE_BY_ONE:
            told = "the content of none of them has the digest that the entry states"
            self.report(LEDGER_EDITED, run[0].number, told, run[-1].number)
            return
        for entry in run:
            found = entry.computed()
            self.report(
                LEDGER_EDITED,
                entry.number,
                f"the content has the digest {found}, the entry states {entry.digest[:80]}"
                if found
                else "the content cannot be what was entered: it has no canonical form",
            )


def _runs(numbers: Iterable[int]) -> Iterator[tuple[int, int]]:
    """Yield first and last of each run of ascending numbers without a gap."""
    first = last = None
    for number in numbers:
        if first is None or last is None:
            first = number
        elif number != last + 1:
            yield first, last
            first = number
        last = number
    if first is not None and last is not None:
        yield first, last
