"""The machines on the page: what they are, how they are dated, their parts and condition."""

from __future__ import annotations

from collections.abc import Iterator

from archiver.describe.people import people_of
from archiver.pages.composing import anchor, facts_of, stated, stated_word, table_of
from archiver.pages.content import (
    Basis,
    Block,
    Bullets,
    Column,
    Fact,
    Paragraph,
    Pictures,
    Section,
    Subsection,
    own,
    said,
)
from archiver.pages.dating import attribution_blocks, dating_blocks, variant_blocks
from archiver.pages.facts import Links, PageFacts
from archiver.pages.figures import dated, quantity
from archiver.pages.pictures import pictures_of_machine
from archiver.session.condition import changes_in, report_of
from archiver.session.records import Machine, PartState, Session, When
from archiver.telling import count

__all__ = ["condition_blocks", "machine_sections"]


def machine_sections(facts: PageFacts, links: Links) -> Iterator[Section]:
    """Describe each machine in a section of its own."""
    session = facts.session
    for machine in session.machines:
        yield Section(
            id=anchor("machine", machine.id),
            title=machine.name,
            short=machine.name,
            blocks=tuple(_blocks(facts, links, machine)),
        )


def _blocks(facts: PageFacts, links: Links, machine: Machine) -> Iterator[Block]:
    session = facts.session
    pictures = pictures_of_machine(facts, links, machine)
    if pictures:
        yield Pictures(pictures=pictures)
    yield from facts_of(_identity(machine))
    parts = (
        ("dating", "When it was made", tuple(dating_blocks(machine))),
        ("maker", "Who made it", tuple(attribution_blocks(machine))),
        ("variant", "Which variant it is", tuple(variant_blocks(session, machine))),
        (
            "build",
            "Build and dimensions",
            (*_build(machine), *_marks(machine), *_features(session, machine)),
        ),
        ("parts", "Parts: what is original and what is not", tuple(_parts(machine))),
        (
            "condition",
            "Condition before and after the session",
            tuple(condition_blocks(session, machine=machine.id)),
        ),
        ("hazards", "Hazards that its file names", tuple(_hazards(machine))),
        ("custody", "Whose hands it passed through", tuple(_custody(machine))),
    )
    for name, title, blocks in parts:
        if blocks:
            yield Subsection(id=anchor(name, machine.id), title=own(title), blocks=blocks)


def _identity(machine: Machine) -> Iterator[Fact]:
    maker, owner = machine.maker, machine.owner
    yield stated("Also called", ", ".join(machine.names[1:]))
    yield stated("Type", machine.type)
    yield stated(
        "Maker", ", ".join(text for text in (maker.name, maker.place) if text) if maker else None
    )
    for mark in machine.marks:
        if mark.kind == "serial number":
            yield stated("Serial number", mark.text)
    yield stated("Inventory number", machine.inventory_number)
    yield stated(
        "Owner", ", ".join(text for text in (owner.name, owner.place) if text) if owner else None
    )


def _build(machine: Machine) -> Iterator[Block]:
    size = machine.dimensions
    rows: list[Fact] = []
    for label, value in (
        ("Width", size.width if size else None),
        ("Depth", size.depth if size else None),
        ("Height", size.height if size else None),
        ("Weight", size.weight if size else None),
    ):
        rows.append(stated_word(label, quantity(value) if value is not None else None))
    for label, carrier in (("Mandrel", machine.mandrel), ("Platter", machine.platter)):
        if carrier is not None:
            rows.append(stated_word(f"{label}, diameter", quantity(carrier.diameter)))
            rows.append(stated(f"{label}, note", carrier.note))
    for label, value in (
        ("Groove pitch", machine.groove_pitch),
        ("Recordable length", machine.recordable_length),
        ("Nominal speed", machine.nominal_speed),
    ):
        rows.append(stated_word(label, quantity(value) if value is not None else None))
    rows.append(stated("Finish", machine.finish))
    rows.append(stated("Materials", ", ".join(machine.materials)))
    yield from facts_of(rows)


def _marks(machine: Machine) -> Iterator[Block]:
    yield from table_of(
        "Marks and inscriptions, letter by letter",
        (Column(head="Text"), Column(head="Kind"), Column(head="Where")),
        (
            (said(mark.text), own(str(mark.kind)), said(mark.position or ""))
            for mark in machine.marks
        ),
        basis=Basis.STATED,
    )


def _features(session: Session, machine: Machine) -> Iterator[Block]:
    machine_type = session.type_of(machine)
    names = {each.id: each.name for each in machine_type.features} if machine_type else {}
    yield from table_of(
        "Features by which variants are told apart",
        (
            Column(head="Feature"),
            Column(head="On this machine"),
            Column(head="On which part"),
            Column(head="Note"),
        ),
        (
            (
                said(names.get(each.feature, each.feature)),
                said(each.value),
                said(each.part or ""),
                said(each.note or ""),
            )
            for each in machine.features
        ),
        basis=Basis.STATED,
    )


def _hazards(machine: Machine) -> Iterator[Block]:
    yield from table_of(
        "Hazards",
        (Column(head="Hazard"), Column(head="Note")),
        ((said(each.kind), said(each.note or "")) for each in machine.hazards),
        basis=Basis.STATED,
    )


def _parts(machine: Machine) -> Iterator[Block]:
    if not machine.parts:
        return
    counts = {state: sum(part.state is state for part in machine.parts) for state in PartState}
    told = ", ".join(f"{number} {state}" for state, number in counts.items() if number)
    yield Paragraph(
        text=own(f"{count(len(machine.parts), 'part is', 'parts are')} listed: {told}."),
        basis=Basis.DERIVED,
    )
    yield from table_of(
        "Parts",
        (
            Column(head="Part"), Column(head="State"), Column(head="Material"),
            Column(head="Changed"), Column(head="By"), Column(head="Can be undone"),
            Column(head="Note"),
        ),
        (
            (
                said(part.name),
                own(str(part.state)),
                said(part.material or ""),
                own(dated(part.date)) if part.date is not None else (),
                said(part.by or ""),
                own({True: "yes", False: "no", None: ""}[part.reversible]),
                said(part.note or ""),
            )
            for part in machine.parts
        ),
        basis=Basis.STATED,
    )  # fmt: skip


def condition_blocks(
    session: Session, *, machine: str | None = None, medium: str | None = None
) -> Iterator[Block]:
    """Set the reports before and after the session beside each other."""
    reports = [report_of(session, when, machine=machine, medium=medium) for when in When]
    if not any(reports):
        return
    people = people_of(session)
    heads = []
    names: dict[str, None] = {}
    for when, report in zip(When, reports, strict=True):
        told = []
        if report is not None:
            names |= dict.fromkeys(each.part for each in report.parts)
            told = [dated(report.date)] if report.date is not None else []
            if report.by is not None:
                told.append(people[report.by].name if report.by in people else report.by)
        head = str(when).capitalize()
        heads.append(f"{head} ({', '.join(told)})" if told else head)
    rows = [
        (
            own("the whole"),
            *(
                said(_grade(str(report.grade), report.note)) if report is not None else ()
                for report in reports
            ),
        )
    ]
    for name in names:
        found = [
            next((each for each in report.parts if each.part == name), None) if report else None
            for report in reports
        ]
        rows.append(
            (
                said(name),
                *(
                    said(_grade(str(each.grade), each.note)) if each is not None else ()
                    for each in found
                ),
            )
        )
    yield from table_of(
        "Condition",
        (Column(head="Part"), *(Column(head=head) for head in heads)),
        rows,
        basis=Basis.STATED,
    )
    changes = [each for each in changes_in(session) if each.subject == (machine or medium)]
    if changes:
        yield Bullets(
            name="Changed in the session",
            items=tuple(said(str(each)) for each in changes),
            basis=Basis.DERIVED,
        )
    elif all(reports):
        yield Paragraph(
            text=own("The reports before and after the session tell of no change of grade."),
            basis=Basis.DERIVED,
        )


def _grade(grade: str, note: str | None) -> str:
    return f"{grade}: {note}" if note else grade


def _custody(machine: Machine) -> Iterator[Block]:
    yield from table_of(
        "History",
        (
            Column(head="Date"), Column(head="What happened"), Column(head="Holder"),
            Column(head="Place"), Column(head="Source"),
        ),
        (
            (
                own(dated(each.date)) if each.date is not None else (),
                said(each.event or ""),
                said(each.holder or ""),
                said(each.place or ""),
                said(each.source or ""),
            )
            for each in machine.custody
        ),
        basis=Basis.STATED,
    )  # fmt: skip
