"""The date of a machine, as its evidence allows it.

Only firm evidence limits the date; weaker pieces are told with what they would
change. How a piece counts (common practice of object dating):

- what an expression says is taken by its strict days; ``~`` limits nothing unless
  the piece says by how many years it may be wrong; ``?`` is never firm;
- a piece that dates a part says of the whole at most that it is not older than the
  part, and not even that if the part is not original: a later part may have been put
  in, and an older one used up.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from archiver.session.dating_words import days_in_words, paragraph
from archiver.session.day_set import ALL_DAYS, DaySet, days_of
from archiver.session.edtf import EdtfDate, EdtfForm
from archiver.session.evidence import Limits, SmallestSets, limits_of, smallest_conflicts
from archiver.session.machine_record import Evidence, Machine
from archiver.session.vocabulary import Confidence, PartState

__all__ = ["Dating", "Effect", "Reach", "Weaker", "Weighed", "date_machine", "dating_as_json"]


class Reach(enum.StrEnum):
    """How far a piece of evidence speaks of the whole machine."""

    WHOLE = "the whole"
    NOT_BEFORE = "the whole, not before its part"
    NOTHING = "nothing"


class Effect(enum.StrEnum):
    """What a weaker piece would change if it were firm."""

    NOTHING = "changes nothing"
    NARROWS = "would narrow the date"
    CONTRADICTS = "contradicts the firm evidence"


@dataclass(frozen=True, slots=True, kw_only=True)
class Weighed:
    """A piece of evidence and what it allows.

    Parameters
    ----------
    number : int
        Position in the machine's list, from 0.
    piece : Evidence
        As stated.
    confidence : Confidence
        As it counts; ``?`` makes a firm piece probable.
    reach : Reach
        How far it speaks of the whole machine.
    days : DaySet
        Days of making that it allows the whole machine; all if it limits nothing.
    why : str
        Why it counts for less than stated; empty if it does not.
    """

    number: int
    piece: Evidence
    confidence: Confidence
    reach: Reach
    days: DaySet
    why: str = ""

    @property
    def limits(self) -> bool:
        """Say whether it takes part in the reckoning of firm evidence."""
        return self.confidence is Confidence.FIRM and self.days != ALL_DAYS


@dataclass(frozen=True, slots=True, kw_only=True)
class Weaker:
    """What a weaker piece would change. ``against`` are the smallest sets of pieces of
    firm evidence, by number, that it contradicts."""  # noqa: D205, D209 - one sentence

    weighed: Weighed
    effect: Effect
    allowed: DaySet
    against: tuple[tuple[int, ...], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Dating:
    """The reckoned date of a machine; sets of pieces are positions in its list, from 0.

    Parameters
    ----------
    machine : str
        Id.
    weighed : tuple of Weighed
        Every piece, in the order of the file.
    allowed : DaySet
        Days that all firm evidence allows; empty if it conflicts.
    date : EdtfDate or None
        The same as one EDTF expression; None in a conflict or if nothing limits it.
    binding_first, binding_last : SmallestSets
        Pieces that hold the two ends.
    conflicts, ways_out : SmallestSets
        In a conflict: which pieces cannot all hold; without which the rest can.
    weaker : tuple of Weaker
        Each weaker piece by itself.
    together : DaySet
        What firm and probable evidence allow together; empty if they conflict.
    """

    machine: str
    weighed: tuple[Weighed, ...]
    allowed: DaySet
    date: EdtfDate | None
    binding_first: SmallestSets
    binding_last: SmallestSets
    conflicts: SmallestSets
    ways_out: SmallestSets
    weaker: tuple[Weaker, ...]
    together: DaySet

    @property
    def statement(self) -> str:
        """The dating statement, one paragraph."""
        return paragraph(self)


def date_machine(machine: Machine) -> Dating | None:
    """Reckon the date of a machine from its evidence; None if it lists none."""
    if not machine.evidence:
        return None
    weighed = tuple(weigh(machine, number) for number in range(len(machine.evidence)))
    firm = [each for each in weighed if each.limits]
    limits = limits_of([each.days for each in firm])
    probable = [each.days for each in weighed if each.confidence is Confidence.PROBABLE]
    together = limits.allowed
    for days in probable:
        together &= days
    return Dating(
        machine=machine.id,
        weighed=weighed,
        allowed=limits.allowed,
        date=limits.allowed.as_edtf(),
        binding_first=_numbered(limits.binding_first, firm),
        binding_last=_numbered(limits.binding_last, firm),
        conflicts=_numbered(limits.conflicts, firm),
        ways_out=_numbered(limits.ways_out, firm),
        weaker=tuple(
            _weaker(each, firm, limits)
            for each in weighed
            if each.confidence is not Confidence.FIRM
        ),
        together=together,
    )


def _numbered(found: SmallestSets, firm: Sequence[Weighed]) -> SmallestSets:
    return SmallestSets(
        sets=tuple(tuple(firm[n].number for n in each) for each in found.sets),
        complete=found.complete,
    )


def weigh(machine: Machine, number: int) -> Weighed:
    """Say what one piece allows the whole machine, by the rules of this module."""
    piece = machine.evidence[number]
    says = piece.says
    reasons: list[str] = []
    confidence = piece.confidence
    if says.uncertain and confidence is Confidence.FIRM:
        confidence = Confidence.PROBABLE
        reasons.append("its date has a question mark, so it is not firm")
    days = ALL_DAYS
    if says.form is EdtfForm.ALL_OF:
        reasons.append("a set in braces says that all its dates hold, which is no one date")
    elif says.approximate and piece.within_years is None:
        reasons.append("an approximate date without within_years limits nothing")
    else:
        days = days_of(says)
        if says.approximate and piece.within_years:
            days = days.widened(piece.within_years)
    reach = _reach(machine, piece)
    if reach is Reach.NOT_BEFORE:
        days = days.not_before()
        reasons.append("it dates a part, and the whole is not older than its parts")
    elif reach is Reach.NOTHING:
        days = ALL_DAYS
        reasons.append("it dates a part that is not known to be original")
    return Weighed(
        number=number,
        piece=piece,
        confidence=confidence,
        reach=reach,
        days=days,
        why="; ".join(reasons),
    )


def _reach(machine: Machine, piece: Evidence) -> Reach:
    if piece.part is None:
        return Reach.WHOLE
    part = machine.part(piece.part)
    if part is not None and part.state is PartState.ORIGINAL:
        return Reach.NOT_BEFORE
    return Reach.NOTHING


def _weaker(each: Weighed, firm: Sequence[Weighed], limits: Limits) -> Weaker:
    if not limits.allowed:
        # Nothing is left to narrow; the conflict of the firm pieces comes first.
        return Weaker(weighed=each, effect=Effect.NOTHING, allowed=limits.allowed)
    allowed = limits.allowed & each.days
    if not allowed:
        found = smallest_conflicts([*(one.days for one in firm), each.days])
        last = len(firm)
        return Weaker(
            weighed=each,
            effect=Effect.CONTRADICTS,
            allowed=allowed,
            against=tuple(
                tuple(firm[n].number for n in one if n != last) for one in found.sets if last in one
            ),
        )
    effect = Effect.NOTHING if allowed == limits.allowed else Effect.NARROWS
    return Weaker(weighed=each, effect=effect, allowed=allowed)


def dating_as_json(dating: Dating) -> dict[str, Any]:
    """Return a dating as JSON; pieces are counted from 1, as people do."""

    def sets(found: SmallestSets) -> dict[str, Any]:
        return {
            "sets": [[n + 1 for n in each] for each in found.sets],
            "complete": found.complete,
        }

    date = dating.date
    return {
        "machine": dating.machine,
        "statement": dating.statement,
        "date": None if date is None else date.text,
        "earliest": None if date is None else str(date.earliest),
        "latest": None if date is None else str(date.latest),
        "earliest_held_by": sets(dating.binding_first),
        "latest_held_by": sets(dating.binding_last),
        "conflicts": sets(dating.conflicts),
        "ways_out": sets(dating.ways_out),
        "evidence": [
            {
                "number": each.number + 1,
                "kind": str(each.piece.kind),
                "what": each.piece.what,
                "says": each.piece.says.text,
                "source": each.piece.source,
                "stated_confidence": str(each.piece.confidence),
                "confidence": str(each.confidence),
                "reach": str(each.reach),
                "limits": each.limits,
                "why": each.why or None,
            }
            for each in dating.weighed
        ],
        "weaker": [
            {
                "number": each.weighed.number + 1,
                "effect": str(each.effect),
                "leaves": days_in_words(each.allowed) if each.allowed else None,
                "against": [[n + 1 for n in one] for one in each.against],
            }
            for each in dating.weaker
        ],
    }
