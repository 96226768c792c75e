"""A slow judge of evidence: every day one by one, every set of pieces one by one.

Shares nothing with the code under test but the standard library's calendar.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from itertools import combinations

Days = frozenset[date]
FIRST, LAST = date(1899, 1, 1), date(1904, 12, 31)
DAYS = [FIRST + timedelta(days=n) for n in range((LAST - FIRST).days + 1)]


def days_allowed(pieces: Sequence[Days]) -> list[date]:
    """Days that every piece allows, in order; pieces are the days that each allows."""
    return sorted(frozenset(DAYS).intersection(*pieces))


def smallest(count: int, holds: Callable[[tuple[int, ...]], bool]) -> list[tuple[int, ...]]:
    """Sets of positions for which something holds, and for no set within them."""
    found: list[tuple[int, ...]] = []
    for size in range(count + 1):
        for chosen in combinations(range(count), size):
            if any(set(other) <= set(chosen) for other in found):
                continue
            if holds(chosen):
                found.append(chosen)
    return found


def smallest_conflicts(pieces: Sequence[Days]) -> list[tuple[int, ...]]:
    return smallest(len(pieces), lambda chosen: not days_allowed([pieces[n] for n in chosen]))


def smallest_ways_out(pieces: Sequence[Days]) -> list[tuple[int, ...]]:
    return smallest(
        len(pieces),
        lambda left_out: bool(
            days_allowed([each for n, each in enumerate(pieces) if n not in left_out])
        ),
    )


def smallest_holding_first(pieces: Sequence[Days]) -> list[tuple[int, ...]]:
    """Sets of pieces that alone allow nothing before the first day that all allow."""
    first = days_allowed(pieces)[0]
    if first == FIRST:
        return []
    return smallest(
        len(pieces),
        lambda chosen: all(day >= first for day in days_allowed([pieces[n] for n in chosen])),
    )


def smallest_holding_last(pieces: Sequence[Days]) -> list[tuple[int, ...]]:
    last = days_allowed(pieces)[-1]
    if last == LAST:
        return []
    return smallest(
        len(pieces),
        lambda chosen: all(day <= last for day in days_allowed([pieces[n] for n in chosen])),
    )
