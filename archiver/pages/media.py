"""The cylinders, sheets and discs on the page, and how the machines were set up for them."""

from __future__ import annotations

from collections.abc import Iterator

from archiver.pages.composing import (
    anchor,
    derived,
    facts_of,
    joined,
    measured,
    stated,
    stated_word,
)
from archiver.pages.content import Basis, Block, Fact, Section, Subsection, own, said
from archiver.pages.facts import PageFacts
from archiver.pages.figures import quantity, with_uncertainty
from archiver.pages.machines import condition_blocks
from archiver.pages.takes import MOST_DETAILED, take_reference
from archiver.session.media_wear import MediumWear, wear_of
from archiver.session.records import Medium, Session, Setup

__all__ = ["media_section", "setup_section"]


def media_section(facts: PageFacts) -> Section | None:
    """Describe each medium and what the session took from it."""
    session = facts.session
    if not session.media:
        return None
    wear = {each.medium: each for each in wear_of(session)}
    return Section(
        id="media",
        title="Cylinders, sheets and discs",
        short="Media",
        blocks=tuple(
            Subsection(
                id=anchor("medium", medium.id),
                title=joined(own(medium.id), said(medium.label or "")),
                blocks=tuple(_medium(facts, medium, wear[medium.id])),
            )
            for medium in session.media
        ),
    )


def _medium(facts: PageFacts, medium: Medium, wear: MediumWear) -> Iterator[Block]:
    rows = [
        stated_word("Kind", str(medium.kind)),
        stated("Material", medium.material),
        stated("Inventory number", medium.inventory_number),
        stated("Supplier", medium.supplier),
    ]
    for label, value in (
        ("Diameter", medium.diameter),
        ("Length", medium.length),
        ("Thickness", medium.thickness),
    ):
        rows.append(stated_word(label, quantity(value) if value is not None else None))
    rows.append(stated_word("Shaved", _times(medium.shavings)))
    rows.append(stated("Remarks", medium.remarks))
    rows += _wear(wear)
    if facts.motion is not None:
        for outlook in facts.motion.media:
            if outlook.medium == medium.id:
                change = with_uncertainty(outlook.snr_per_playing)
                rows.append(measured("Signal over noise, change with each playing", change))
                left = with_uncertainty(outlook.playings_left)
                rows.append(derived("Playings left until noise prevails", left))
    yield from facts_of(rows)
    yield from condition_blocks(facts.session, medium=medium.id)


def _wear(wear: MediumWear) -> Iterator[Fact]:
    yield stated_word("Recordings before the session", _count(wear.recordings_before))
    yield derived("Recordings after it", _count(wear.recordings_after))
    yield stated_word("Playings before, of what is on it", _count(wear.playings_before))
    yield derived("Playings after, of what is on it then", _count(wear.playings_after))
    yield stated_word("Playings planned at most", _count(wear.limit))


def _count(value: int | None) -> str:
    return "" if value is None else str(value)


def _times(value: int | None) -> str:
    if value is None:
        return ""
    return {0: "never", 1: "once", 2: "twice"}.get(value, f"{value} times")


def setup_section(session: Session) -> Section | None:
    """Say how the machines were set up and driven."""
    if not session.setups:
        return None
    return Section(
        id="setups",
        title="How the machines were set up and driven",
        short="Set-up and drive",
        blocks=tuple(
            Subsection(
                id=anchor("setup", setup.id),
                title=own(f"Set-up {setup.id}"),
                blocks=facts_of(_setup(session, setup)),
            )
            for setup in session.setups
        ),
    )


def _setup(session: Session, setup: Setup) -> Iterator[Fact]:
    machine, stylus, drive = session.machine(setup.machine), setup.stylus, setup.drive
    name = machine.name if machine is not None else setup.machine
    yield _leading("Machine", anchor("machine", setup.machine), name)
    if setup.medium:
        yield _leading("Medium", anchor("medium", setup.medium), setup.medium)
    yield stated("Stylus", stylus.kind if stylus else None)
    yield stated("Depth of the stylus", stylus.depth if stylus else None)
    yield stated("Centring of the stylus", stylus.centring if stylus else None)
    yield stated("Diaphragm", setup.diaphragm)
    yield stated("Gasket", setup.gasket)
    yield stated("Recording horn", setup.horn_recording)
    yield stated("Reproducing horn", setup.horn_reproducing)
    yield stated_word("Drive", str(drive.kind) if drive else None)
    if drive is not None and drive.flywheel is not None:
        yield stated_word("Flywheel", "yes" if drive.flywheel else "no")
    yield stated("Governor", drive.governor if drive else None)
    yield stated("Note on the drive", drive.note if drive else None)
    speed = setup.nominal_speed
    yield stated_word("Nominal speed", quantity(speed) if speed is not None else None)
    yield stated("Remarks", setup.remarks)
    takes = [take for take in session.takes if take.setup == setup.id]
    more = len(takes) - MOST_DETAILED
    yield Fact(
        label="Takes",
        value=joined(
            *(take_reference(session, take) for take in takes[:MOST_DETAILED]),
            own(f"and {more} more") if more > 0 else (),
        ),
        basis=Basis.STATED,
    )


def _leading(label: str, place: str, name: str) -> Fact:
    return Fact(label=label, value=said(name, href=f"#{place}"), basis=Basis.STATED)
