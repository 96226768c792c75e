"""Two machines side by side: identity, dates, dimensions, features, parts, performance."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from archiver.session.capacity import capacity_s, surface_speed_m_s
from archiver.session.dating import date_machine
from archiver.session.dating_words import days_in_words
from archiver.session.machine_record import Machine
from archiver.session.quantity import Quantity
from archiver.session.records import Session
from archiver.session.type_record import MachineType
from archiver.session.vocabulary import PartState

__all__ = ["MachineView", "Row", "TakeFigures", "compare_machines", "view_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeFigures:
    """What was measured on a take, as far as two machines can be compared by it.

    Parameters
    ----------
    take : str
        Id.
    integrated_lufs : float or None
        Loudness.
    signal_to_noise_db : float or None
        Of the first channel.
    bandwidth_hz : (float, float) or None
        Lower and upper edge of the usable band of the first channel.
    """

    take: str
    integrated_lufs: float | None = None
    signal_to_noise_db: float | None = None
    bandwidth_hz: tuple[float, float] | None = None

    def __str__(self) -> str:
        """Say the figures in one line."""
        figures = []
        if self.integrated_lufs is not None:
            figures.append(f"{self.integrated_lufs:.1f} LUFS")
        if self.signal_to_noise_db is not None:
            figures.append(f"signal to noise {self.signal_to_noise_db:.1f} dB")
        if self.bandwidth_hz is not None:
            low, high = self.bandwidth_hz
            figures.append(f"{low:.0f} to {high:.0f} Hz")
        return f"{self.take}: {', '.join(figures) or 'not measurable'}"


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineView:
    """A machine with what a session adds to it."""

    machine: Machine
    machine_type: MachineType | None = None
    figures: Mapping[str, Sequence[TakeFigures]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of the comparison; an empty text stands where nothing is known."""

    section: str
    name: str
    left: str
    right: str

    @property
    def differs(self) -> bool:
        """Say whether both are known and not the same."""
        return bool(self.left and self.right) and _folded(self.left) != _folded(self.right)

    def as_json(self) -> dict[str, Any]:
        """Return the row as JSON."""
        return {
            "section": self.section,
            "name": self.name,
            "left": self.left or None,
            "right": self.right or None,
            "differs": self.differs,
        }


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


def compare_machines(left: MachineView, right: MachineView) -> tuple[Row, ...]:
    """Compare two machines; a line stands where at least one of them has something."""
    rows: list[Row] = []
    for section, one, other in (
        ("identity", _identity(left.machine), _identity(right.machine)),
        ("dimensions", _dimensions(left.machine), _dimensions(right.machine)),
        ("features", _features(left), _features(right)),
        ("parts", _parts(left.machine), _parts(right.machine)),
        ("performance", _performance(left), _performance(right)),
    ):
        mine, theirs = dict(one), dict(other)
        rows += [
            Row(section=section, name=name, left=mine.get(name, ""), right=theirs.get(name, ""))
            for name in dict.fromkeys((*mine, *theirs))
            if mine.get(name) or theirs.get(name)
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
    if quantity is None:
        return ""
    match quantity.unit:
        case "m":
            return f"{quantity.text} ({quantity.value * 1000:.4g} mm)"
        case "1/m":
            return f"{quantity.text} ({quantity.pitch_m * 1000:.4g} mm)"
        case "1/s":
            return f"{quantity.text} ({quantity.rpm:.4g} rpm)"
        case _:
            return f"{quantity.text} ({quantity.value:.4g} {quantity.unit})"


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


def _performance(view: MachineView) -> Named:
    for kind, figures in view.figures.items():
        yield kind, "; ".join(str(each) for each in figures)
