"""Two machines side by side: identity, dates, dimensions, features, parts, performance."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from archiver.session.capacity import capacity_s, surface_speed_m_s
from archiver.session.dating import date_machine
from archiver.session.dating_words import days_in_words
from archiver.session.machine_record import Machine
from archiver.session.performance import (
    PerformanceRow,
    TakeFigures,
    in_words,
    performance_rows,
)
from archiver.session.quantity import Quantity
from archiver.session.records import Session
from archiver.session.type_record import MachineType
from archiver.session.vocabulary import PartState

__all__ = ["MachineView", "Row", "compare_machines", "view_of", "with_more"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineView:
    """A machine with what a session adds to it."""

    machine: Machine
    machine_type: MachineType | None = None
    figures: Mapping[str, Sequence[TakeFigures]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of the comparison; an empty text stands where nothing is known.

    ``measured`` holds the figures of a line on performance.
    """

    section: str
    name: str
    left: str
    right: str
    measured: PerformanceRow | None = None

    @property
    def differs(self) -> bool:
        """Say whether both are known and not the same."""
        if self.measured is not None:
            return self.measured.differs
        return bool(self.left and self.right) and _folded(self.left) != _folded(self.right)

    def as_json(self) -> dict[str, Any]:
        """Return the row as JSON; of performance with its figures, take by take."""
        row: dict[str, Any] = {
            "section": self.section,
            "name": self.name,
            "left": self.left or None,
            "right": self.right or None,
            "differs": self.differs,
        }
        if self.measured is not None:
            row["basis"] = self.measured.basis
            row["figures"] = {
                side: {
                    take: [figure.as_json() for figure in found] for take, found in takes.items()
                }
                for side, takes in (("left", self.measured.left), ("right", self.measured.right))
            }
        return row


def _folded(text: str) -> str:
    return " ".join(text.casefold().split())


def view_of(
    session: Session, machine: Machine, figures: Mapping[str, TakeFigures] | None = None
) -> MachineView:
    """Gather what a session says of a machine.

    Parameters
    ----------
    session : Session
        The record.
    machine : Machine
        One of its machines.
    figures : mapping of str to TakeFigures, optional
        By the id of the take.
    """
    by_kind: dict[str, list[TakeFigures]] = {}
    for take in session.takes:
        found = (figures or {}).get(take.id)
        if found is not None and session.machine_of(take) is machine:
            by_kind.setdefault(str(take.kind), []).append(found)
    return MachineView(
        machine=machine, machine_type=session.type_of(machine), figures=dict(by_kind)
    )


def with_more(view: MachineView, figures: Mapping[str, Sequence[TakeFigures]]) -> MachineView:
    """Add what was measured elsewhere, by the kind of the takes."""
    kinds = dict.fromkeys((*view.figures, *figures))
    return dataclasses.replace(
        view,
        figures={kind: (*view.figures.get(kind, ()), *figures.get(kind, ())) for kind in kinds},
    )


def compare_machines(left: MachineView, right: MachineView) -> tuple[Row, ...]:
    """Compare two machines; a line stands where at least one of them has something."""
    rows: list[Row] = []
    for section, one, other in (
        ("identity", _identity(left.machine), _identity(right.machine)),
        ("dimensions", _dimensions(left.machine), _dimensions(right.machine)),
        ("features", _features(left), _features(right)),
        ("parts", _parts(left.machine), _parts(right.machine)),
    ):
        mine, theirs = dict(one), dict(other)
        rows += [
            Row(section=section, name=name, left=mine.get(name, ""), right=theirs.get(name, ""))
            for name in dict.fromkeys((*mine, *theirs))
            if mine.get(name) or theirs.get(name)
        ]
    rows += [
        Row(
            section="performance",
            name=found.name,
            left=in_words(found.left),
            right=in_words(found.right),
            measured=found,
        )
        for found in performance_rows(left.figures, right.figures)
    ]
    return tuple(rows)


Named = Iterator[tuple[str, str]]


def _identity(machine: Machine) -> Named:
    yield "name", machine.name
    yield "type", machine.type
    yield "model", machine.model or ""
    yield "maker", machine.maker.name if machine.maker else ""
    yield "made, as stated", machine.made.date.text if machine.made and machine.made.date else ""
    dating = date_machine(machine)
    if dating is not None:
        allowed = days_in_words(dating.allowed) if dating.allowed else "evidence contradicts itself"
        yield "made, as firm evidence allows", allowed
    serials = [mark.text for mark in machine.marks if mark.kind == "serial number"]
    yield "serial number", "; ".join(serials)
    yield "inventory number", machine.inventory_number or ""
    yield "finish", machine.finish or ""
    yield "materials", ", ".join(machine.materials)


def _dimensions(machine: Machine) -> Named:
    size = machine.dimensions
    for name in ("width", "depth", "height", "weight"):
        yield name, _stated(getattr(size, name) if size else None)
    diameter = None
    for name, carrier in (("mandrel", machine.mandrel), ("platter", machine.platter)):
        if carrier is not None:
            diameter = diameter or carrier.diameter
            yield f"{name}, diameter", _stated(carrier.diameter)
    pitch, length, speed = machine.groove_pitch, machine.recordable_length, machine.nominal_speed
    yield "groove pitch", _stated(pitch)
    yield "recordable length", _stated(length)
    yield "nominal speed", _stated(speed)
    if speed is not None and speed.value > 0:
        if pitch is not None and length is not None:
            yield "capacity, reckoned", f"{capacity_s(pitch, length, speed):.0f} s"
        if diameter is not None:
            yield "surface speed, reckoned", f"{surface_speed_m_s(diameter, speed) * 1000:.0f} mm/s"


def _stated(quantity: Quantity | None) -> str:
    """Say a quantity as stated, with its metric value where that is another text."""
    if quantity is None:
        return ""
    match quantity.unit:
        case "m":
            metric = f"{quantity.value * 1000:.4g} mm"
        case "1/m":
            metric = f"{quantity.pitch_m * 1000:.4g} mm"
        case "1/s":
            metric = f"{quantity.rpm:.4g} rpm"
        case unit:
            metric = f"{quantity.value:.4g} {unit}"
    same = "".join(metric.split()) == "".join(quantity.text.split())
    return quantity.text if same else f"{quantity.text} ({metric})"


def _features(view: MachineView) -> Named:
    names = {each.id: each.name for each in view.machine_type.features} if view.machine_type else {}
    for each in view.machine.features:
        yield names.get(each.feature, each.feature), each.value


def _parts(machine: Machine) -> Named:
    if machine.parts:
        original = sum(part.state is PartState.ORIGINAL for part in machine.parts)
        yield "parts that are original", f"{original} of {len(machine.parts)}"
    for part in machine.parts:
        date = f", {part.date.text}" if part.date is not None else ""
        material = f", {part.material}" if part.material else ""
        yield part.name, f"{part.state}{date}{material}"
