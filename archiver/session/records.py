"""What the sheet says, as typed records.

The fields carry the names of the sheet, so that a place such as ``takes[2].file``
means the same in a finding, in a record and in the JSON document. The record and
the JSON Schema are held together by a test.

A record that stands beside an error finding may hold an empty text where a
required one is missing; a session without error findings never does.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

from archiver.findings import Where
from archiver.session.edtf import EdtfDate
from archiver.session.machine_record import (
    Candidate,
    CustodyEvent,
    Dimensions,
    Evidence,
    Hazard,
    Machine,
    Made,
    Maker,
    Mandrel,
    Mark,
    ObservedFeature,
    Owner,
    Part,
    Photograph,
    Platter,
)
from archiver.session.place import Places
from archiver.session.quantity import Quantity
from archiver.session.timestamp import Timestamp
from archiver.session.type_record import DistinguishingFeature, MachineType, Variant, VariantFeature
from archiver.session.vocabulary import (
    Basis,
    ChannelLayout,
    Confidence,
    DriveKind,
    EvidenceKind,
    Grade,
    Layer,
    MarkKind,
    MediumKind,
    PartState,
    Purpose,
    Role,
    TakeKind,
    When,
)

__all__ = [
    "Basis", "Candidate", "CaptureChain", "ChannelLayout", "ConditionReport", "Confidence",
    "Consent", "Contact", "CustodyEvent", "Device", "Dimensions", "DistinguishingFeature",
    "Document", "Drive", "DriveKind", "Evidence", "EvidenceKind", "ExaminedPart", "Grade",
    "Hazard", "Layer", "Machine", "MachineType", "Made", "Maker", "Mandrel", "Mark",
    "MarkKind", "Medium", "MediumKind", "Microphone", "ObservedFeature", "Operator",
    "Organisation", "Owner", "Part", "PartState", "Photograph", "Platter", "Purpose", "Rights",
    "RightsLayer", "Role", "Session", "Setup", "Stylus", "Take", "TakeKind", "Variant",
    "VariantFeature", "When",
]  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class RightsLayer:
    """The rights in one layer; without takes, in all of them."""

    layer: Layer
    work: str | None = None
    takes: tuple[str, ...] = ()
    statement: str
    uri: str | None = None
    holder: str
    basis: Basis
    evidence: str | None = None
    date: EdtfDate | None = None
    closed_until: EdtfDate | None = None
    note: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rights:
    """What may be done with the recordings, as a whole and layer by layer."""

    statement: str
    uri: str | None = None
    holder: str
    closed_until: EdtfDate | None = None
    layers: tuple[RightsLayer, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """Whom to ask; public."""

    name: str | None = None
    phone: str | None = None
    email: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Organisation:
    """Who is responsible for the archive; public."""

    name: str
    country: str
    code: str
    address: str | None = None
    contact: Contact | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Consent:
    """A person's consent; without purposes it covers everything."""

    given: bool
    date: EdtfDate | None = None
    scope: str | None = None
    purposes: tuple[Purpose, ...] = ()
    until: EdtfDate | None = None
    evidence: str | None = None

    def covers(self, purpose: Purpose) -> bool:
        """Say whether consent was given for a purpose."""
        return self.given and (not self.purposes or purpose in self.purposes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Operator:
    """A person who took part."""

    id: str
    name: str
    legal_name: str | None = None
    role: Role
    identifier: str | None = None
    address: str | None = None
    phone: str | None = None
    email: str | None = None
    consent: Consent | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Microphone:
    """A microphone; ``channel`` counts from 1."""

    id: str
    maker: str | None = None
    model: str | None = None
    serial: str | None = None
    pattern: str | None = None
    position: str | None = None
    distance: Quantity | None = None
    channel: int | None = None
    note: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """Preamplifier (gain), converter (clock) or recorder (firmware) of a capture chain."""

    maker: str | None = None
    model: str | None = None
    serial: str | None = None
    gain: str | None = None
    clock: str | None = None
    firmware: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureChain:
    """Everything between the air and the file."""

    id: str
    microphones: tuple[Microphone, ...] = ()
    preamplifier: Device | None = None
    converter: Device | None = None
    recorder: Device | None = None
    sample_rate: Quantity
    bit_depth: int
    channel_layout: ChannelLayout
    channels: tuple[str, ...]
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Medium:
    """A cylinder, sheet or disc; the counts are those before the session."""

    id: str
    kind: MediumKind
    material: str | None = None
    label: str | None = None
    inventory_number: str | None = None
    supplier: str | None = None
    diameter: Quantity | None = None
    length: Quantity | None = None
    thickness: Quantity | None = None
    shavings: int | None = None
    recordings: int | None = None
    playings: int | None = None
    playings_limit: int | None = None
    remarks: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stylus:
    """The stylus, its depth and centring as they were set."""

    kind: str | None = None
    depth: str | None = None
    centring: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """What turned the machine."""

    kind: DriveKind
    flywheel: bool | None = None
    governor: str | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Setup:
    """How a machine was set up for a take or a group of takes."""

    id: str
    machine: str
    medium: str | None = None
    stylus: Stylus | None = None
    diaphragm: str | None = None
    gasket: str | None = None
    horn_recording: str | None = None
    horn_reproducing: str | None = None
    drive: Drive | None = None
    nominal_speed: Quantity | None = None
    remarks: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """One captured file. References are ids, as in the sheet."""

    id: str
    file: str
    kind: TakeKind
    title: str | None = None
    setup: str | None = None
    chain: str | None = None
    medium: str | None = None
    reproduces: str | None = None
    playings_before: int | None = None
    tone: Quantity | None = None
    begins: Quantity | None = None
    ends: Quantity | None = None
    start: Timestamp | None = None
    channels: tuple[str, ...] = ()
    operators: tuple[str, ...] = ()
    remarks: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class ExaminedPart:
    """A part or place of a machine or medium, as it was found."""

    part: str
    grade: Grade
    note: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionReport:
    """Condition of a machine or a medium, before or after the session."""

    machine: str | None = None
    medium: str | None = None
    when: When
    date: EdtfDate | None = None
    by: str | None = None
    grade: Grade
    note: str | None = None
    parts: tuple[ExaminedPart, ...] = ()
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """Another document that belongs to the session."""

    file: str
    caption: str | None = None
    restricted: bool | None = None
    at: str = field(default="", compare=False, repr=False)


class _HasId(Protocol):
    @property
    def id(self) -> str: ...


_Record = TypeVar("_Record", bound=_HasId)


def _by_id(records: Iterable[_Record]) -> dict[str, _Record]:
    index: dict[str, _Record] = {}
    for record in records:
        index.setdefault(record.id, record)
    return index


def _by_kind(takes: Iterable[Take]) -> dict[TakeKind, dict[str, int]]:
    """Return the number of each take among those of its kind, from 1."""
    numbers: dict[TakeKind, dict[str, int]] = {}
    for take in takes:
        alike = numbers.setdefault(take.kind, {})
        alike.setdefault(take.id, len(alike) + 1)
    return numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class _Index:
    operators: dict[str, Operator]
    chains: dict[str, CaptureChain]
    media: dict[str, Medium]
    setups: dict[str, Setup]
    takes: dict[str, Take]
    machines: dict[str, Machine]
    positions: dict[str, int]
    of_kind: dict[TakeKind, dict[str, int]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A whole session: what the sheet and the machine files say."""

    identifier: str
    title: str
    start: Timestamp
    end: Timestamp | None = None
    place: str
    address: str | None = None
    purpose: str | None = None
    summary: str | None = None
    language: str
    subjects: tuple[str, ...] = ()
    rights: Rights
    restrictions: tuple[str, ...] = ()
    organisation: Organisation
    operators: tuple[Operator, ...] = ()
    chains: tuple[CaptureChain, ...] = ()
    media: tuple[Medium, ...] = ()
    setups: tuple[Setup, ...] = ()
    takes: tuple[Take, ...] = ()
    conditions: tuple[ConditionReport, ...] = ()
    photographs: tuple[Photograph, ...] = ()
    documents: tuple[Document, ...] = ()
    machines: tuple[Machine, ...] = ()
    types: tuple[MachineType, ...] = ()
    places: Places = field(default_factory=Places, compare=False, repr=False)

    def locate(self, path: str) -> Where:
        """Return file and line of a field such as ``takes[2].file``."""
        return self.places.locate(path)

    _index: _Index = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        """Index what has an id, so that looking up each take of many stays cheap."""
        index = _Index(
            operators=_by_id(self.operators),
            chains=_by_id(self.chains),
            media=_by_id(self.media),
            setups=_by_id(self.setups),
            takes=_by_id(self.takes),
            machines=_by_id(self.machines),
            positions={take.id: at for at, take in reversed(list(enumerate(self.takes)))},
            of_kind=_by_kind(self.takes),
        )
        object.__setattr__(self, "_index", index)

    def operator(self, id_: str) -> Operator | None:
        """Return the person of an id."""
        return self._index.operators.get(id_)

    def medium(self, id_: str) -> Medium | None:
        """Return the medium of an id."""
        return self._index.media.get(id_)

    def take(self, id_: str) -> Take | None:
        """Return the take of an id."""
        return self._index.takes.get(id_)

    def position(self, take: Take) -> int:
        """Return the position of a take in the sheet, from 0; the first one of its id."""
        return self._index.positions[take.id]

    def number_among_kind(self, take: Take) -> int | None:
        """Return the number of a take among those of its kind, from 1; None if it is the only one."""
        alike = self._index.of_kind[take.kind]
        return alike[take.id] if len(alike) > 1 else None

    def machine(self, id_: str) -> Machine | None:
        """Return the machine of an id."""
        return self._index.machines.get(id_)

    def type_of(self, machine: Machine) -> MachineType | None:
        """Return the type file that describes the model of a machine, if it is there."""
        return next((each for each in self.types if each.id == machine.model), None)

    def setup_of(self, take: Take) -> Setup | None:
        """Return the setup of a take, if it has one."""
        return self._index.setups.get(take.setup or "")

    def machine_of(self, take: Take) -> Machine | None:
        """Return the machine of a take, by its setup."""
        setup = self.setup_of(take)
        return self.machine(setup.machine) if setup else None

    def medium_of(self, take: Take) -> Medium | None:
        """Return the medium of a take: its own, or that of its setup."""
        setup = self.setup_of(take)
        return self.medium(take.medium or (setup.medium if setup else None) or "")

    def chain_of(self, take: Take) -> CaptureChain | None:
        """Return the capture chain of a take: the one it names, or the only one."""
        if take.chain:
            return self._index.chains.get(take.chain)
        return self.chains[0] if len(self.chains) == 1 else None

    def channels_of(self, take: Take) -> tuple[str, ...]:
        """Return the meaning of each channel of a take."""
        chain = self.chain_of(take)
        return take.channels or (chain.channels if chain else ())
