"""What a type file says of the variants of a model, as typed records."""

from __future__ import annotations

from dataclasses import dataclass, field

from archiver.findings import Where
from archiver.session.edtf import EdtfDate
from archiver.session.machine_record import Maker
from archiver.session.place import Places

__all__ = ["DistinguishingFeature", "MachineType", "Variant", "VariantFeature"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DistinguishingFeature:
    """A feature by which variants differ; ``look`` says where and how to see it."""

    id: str
    name: str
    look: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class VariantFeature:
    """What a feature may be on a variant; any other value excludes the variant."""

    feature: str
    values: tuple[str, ...]
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """A known variant of a model."""

    id: str
    name: str
    made: EdtfDate | None = None
    source: str | None = None
    features: tuple[VariantFeature, ...] = ()
    note: str | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineType:
    """One model of machine and its variants, as its type file describes them."""

    id: str
    names: tuple[str, ...]
    maker: Maker | None = None
    description: str | None = None
    sources: tuple[str, ...] = ()
    features: tuple[DistinguishingFeature, ...] = ()
    variants: tuple[Variant, ...] = ()
    places: Places = field(default_factory=Places, compare=False, repr=False)

    @property
    def name(self) -> str:
        """The usual name: the first one."""
        return self.names[0] if self.names else self.id

    def locate(self, path: str) -> Where:
        """Return file and line of a field such as ``variants[1].made``."""
        return self.places.locate(path)
