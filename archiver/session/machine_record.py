"""What the file of a machine says, as typed records."""

from __future__ import annotations

from dataclasses import dataclass, field

from archiver.findings import Where
from archiver.session.edtf import EdtfDate
from archiver.session.place import Places
from archiver.session.quantity import Quantity
from archiver.session.vocabulary import Confidence, EvidenceKind, MarkKind, PartState

__all__ = [
    "Candidate", "CustodyEvent", "Dimensions", "Evidence", "Hazard", "Machine", "Made", "Maker",
    "Mandrel", "Mark", "ObservedFeature", "Owner", "Part", "Photograph", "Platter",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Photograph:
    """A photograph of the session or of a machine."""

    file: str
    caption: str | None = None
    machine: str | None = None
    date: EdtfDate | None = None
    by: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Maker:
    """Who made a machine."""

    name: str
    place: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """When and where a machine was made, and on what the date rests."""

    place: str | None = None
    date: EdtfDate | None = None
    statement: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Owner:
    """Who owns a machine; name and place are public."""

    name: str
    legal_name: str | None = None
    place: str | None = None
    address: str | None = None
    phone: str | None = None
    email: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Dimensions:
    """Outer dimensions and weight."""

    width: Quantity | None = None
    depth: Quantity | None = None
    height: Quantity | None = None
    weight: Quantity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mandrel:
    """What carries a cylinder."""

    diameter: Quantity
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Platter:
    """What carries a disc."""

    diameter: Quantity
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A mark or inscription, letter by letter."""

    kind: MarkKind
    text: str
    position: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """A piece of evidence for the date of making; ``part`` if it dates a part only."""

    kind: EvidenceKind
    what: str
    says: EdtfDate
    within_years: int | None = None
    part: str | None = None
    source: str
    confidence: Confidence
    by: str | None = None
    note: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A maker who comes into question, with what speaks for and against."""

    name: str
    place: str | None = None
    in_favour: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    source: str | None = None
    note: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservedFeature:
    """A feature of the type file as it is on this machine."""

    feature: str
    value: str
    part: str | None = None
    note: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A part and its state; ``date`` and ``by`` tell of its replacement or restoration."""

    name: str
    state: PartState
    material: str | None = None
    date: EdtfDate | None = None
    by: str | None = None
    reversible: bool | None = None
    note: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class CustodyEvent:
    """A change of hands."""

    date: EdtfDate | None = None
    holder: str | None = None
    place: str | None = None
    event: str | None = None
    source: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hazard:
    """What may harm people or the machine."""

    kind: str
    note: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """One historic machine, as its own file describes it."""

    id: str
    names: tuple[str, ...]
    type: str
    model: str | None = None
    maker: Maker | None = None
    made: Made | None = None
    evidence: tuple[Evidence, ...] = ()
    attribution: tuple[Candidate, ...] = ()
    inventory_number: str | None = None
    owner: Owner | None = None
    location: str | None = None
    insurance_value: str | None = None
    dimensions: Dimensions | None = None
    mandrel: Mandrel | None = None
    platter: Platter | None = None
    groove_pitch: Quantity | None = None
    recordable_length: Quantity | None = None
    nominal_speed: Quantity | None = None
    finish: str | None = None
    materials: tuple[str, ...] = ()
    features: tuple[ObservedFeature, ...] = ()
    marks: tuple[Mark, ...] = ()
    parts: tuple[Part, ...] = ()
    custody: tuple[CustodyEvent, ...] = ()
    hazards: tuple[Hazard, ...] = ()
    photographs: tuple[Photograph, ...] = ()
    places: Places = field(default_factory=Places, compare=False, repr=False)

    @property
    def name(self) -> str:
        """The usual name: the first one."""
        return self.names[0] if self.names else self.id

    def part(self, name: str) -> Part | None:
        """Return the part of a name, whatever its capital letters."""
        wanted = " ".join(name.casefold().split())
        return next(
            (part for part in self.parts if " ".join(part.name.casefold().split()) == wanted), None
        )

    def locate(self, path: str) -> Where:
        """Return file and line of a field such as ``parts[2].state``."""
        return self.places.locate(path)
