"""Reasoning from pieces of evidence: what they allow together, and which cannot all hold.

Everything is exact. The line of days is cut into stretches within which no piece
changes its mind; a stretch is known by the pieces that exclude it. A date is possible
where no piece excludes it; pieces conflict if they exclude every stretch between
them, so the smallest conflicting sets are the smallest sets of pieces that meet the
excluding pieces of every stretch (minimal hitting sets). For pieces without gaps
these are pairs, as Helly's theorem says for intervals on a line; with gaps they may
be larger.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from archiver.session.day_set import ALL_DAYS, DaySet

__all__ = ["MOST_PIECES", "MOST_SETS", "Limits", "SmallestSets", "limits_of", "smallest_conflicts"]

MOST_SETS = 100
"""Sets of pieces that are kept at most; beyond it a listing says that it is not complete."""

MOST_PIECES = 300
"""Pieces that are compared each with each; of more, one smallest conflict is found."""

Pieces = frozenset[int]


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallestSets:
    """Sets of pieces, by position, none of which holds another; the smaller first."""

    sets: tuple[tuple[int, ...], ...] = ()
    complete: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What pieces of evidence allow together.

    Parameters
    ----------
    allowed : DaySet
        Empty if the pieces conflict.
    binding_first, binding_last : SmallestSets
        The smallest sets of pieces that alone hold the first and the last day where
        they are; usually sets of one. Empty without a limit, or in a conflict.
    conflicts : SmallestSets
        The smallest sets that cannot all hold.
    ways_out : SmallestSets
        In a conflict, the smallest sets without which the others can all hold.
    """

    allowed: DaySet
    binding_first: SmallestSets = SmallestSets()
    binding_last: SmallestSets = SmallestSets()
    conflicts: SmallestSets = SmallestSets()
    ways_out: SmallestSets = SmallestSets()


def limits_of(pieces: Sequence[DaySet]) -> Limits:
    """Return what pieces allow together, what binds each end, and what conflicts.

    Parameters
    ----------
    pieces : sequence of DaySet
        The days that each piece allows; none empty.
    """
    allowed = _allowed(pieces)
    if not allowed:
        return Limits(
            allowed=allowed, conflicts=smallest_conflicts(pieces), ways_out=_ways_out(pieces)
        )
    return Limits(
        allowed=allowed,
        binding_first=SmallestSets(complete=False)
        if len(pieces) > MOST_PIECES
        else _hitting(_excluders(pieces, below=allowed.first)),
        binding_last=SmallestSets(complete=False)
        if len(pieces) > MOST_PIECES
        else _hitting(_excluders(pieces, above=allowed.last)),
    )


def smallest_conflicts(pieces: Sequence[DaySet]) -> SmallestSets:
    """Return the smallest sets of pieces that cannot all hold; empty if all can."""
    if len(pieces) > MOST_PIECES:
        return _one_conflict(pieces)
    excluders = _excluders(pieces)
    return SmallestSets() if frozenset() in excluders else _hitting(excluders)


def _one_conflict(pieces: Sequence[DaySet]) -> SmallestSets:
    """Find one smallest set: what must stay when the pieces after it are added in turn."""
    kept: list[int] = []
    while True:
        allowed = _allowed([pieces[n] for n in kept])
        if not allowed:
            return SmallestSets(sets=(tuple(sorted(kept)),), complete=False)
        for number, piece in enumerate(pieces):
            allowed &= piece
            if not allowed:
                kept.append(number)
                break
        else:
            return SmallestSets()


def _allowed(pieces: Iterable[DaySet]) -> DaySet:
    allowed = ALL_DAYS
    for piece in pieces:
        allowed &= piece
    return allowed


def _ways_out(pieces: Sequence[DaySet]) -> SmallestSets:
    if len(pieces) > MOST_PIECES:
        return SmallestSets(complete=False)
    sets = sorted(
        (tuple(sorted(each)) for each in _minimal(_excluders(pieces))),
        key=lambda each: (len(each), each),
    )
    return SmallestSets(sets=tuple(sets[:MOST_SETS]), complete=len(sets) <= MOST_SETS)


def _excluders(
    pieces: Sequence[DaySet], *, below: float = math.inf, above: float = -math.inf
) -> list[Pieces]:
    """Return the pieces that exclude each stretch, in the order of the line.

    ``below`` and ``above`` leave only the stretches before or after a day.
    """
    points = {span.first for piece in pieces for span in piece.spans}
    points |= {span.last + 1 for piece in pieces for span in piece.spans}
    inner = sorted(point for point in points if not math.isinf(point))
    # One day stands for each stretch; the first stretch has no beginning.
    days = [inner[0] - 1, *inner] if inner else [0.0]
    return list(
        dict.fromkeys(
            frozenset(n for n, piece in enumerate(pieces) if day not in piece)
            for day in days
            if above < day < below
        )
    )


def _minimal(sets: Iterable[Pieces]) -> list[Pieces]:
    """Leave out every set that holds another, keeping the order."""
    kept: list[Pieces] = []
    for each in dict.fromkeys(sets):
        if any(other <= each for other in kept):
            continue
        kept = [other for other in kept if not each <= other]
        kept.append(each)
    return kept


def _shrunk(hitting: Pieces, needed: Sequence[Pieces]) -> Pieces:
    for one in sorted(hitting):
        fewer = hitting - {one}
        if all(fewer & wanted for wanted in needed):
            hitting = fewer
    return hitting


def _hitting(sets: Iterable[Pieces]) -> SmallestSets:
    """Return the minimal sets that share a member with each of these (Berge's algorithm).

    In the order of the line the intermediate result of pieces without gaps never
    exceeds their pairs. With gaps it can grow without bound; then it is cut, the
    smallest sets staying, and the result says that it is not complete.
    """
    needed = _minimal(sets)
    if not needed or frozenset() in needed:
        return SmallestSets()
    complete = True
    partial: list[Pieces] = [frozenset()]
    for wanted in needed:
        met = [each for each in partial if each & wanted]
        grown = [each | {one} for each in partial if not each & wanted for one in sorted(wanted)]
        partial = met + [each for each in _minimal(grown) if not any(m <= each for m in met)]
        if len(partial) > 8 * MOST_SETS:
            partial = sorted(partial, key=lambda each: (len(each), sorted(each)))[: 4 * MOST_SETS]
            complete = False
    if not complete:
        # A smaller set may have been cut away, so each is made smallest by itself.
        partial = list(dict.fromkeys(_shrunk(each, needed) for each in partial))
    ordered = sorted((tuple(sorted(each)) for each in partial), key=lambda each: (len(each), each))
    return SmallestSets(
        sets=tuple(ordered[:MOST_SETS]), complete=complete and len(ordered) <= MOST_SETS
    )
