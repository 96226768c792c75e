"""Which bags of a store are due for a check."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from archiver.custody.entry import moment_text
from archiver.custody.ledger import LastCheck
from archiver.custody.verify import Depth

__all__ = ["Selection", "choose", "known_to_be_bad"]

_NEVER = ""
# Of what an earlier program may have entered without a verdict nothing bad is known.
_GOOD = frozenset({"", "intact", "complete"})
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """How bags are chosen.

    Parameters
    ----------
    older_than : timedelta, optional
        Only bags whose last check of this depth is older, and those never checked.
    daily_percent : float, optional
        At most this part of all bags in any 24 hours, the oldest check first.

    Whatever is chosen, a bag that was not as it should be when it was checked last is due: an
    audit must not say that all is well because a known damage is not old enough.
    """

    older_than: timedelta | None = None
    daily_percent: float | None = None

    def words(self) -> str:
        """Say the choice, for the ledger."""
        parts = []
        if self.older_than is not None:
            parts.append(f"not checked for {self.older_than.total_seconds() / 86400:g} days")
        if self.daily_percent is not None:
            parts.append(f"{self.daily_percent:g} % of the bags a day")
        return ", ".join(parts) or "all bags"


def choose(
    bags: Sequence[str],
    checks: Iterable[LastCheck],
    *,
    depth: Depth,
    selection: Selection,
    now: datetime,
    begun: str = "",
) -> tuple[str, ...]:
    """Choose the bags to check: those known to be bad, then the longest unchecked.

    Parameters
    ----------
    bags : sequence of str
        All bags of the store.
    checks : iterable of LastCheck
        The newest of each bag, by depth.
    depth : Depth
        A check that was less deep does not count.
    selection : Selection
    now : datetime
        With a time zone.
    begun : str
        When this audit began, if it goes on after an interruption; what was checked since
        is done.
    """
    known = [check for check in checks if check.depth in set(Depth)]
    last: dict[str, str] = {}
    for check in known:
        if Depth(check.depth).covers(depth):
            last[check.bag] = max(last.get(check.bag, _NEVER), check.moment)
    bad = known_to_be_bad(known)

    def in_order(some: Iterable[str]) -> list[str]:
        return sorted(some, key=lambda bag: (last.get(bag, _NEVER), bag))

    left = [bag for bag in bags if not begun or last.get(bag, _NEVER) < begun]
    first = in_order(bag for bag in left if bag in bad)
    due = in_order(bag for bag in left if bag not in bad)
    if selection.older_than is not None:
        limit = moment_text(now - selection.older_than)
        due = [bag for bag in due if last.get(bag, _NEVER) < limit]
    if selection.daily_percent is not None:
        today = moment_text(now - _DAY)
        done = sum(last.get(bag, _NEVER) >= today for bag in bags if bag not in bad)
        share = math.ceil(len(bags) * selection.daily_percent / 100)
        due = due[: max(0, share - done)]
    return (*first, *due)


def known_to_be_bad(checks: Iterable[LastCheck]) -> dict[str, tuple[LastCheck, ...]]:
    """Return the checks that found a bag bad, and that no later one of that depth took back.

    By bag, in no order.
    """
    checks = [check for check in checks if check.depth in set(Depth)]
    good: dict[str, list[LastCheck]] = {}
    for check in checks:
        if check.verdict in _GOOD:
            good.setdefault(check.bag, []).append(check)
    bad: dict[str, tuple[LastCheck, ...]] = {}
    for check in checks:
        if check.verdict not in _GOOD and not any(
            later.moment > check.moment and Depth(later.depth).covers(Depth(check.depth))
            for later in good.get(check.bag, ())
        ):
            bad[check.bag] = (*bad.get(check.bag, ()), check)
    return bad
