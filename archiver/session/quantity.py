"""Quantities as people write them, kept as stated and in SI.

``3 1/2 in``, ``2 1/4"``, ``3,5 mm``, ``100 tpi``, ``2 min 30 s``, ``5 lb 3 oz``.
Arithmetic is exact until the last step, which rounds once to a float.

Units and their factors are in :mod:`archiver.session.units`.
"""

from __future__ import annotations

import functools
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from archiver.errors import InputError
from archiver.session.units import (
    ACCEPTED,
    INCH_M,
    LENGTHS,
    SI_UNIT,
    SPOKEN,
    UNITS,
    QuantityKind,
    factor_of,
)

__all__ = ["Quantity", "QuantityKind", "parse_quantity"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A quantity as stated and in SI.

    Parameters
    ----------
    text : str
        As the person wrote it, with qualifiers and tolerance.
    value : float
        In ``unit``.
    unit : str
        ``m``, ``kg``, ``s``, ``Hz``, ``1/s`` (rotation) or ``1/m`` (groove pitch).
    approximate : bool
        Stated with "about", "ca." or the like.
    tolerance : float or None
        Half the width of the stated ``±``, in ``unit``. For a groove pitch stated as
        a distance it is the change of the count, to first order.
    """

    text: str
    value: float
    unit: str
    approximate: bool = False
    tolerance: float | None = None

    @property
    def rpm(self) -> float:
        """Revolutions in a minute, for a speed of rotation.

        Raises
        ------
        ValueError
            It is not a speed of rotation.
        """
        if self.unit != "1/s":
            raise ValueError(f"{self.text!r} in {self.unit} is not a speed of rotation")
        return self.value * 60

    @property
    def pitch_m(self) -> float:
        """Distance from groove to groove in metres, for a groove pitch.

        Raises
        ------
        ValueError
            It is not a groove pitch.
        """
        if self.unit != "1/m":
            raise ValueError(f"{self.text!r} in {self.unit} is not a groove pitch")
        return 1 / self.value

    @property
    def tpi(self) -> float:
        """Grooves in an inch, for a groove pitch.

        Raises
        ------
        ValueError
            It is not a groove pitch.
        """
        if self.unit != "1/m":
            raise ValueError(f"{self.text!r} in {self.unit} is not a groove pitch")
        return self.value * float(INCH_M)


_DIGITS = r"(?:\d{1,3}(?: \d{3})+|\d+)"
_NUMBER = re.compile(
    rf"(?P<whole>{_DIGITS}) (?P<wn>\d+)/(?P<wd>\d+)"
    r"|(?P<n>\d+)/(?P<d>\d+)"
    rf"|(?P<decimal>{_DIGITS}(?:[.,]\d+)?|[.,]\d+)",
    re.ASCII,
)
_ABOUT = re.compile(
    r"(?:c\.|ca\.?|circa|about|approx\.?|approximately|around|roughly|~|≈)\s*", re.IGNORECASE
)
_CLOCK = re.compile(r"(?:(?P<h>\d+):)?(?P<m>\d{1,3}):(?P<s>\d{2}(?:[.,]\d+)?)", re.ASCII)
_SIGNS = str.maketrans(
    {
        "\u00a0": " ",
        "\u2009": " ",
        "\u202f": " ",
        "\u2044": "/",
        "\u2215": "/",
        "\u2033": '"',
        "\u201d": '"',
        "\u201c": '"',
        "\u2032": "'",
        "\u2019": "'",
        "\u03bc": "µ",
    }
)
_LONGEST = 120


def _fractions_spelt_out(text: str) -> str:
    """Write ``3½`` as ``3 1/2``."""
    out: list[str] = []
    for character in text:
        if unicodedata.category(character) == "No" and "\u2044" in (
            spelt := unicodedata.normalize("NFKC", character)
        ):
            out.append((" " if out and out[-1].isdecimal() else "") + spelt.replace("\u2044", "/"))
        else:
            out.append(character)
    return "".join(out)


@functools.lru_cache(maxsize=4096)
def parse_quantity(text: str, kind: QuantityKind) -> Quantity:
    """Read a quantity of a kind.

    Parameters
    ----------
    text : str
        A number with a unit, as a person writes it. A decimal comma is accepted;
        a lone comma before three digits is refused, since it may mean thousands.
    kind : QuantityKind
        What is wanted.

    Returns
    -------
    Quantity
        ``value`` is the float nearest to the exact result.

    Raises
    ------
    InputError
        It cannot be read, or is of another kind; ``found``, ``accepted`` and
        ``remedy`` say why.
    """
    if len(text) > _LONGEST:
        raise InputError("is too long for a quantity", accepted=ACCEPTED[kind])
    written = " ".join(_fractions_spelt_out(text.translate(_SIGNS)).split())
    bare = _ABOUT.sub("", written, count=1) if _ABOUT.match(written) else written
    approximate = bare != written
    stated, sign, spread = bare.partition("±")
    if not sign:
        stated, sign, spread = bare.partition("+/-")
    stated, spread = stated.strip(), spread.strip()
    if sign and not spread:
        raise _unreadable(text, kind, "ends with ± and nothing after it")
    percent = spread.removesuffix("%").strip() if spread.endswith("%") else None
    if sign and percent is None:
        stated, spread = _with_one_unit(stated, spread)
    exact = _measured(stated, kind)
    if exact is None:
        raise _not_of_kind(text, stated, kind)
    tolerance = None
    if sign:
        tolerance = (
            _tolerance(text, spread, kind, exact)
            if percent is None
            else exact * _plain_number(text, percent, kind) / 100
        )
    if exact == 0 and kind is QuantityKind.GROOVE_PITCH:
        raise _unreadable(text, kind, "is a groove pitch of nothing")
    # The limit on the length of the text keeps every result far within a float.
    value = float(exact)
    width = None if tolerance is None else float(tolerance)
    return Quantity(
        text=text, value=value, unit=SI_UNIT[kind], approximate=approximate, tolerance=width
    )


def _with_one_unit(stated: str, spread: str) -> tuple[str, str]:
    """Give both sides of a ± the unit that stands on one of them only."""
    first, second = _NUMBER.match(stated), _NUMBER.match(spread)
    if first is None or second is None:
        return stated, spread
    own, theirs = stated[first.end() :], spread[second.end() :]
    return stated + (" " + theirs if not own else ""), spread + (" " + own if not theirs else "")


def _tolerance(text: str, spread: str, kind: QuantityKind, exact: Fraction) -> Fraction:
    if kind is QuantityKind.GROOVE_PITCH:
        distance = _sum(spread, LENGTHS)
        if distance is not None:
            return distance * exact * exact
    width = _measured(spread, kind)
    if width is None:
        raise _unreadable(text, kind, f"has the tolerance `{spread}`, which cannot be read")
    return width


def _plain_number(text: str, number: str, kind: QuantityKind) -> Fraction:
    match = _NUMBER.fullmatch(number)
    value = _value(match) if match else None
    if value is None:
        raise _unreadable(text, kind, f"has the tolerance `{number} %`, which cannot be read")
    return value


def _measured(text: str, kind: QuantityKind) -> Fraction | None:
    """Return the exact value in the SI unit, or None."""
    if kind is QuantityKind.DURATION and (clock := _CLOCK.fullmatch(text)):
        seconds = Fraction(clock["s"].replace(",", "."))
        minutes = int(clock["m"])
        if seconds >= 60 or (clock["h"] is not None and minutes >= 60):
            return None
        return int(clock["h"] or 0) * 3600 + minutes * 60 + seconds
    if kind is QuantityKind.GROOVE_PITCH:
        distance = _sum(text, LENGTHS)
        if distance is not None:
            return 1 / distance if distance else Fraction(0)
    return _sum(text, UNITS[kind])


def _sum(text: str, units: Mapping[str, Fraction]) -> Fraction | None:
    """Add up the terms of ``5 lb 3 oz``, each in a smaller unit than the one before."""
    total, before, rest = Fraction(0), None, text
    while rest:
        match = _NUMBER.match(rest)
        value = _value(match) if match else None
        if match is None or value is None:
            return None
        rest = rest[match.end() :].lstrip(" ")
        end = next(
            (i for i, c in enumerate(rest) if c.isdecimal() and not _in_unit(rest, i)), len(rest)
        )
        unit, rest = (
            rest[:end].strip(" ").removesuffix(",").removesuffix(" and").strip(" "),
            rest[end:],
        )
        factor = factor_of(unit, units)
        if factor is None or (before is not None and factor >= before):
            return None
        total, before = total + value * factor, factor
    return total if before is not None else None


def _in_unit(rest: str, index: int) -> bool:
    """Tell the digit of ``1/min`` from the number of the next term."""
    return index == 0 and rest.startswith("1/") and rest[2:3].isalpha()


def _value(match: re.Match[str]) -> Fraction | None:
    if match["wd"] is not None:
        if int(match["wd"]) == 0:
            return None
        return int(match["whole"].replace(" ", "")) + Fraction(int(match["wn"]), int(match["wd"]))
    if match["d"] is not None:
        return Fraction(int(match["n"]), int(match["d"])) if int(match["d"]) else None
    decimal = match["decimal"].replace(" ", "")
    if _ambiguous(decimal):
        return None
    decimal = decimal.replace(",", ".")
    return Fraction(f"0{decimal}" if decimal.startswith(".") else decimal)


def _ambiguous(decimal: str) -> bool:
    return bool(re.fullmatch(r"[1-9]\d{0,2},\d{3}", decimal))


def _unreadable(text: str, kind: QuantityKind, why: str) -> InputError:
    return InputError(f"`{text}` {why}", accepted=ACCEPTED[kind])


def _not_of_kind(text: str, stated: str, kind: QuantityKind) -> InputError:
    number = _NUMBER.match(stated)
    if number and number["decimal"] and _ambiguous(number["decimal"]):
        plain = number["decimal"].replace(",", "")
        point = number["decimal"].replace(",", ".")
        return InputError(
            f"`{text}` may mean {plain} or {point}",
            accepted=ACCEPTED[kind],
            remedy=f"Write {plain} without the comma, or {point} with a point.",
        )
    if _NUMBER.fullmatch(stated):
        return _unreadable(text, kind, "has no unit")
    for other in QuantityKind:
        if other is not kind and _measured(stated, other) is not None:
            return InputError(
                f"`{text}` is {SPOKEN[other]}, where {SPOKEN[kind]} is wanted",
                accepted=ACCEPTED[kind],
            )
    if re.match(r"[-\u2212]\s*\d", stated):
        return _unreadable(text, kind, "is negative")
    if number is None:
        return _unreadable(text, kind, "does not begin with a number")
    unit = stated[number.end() :].strip()
    return _unreadable(text, kind, f"has the unit `{unit}`, which is not known here")
