"""The formats that the schemas name, each with its reader and its rule.

A format turns the text of a field into a typed value: a date, a moment, a
quantity; or it checks the text and leaves it a text.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

from archiver.findings import Rule
from archiver.session import rules
from archiver.session.edtf import EdtfDate, parse_edtf
from archiver.session.identifiers import (
    check_country,
    check_language,
    check_person_identifier,
)
from archiver.session.quantity import Quantity, QuantityKind, parse_quantity
from archiver.session.timestamp import Timestamp, parse_timestamp

__all__ = ["FORMATS", "Format", "Typed"]

Typed = str | Quantity | EdtfDate | Timestamp


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """How a text of a named format is read.

    ``read`` raises :class:`~archiver.errors.InputError` for a text it cannot take.
    """

    read: Callable[[str], Typed]
    rule: Rule


FORMATS: Mapping[str, Format] = {
    "edtf": Format(read=parse_edtf, rule=rules.SHEET_DATE),
    "timestamp": Format(read=parse_timestamp, rule=rules.SHEET_DATE),
    "language": Format(read=check_language, rule=rules.SHEET_VALUE),
    "country": Format(read=check_country, rule=rules.SHEET_VALUE),
    "person-identifier": Format(read=check_person_identifier, rule=rules.SHEET_VALUE),
    **{
        kind.value: Format(read=partial(parse_quantity, kind=kind), rule=rules.SHEET_QUANTITY)
        for kind in QuantityKind
    },
}
"""By the name that stands under ``format`` in a schema."""
