"""Which bags of a store are due for a check."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from archiver.custody.entry import moment_text
from archiver.custody.ledger import LastCheck
from archiver.custody.verify import Depth

__all__ = ["Selection", "choose"]

_NEVER = ""
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
    """Choose the bags to check, the longest unchecked first.

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
    last: dict[str, str] = {}
    for check in checks:
        if check.depth in set(Depth) and Depth(check.depth).covers(depth):
            last[check.bag] = max(last.get(check.bag, _NEVER), check.moment)
    due = [bag for bag in bags if not begun or last.get(bag, _NEVER) < begun]
    if selection.older_than is not None:
        limit = moment_text(now - selection.older_than)
        due = [bag for bag in due if last.get(bag, _NEVER) < limit]
    due.sort(key=lambda bag: (last.get(bag, _NEVER), bag))
    if selection.daily_percent is not None:
        today = moment_text(now - _DAY)
        done = sum(last.get(bag, _NEVER) >= today for bag in bags)
        share = math.ceil(len(bags) * selection.daily_percent / 100)
        due = due[: max(0, share - done)]
    return tuple(due)
