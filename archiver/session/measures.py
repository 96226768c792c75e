"""Measures far outside what the trade knows: a slip of unit or of a digit.

The bounds are generous, so that only what is nearly certainly wrong is told. What a
machine's own measures say together is checked in :mod:`archiver.session.capacity`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from archiver.errors import InputError
from archiver.findings import Finding
from archiver.session import plausibility_rules as rules
from archiver.session.machine_record import Machine
from archiver.session.quantity import Quantity, QuantityKind, parse_quantity
from archiver.session.records import Session
from archiver.session.vocabulary import MediumKind

__all__ = ["BOUNDS", "Bounds", "check_measures"]

_CYLINDERS = frozenset({MediumKind.WAX_CYLINDER, MediumKind.CELLULOID_CYLINDER})
_DISCS = frozenset({MediumKind.WAX_DISC, MediumKind.LACQUER_DISC})
_FOIL = frozenset({MediumKind.FOIL_SHEET})
_COMMON = "common practice"


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounds:
    """What a measure lies between.

    Parameters
    ----------
    field : str
        Path in the sheet, or in a machine file.
    low, high : float
        In SI units, both accepted.
    said : str
        The same in the words of the trade.
    basis : str
        What the bounds rest on.
    media : frozenset of MediumKind
        The kinds for which the bounds hold; all, if empty.
    """

    field: str
    low: float
    high: float
    said: str
    basis: str = _COMMON
    media: frozenset[MediumKind] = frozenset()


# The figures without a named source are common practice, written from memory, with a margin.
BOUNDS = (
    Bounds(field="chains[].microphones[].distance", low=0.002, high=30, said="2 mm to 30 m"),
    Bounds(field="setups[].nominal_speed", low=20 / 60, high=400 / 60, said="20 to 400 rpm",
           basis="IASA-TC 04, 5.2.5.3: under 50 to over 300 rpm"),
    Bounds(field="setups[].stylus.depth", low=1e-6, high=0.003, said="1 µm to 3 mm"),
    Bounds(field="takes[].tone", low=15, high=20_000, said="15 Hz to 20 kHz"),
    # Foils of tin or lead: some hundredths to some tenths of a millimetre.
    Bounds(field="media[].thickness", low=2e-6, high=0.002, said="0.002 to 2 mm", media=_FOIL),
    # Walls of celluloid on a core are thin, those of a blank that can be shaved often thick.
    Bounds(field="media[].thickness", low=0.0002, high=0.04, said="0.2 to 40 mm", media=_CYLINDERS),
    # Wax masters are as thick as a hand is wide at most, lacquers a millimetre or less.
    Bounds(field="media[].thickness", low=0.0002, high=0.08, said="0.2 to 80 mm", media=_DISCS),
    # From the toys of about 1 5/16 in to the concert size of 5 in (common figures).
    Bounds(field="media[].diameter", low=0.02, high=0.2, said="20 to 200 mm", media=_CYLINDERS),
    Bounds(field="media[].diameter", low=0.04, high=0.7, said="4 to 70 cm", media=_DISCS),
    Bounds(field="media[].length", low=0.02, high=0.5, said="2 to 50 cm", media=_CYLINDERS),
    Bounds(field="media[].length", low=0.02, high=2, said="2 cm to 2 m", media=_FOIL),
)  # fmt: skip
"""Of the sheet."""

_OF_MACHINES = (
    Bounds(field="dimensions.width", low=0.02, high=4, said="2 cm to 4 m"),
    Bounds(field="dimensions.depth", low=0.02, high=4, said="2 cm to 4 m"),
    Bounds(field="dimensions.height", low=0.02, high=4, said="2 cm to 4 m"),
    Bounds(field="dimensions.weight", low=0.02, high=1000, said="20 g to 1000 kg"),
)


def check_measures(session: Session) -> list[Finding]:
    """Tell measures of the sheet and of the machine files that can hardly be true."""
    findings: list[Finding] = []
    places: list[tuple[Session | Machine, tuple[Bounds, ...]]] = [(session, BOUNDS)]
    places += [(machine, _OF_MACHINES) for machine in session.machines]
    for record, table in places:
        for bounds in table:
            for path, measure in _measures(record, bounds):
                if not bounds.low <= measure.value <= bounds.high:
                    findings.append(
                        rules.MEASURE_IMPLAUSIBLE.at(
                            record.locate(path),
                            f"`{measure.text}` can hardly be right",
                            accepted=f"{bounds.said} ({bounds.basis})",
                        )
                    )
    return findings


def _measures(record: Session | Machine, bounds: Bounds) -> Iterator[tuple[str, Quantity]]:
    found: list[tuple[str, Any]] = [("", record)]
    for step in bounds.field.split("."):
        name = step.removesuffix("[]")
        inner: list[tuple[str, Any]] = []
        for path, each in found:
            kind = getattr(each, "kind", None)
            if bounds.media and isinstance(kind, MediumKind) and kind not in bounds.media:
                continue
            value = getattr(each, name)
            at = f"{path}.{name}" if path else name
            if name != step:
                inner += [(f"{at}[{number}]", item) for number, item in enumerate(value)]
            elif value is not None:
                inner.append((at, value))
        found = inner
    for path, value in found:
        measure = _as_length(value) if isinstance(value, str) else value
        if measure is not None:
            yield path, measure


def _as_length(text: str) -> Quantity | None:
    """Read a text that may hold a length, or words only."""
    if not re.search(r"\d", text):
        return None
    try:
        return parse_quantity(text, QuantityKind.LENGTH)
    except InputError:
        return None
