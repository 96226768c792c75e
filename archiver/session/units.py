"""Units of length, weight, time, frequency, rotation and groove pitch.

Inch 25.4 mm and pound 0.45359237 kg, both exact by the international yard and
pound agreement of 1959 (NIST SP 811, appendix B; values from memory). Metric
prefixes: ISO 80000-1.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from fractions import Fraction

__all__ = [
    "ACCEPTED",
    "INCH_M",
    "LENGTHS",
    "SI_UNIT",
    "SPOKEN",
    "UNITS",
    "QuantityKind",
    "factor_of",
]


class QuantityKind(enum.StrEnum):
    """What is measured."""

    LENGTH = "length"
    MASS = "mass"
    DURATION = "duration"
    FREQUENCY = "frequency"
    ROTATION = "rotation"
    GROOVE_PITCH = "groove-pitch"


SI_UNIT: Mapping[QuantityKind, str] = {
    QuantityKind.LENGTH: "m",
    QuantityKind.MASS: "kg",
    QuantityKind.DURATION: "s",
    QuantityKind.FREQUENCY: "Hz",
    QuantityKind.ROTATION: "1/s",
    QuantityKind.GROOVE_PITCH: "1/m",
}

SPOKEN = {
    QuantityKind.LENGTH: "a length",
    QuantityKind.MASS: "a weight",
    QuantityKind.DURATION: "a duration",
    QuantityKind.FREQUENCY: "a frequency",
    QuantityKind.ROTATION: "a speed of rotation",
    QuantityKind.GROOVE_PITCH: "a groove pitch",
}

ACCEPTED = {
    QuantityKind.LENGTH: 'a number and mm, cm, m, µm, in (or ") or ft, such as `89 mm` or `3 1/2 in`',
    QuantityKind.MASS: "a number and g, kg, lb or oz, such as `11.5 kg` or `5 lb 3 oz`",
    QuantityKind.DURATION: "a number and s, min, h or ms, or minutes:seconds, such as `2 min 30 s` or `2:30`",
    QuantityKind.FREQUENCY: "a number and Hz, kHz or MHz, such as `48 kHz`",
    QuantityKind.ROTATION: "a number and rpm, r/min or rps, such as `160 rpm`",
    QuantityKind.GROOVE_PITCH: "a number and tpi, grooves/mm, mm or in, such as `100 tpi` or `0.254 mm`",
}

INCH_M = Fraction(254, 10_000)
_POUND = Fraction(45_359_237, 100_000_000)

LENGTHS = {
    "m": Fraction(1),
    "metre": Fraction(1),
    "metres": Fraction(1),
    "meter": Fraction(1),
    "meters": Fraction(1),
    "dm": Fraction(1, 10),
    "cm": Fraction(1, 100),
    "mm": Fraction(1, 1000),
    "millimetre": Fraction(1, 1000),
    "millimetres": Fraction(1, 1000),
    "millimeter": Fraction(1, 1000),
    "millimeters": Fraction(1, 1000),
    "µm": Fraction(1, 1_000_000),
    "um": Fraction(1, 1_000_000),
    "micron": Fraction(1, 1_000_000),
    "microns": Fraction(1, 1_000_000),
    "in": INCH_M,
    "in.": INCH_M,
    '"': INCH_M,
    "inch": INCH_M,
    "inches": INCH_M,
    "thou": INCH_M / 1000,
    "mil": INCH_M / 1000,
    "mils": INCH_M / 1000,
    "ft": INCH_M * 12,
    "ft.": INCH_M * 12,
    "'": INCH_M * 12,
    "foot": INCH_M * 12,
    "feet": INCH_M * 12,
}
_MASSES = {
    "kg": Fraction(1),
    "kilogram": Fraction(1),
    "kilograms": Fraction(1),
    "g": Fraction(1, 1000),
    "gram": Fraction(1, 1000),
    "grams": Fraction(1, 1000),
    "mg": Fraction(1, 1_000_000),
    "lb": _POUND,
    "lb.": _POUND,
    "lbs": _POUND,
    "lbs.": _POUND,
    "pound": _POUND,
    "pounds": _POUND,
    "oz": _POUND / 16,
    "oz.": _POUND / 16,
    "ounce": _POUND / 16,
    "ounces": _POUND / 16,
}
_DURATIONS = {
    "s": Fraction(1),
    "sec": Fraction(1),
    "sec.": Fraction(1),
    "second": Fraction(1),
    "seconds": Fraction(1),
    "ms": Fraction(1, 1000),
    "min": Fraction(60),
    "min.": Fraction(60),
    "minute": Fraction(60),
    "minutes": Fraction(60),
    "h": Fraction(3600),
    "hour": Fraction(3600),
    "hours": Fraction(3600),
}
_FREQUENCIES = {
    "hz": Fraction(1),
    "khz": Fraction(1000),
    "mhz": Fraction(1_000_000),
}
_ROTATIONS = {
    "rpm": Fraction(1, 60),
    "r.p.m.": Fraction(1, 60),
    "r/min": Fraction(1, 60),
    "rev/min": Fraction(1, 60),
    "min⁻¹": Fraction(1, 60),
    "1/min": Fraction(1, 60),
    "turns/min": Fraction(1, 60),
    "revolutions per minute": Fraction(1, 60),
    "turns per minute": Fraction(1, 60),
    # German, French and Danish, from memory.
    "u/min": Fraction(1, 60),
    "umdrehungen/min": Fraction(1, 60),
    "tr/min": Fraction(1, 60),
    "tours/min": Fraction(1, 60),
    "omdr/min": Fraction(1, 60),
    "omdr./min": Fraction(1, 60),
    "rps": Fraction(1),
    "r/s": Fraction(1),
    "rev/s": Fraction(1),
    "1/s": Fraction(1),
    "s⁻¹": Fraction(1),
    "revolutions per second": Fraction(1),
    "turns per second": Fraction(1),
}
_PITCHES = {
    "tpi": 1 / INCH_M,
    "t.p.i.": 1 / INCH_M,
    "lpi": 1 / INCH_M,
    "threads per inch": 1 / INCH_M,
    "turns per inch": 1 / INCH_M,
    "lines per inch": 1 / INCH_M,
    "grooves per inch": 1 / INCH_M,
    "threads/in": 1 / INCH_M,
    "grooves/in": 1 / INCH_M,
    "grooves/mm": Fraction(1000),
    "grooves per mm": Fraction(1000),
    "grooves/cm": Fraction(100),
    "grooves per cm": Fraction(100),
    "1/mm": Fraction(1000),
    "mm⁻¹": Fraction(1000),
    "1/m": Fraction(1),
}
UNITS: Mapping[QuantityKind, Mapping[str, Fraction]] = {
    QuantityKind.LENGTH: LENGTHS,
    QuantityKind.MASS: _MASSES,
    QuantityKind.DURATION: _DURATIONS,
    QuantityKind.FREQUENCY: _FREQUENCIES,
    QuantityKind.ROTATION: _ROTATIONS,
    QuantityKind.GROOVE_PITCH: _PITCHES,
}
# Written as people write them: these units are told apart by their case.
_CASED = {"mhz": {"MHz"}, "mg": {"mg"}, "mm": {"mm", "MM"}, "m": {"m"}}


def factor_of(unit: str, units: Mapping[str, Fraction]) -> Fraction | None:
    """Return how many SI units one of a unit is, exactly; None for a unit not in the table."""
    lowered = unit.lower()
    if lowered in _CASED and unit not in _CASED[lowered]:
        return None
    return units.get(lowered)
