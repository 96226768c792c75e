"""When a machine was made, on the page: the statement, its evidence, and the time line."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from archiver.pages.composing import derived, facts_of, stated, table_of
from archiver.pages.content import (
    Basis,
    Block,
    Bullets,
    Column,
    Line,
    Paragraph,
    SpanRow,
    Spans,
    Stretch,
    Tick,
    own,
    said,
)
from archiver.pages.figures import dated
from archiver.pages.plots import Axis
from archiver.session.attribution import attribution_of
from archiver.session.dating import Dating, Effect, Weighed, date_machine
from archiver.session.dating_words import days_in_words, listed
from archiver.session.day import Day
from archiver.session.day_set import ALL_DAYS, DaySet
from archiver.session.records import Machine, Session
from archiver.session.variants import compare_variants

__all__ = ["attribution_blocks", "dating_blocks", "variant_blocks"]

_YEAR = 365.2425
_MOST_TICKS = 8


def dating_blocks(machine: Machine) -> Iterator[Block]:
    """Say when a machine was made, as stated and as its evidence allows."""
    dating = date_machine(machine)
    made = machine.made
    rows = []
    if made is not None:
        rows.append(stated("Made", dated(made.date) if made.date is not None else None))
        rows.append(stated("Made at", made.place))
    if dating is not None:
        allowed = days_in_words(dating.allowed) if dating.allowed else "no date: the firm evidence "
        allowed += "" if dating.allowed else "contradicts itself"
        edtf = f" (EDTF {dating.date.text})" if dating.date is not None else ""
        rows.append(derived("As all firm evidence allows", f"{allowed}{edtf}"))
    yield from facts_of(rows)
    if made is not None and made.statement:
        yield Paragraph(text=said(made.statement), basis=Basis.STATED, style="statement")
    if dating is None:
        return
    yield Paragraph(text=said(dating.statement), basis=Basis.DERIVED, style="statement")
    yield from _conflicts(dating)
    yield from _time_line(dating)
    yield from _evidence(dating)


def _conflicts(dating: Dating) -> Iterator[Block]:
    if dating.conflicts.sets:
        yield Bullets(
            name="These cannot all hold",
            items=tuple(
                own("evidence " + listed([str(number + 1) for number in one]))
                for one in dating.conflicts.sets
            ),
            basis=Basis.DERIVED,
        )


def _evidence(dating: Dating) -> Iterator[Block]:
    weaker = {each.weighed.number: each for each in dating.weaker}
    ends = {
        number: words
        for words, found in (
            ("holds the later end", dating.binding_last),
            ("holds the earlier end", dating.binding_first),
        )
        for one in found.sets
        for number in one
    }
    rows: list[Sequence[Line]] = []
    for each in dating.weighed:
        effect = ends.get(each.number, "")
        if each.number in weaker and each.days != ALL_DAYS:
            effect = _effect(weaker[each.number].effect, weaker[each.number].allowed)
        elif against := _against_which(dating, each.number):
            effect = f"conflicts with {listed(against, word='or')}"
        elif not effect and each.limits:
            effect = "agrees"
        rows.append(
            (
                own(str(each.number + 1)),
                said("; ".join(text for text in (each.piece.what, each.piece.note) if text)),
                own(str(each.piece.kind)),
                own(dated(each.piece.says) + _within(each)),
                own(str(each.piece.confidence)),
                own(each.why or effect),
                said(each.piece.source),
            )
        )
    yield from table_of(
        "Evidence, and what it does to the date",
        (
            Column(head="No.", style="number"), Column(head="What was found"), Column(head="Kind"),
            Column(head="Says"), Column(head="Relied on as"), Column(head="Effect (derived)"),
            Column(head="Source"),
        ),
        rows,
        basis=Basis.STATED,
    )  # fmt: skip


def _against_which(dating: Dating, number: int) -> list[str]:
    """Name the other firm evidence that a firm piece cannot hold beside, set by set."""
    return [
        listed([f"{other + 1}" for other in one if other != number])
        for one in dating.conflicts.sets
        if number in one
    ]


def _within(each: Weighed) -> str:
    years = each.piece.within_years
    return f", give or take {years} years" if years else ""


def _effect(effect: Effect, allowed: DaySet) -> str:
    if effect is Effect.NARROWS:
        return f"would narrow the date: {days_in_words(allowed)}"
    return str(effect)


def _time_line(dating: Dating) -> Iterator[Block]:
    ends = [
        day
        for each in dating.weighed
        for span in each.days.spans
        for day in (span.first, span.last)
        if not math.isinf(day)
    ]
    if not ends:
        return
    first, last = min(ends), max(ends)
    margin = max(_YEAR, (last - first) * 0.08)
    axis = Axis(first - margin, last + margin)
    yield Spans(
        title="What each piece of evidence allows, year by year",
        told=f"Firm evidence together allows: {days_in_words(dating.allowed)}.",
        rows=tuple(
            SpanRow(
                label=f"{each.number + 1}. {each.piece.kind}",
                note=str(each.confidence),
                stretches=_stretches(axis, each.days, str(each.confidence)),
            )
            for each in dating.weighed
            if each.days != ALL_DAYS
        ),
        ticks=_years(axis),
        common=_stretches(axis, dating.allowed, "common") if dating.allowed else (),
    )


def _stretches(axis: Axis, days: DaySet, style: str) -> tuple[Stretch, ...]:
    found = []
    for span in days.spans:
        start, end = 100 * axis.share(span.first), 100 * axis.share(span.last + 1)
        found.append(
            Stretch(start=round(start, 2), width=round(max(end - start, 0.6), 2), style=style)
        )
    return tuple(found)


def _years(axis: Axis) -> tuple[Tick, ...]:
    first, last = (Day.from_ordinal(int(day)).year for day in (axis.low, axis.high))
    step = next(
        step for step in (1, 2, 5, 10, 20, 50, 100, 10**9) if (last - first) / step <= _MOST_TICKS
    )
    years = range(-(-(first + 1) // step) * step, last + 1, step)
    return tuple(
        Tick(
            at=round(100 * axis.share(Day(year, 1, 1).ordinal), 2),
            label=str(year) if year > 0 else f"{1 - year} BC",
        )
        for year in years
    )


def attribution_blocks(machine: Machine) -> Iterator[Block]:
    """Set the makers in question beside each other; nothing is decided."""
    found = attribution_of(machine)
    if found is None:
        return
    yield from table_of(
        "Makers in question, and what speaks for and against each",
        (
            Column(head="Maker"), Column(head="In favour"), Column(head="Against"),
            Column(head="Source"),
        ),
        (
            (
                said(", ".join(text for text in (each.name, each.place) if text)),
                said("; ".join(each.in_favour)),
                said("; ".join(each.against)),
                said(". ".join(text for text in (each.source, each.note) if text)),
            )
            for each in found.candidates
        ),
        basis=Basis.STATED,
    )  # fmt: skip


def variant_blocks(session: Session, machine: Machine) -> Iterator[Block]:
    """Say which known variants of the model the machine may be."""
    machine_type = session.type_of(machine)
    if machine_type is None or not machine_type.variants:
        return
    compared = compare_variants(machine, machine_type)
    statement = f"{compared.statement[0].upper()}{compared.statement[1:]}."
    yield Paragraph(text=said(statement), basis=Basis.DERIVED, style="statement")
    yield from table_of(
        f"Known variants of {compared.model}",
        (
            Column(head="Variant"), Column(head="Made"), Column(head="Told by"),
            Column(head="This machine (derived)"), Column(head="Source"),
        ),
        (
            (
                said(each.variant.name),
                own(dated(each.variant.made)) if each.variant.made is not None else (),
                said(
                    "; ".join(f"{one.name}: {' or '.join(one.expected)}" for one in each.features)
                ),
                own("may be this one" if each.fits else _against(each.date_excludes, [
                    one.name for one in each.features if one.fit == "against"
                ])),
                said(each.variant.source or ""),
            )
            for each in compared.variants
        ),
        basis=Basis.STATED,
    )  # fmt: skip


def _against(by_date: bool, features: Sequence[str]) -> str:
    reasons = [*features, *(["the firm evidence for the date"] if by_date else [])]
    return f"excluded by {listed(reasons)}"
