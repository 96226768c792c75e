"""The ``bext`` chunk: broadcast audio extension, versions 0, 1 and 2.

Source: EBU Tech 3285 v2 (May 2011), clause 2.3. The fixed part has 602 bytes in
every version; versions differ in how much of its tail is still reserved. Texts are
ASCII; a NUL ends one that is shorter than its field. What real files hold beyond
that (other character sets, bytes behind the NUL, filled reserved bytes) is kept in
:attr:`Bext.foreign` and :attr:`Bext.reserved`, so that every payload comes back byte
for byte.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any, Literal

from archiver.wave.layout import Field, Layout, broken
from archiver.wave.text import Charset, charset_of, decode_text

__all__ = [
    "FIXED",
    "LOUDNESS_FIELDS",
    "TEXT_FIELDS",
    "UNUSED",
    "Bext",
    "ForeignText",
    "Loudness",
    "decode",
    "encode",
    "with_fields",
]

_CLAUSE = "EBU Tech 3285 v2, 2.3"
FIXED = Layout(
    "bext",
    (
        Field(name="Description", offset=0, code="256s", clause=_CLAUSE),
        Field(name="Originator", offset=256, code="32s", clause=_CLAUSE),
        Field(name="OriginatorReference", offset=288, code="32s", clause=_CLAUSE),
        Field(name="OriginationDate", offset=320, code="10s", clause=_CLAUSE),
        Field(name="OriginationTime", offset=330, code="8s", clause=_CLAUSE),
        Field(name="TimeReferenceLow", offset=338, code="I", clause=_CLAUSE, unit="frame"),
        Field(name="TimeReferenceHigh", offset=342, code="I", clause=_CLAUSE),
        Field(name="Version", offset=346, code="H", clause=_CLAUSE),
        Field(name="UMID", offset=348, code="64s", clause=_CLAUSE),
        Field(name="LoudnessValue", offset=412, code="h", clause=_CLAUSE, unit="LUFS/100"),
        Field(name="LoudnessRange", offset=414, code="h", clause=_CLAUSE, unit="LU/100"),
        Field(name="MaxTruePeakLevel", offset=416, code="h", clause=_CLAUSE, unit="dBTP/100"),
        Field(name="MaxMomentaryLoudness", offset=418, code="h", clause=_CLAUSE, unit="LUFS/100"),
        Field(name="MaxShortTermLoudness", offset=420, code="h", clause=_CLAUSE, unit="LUFS/100"),
        Field(name="Reserved", offset=422, code="180s", clause=_CLAUSE),
    ),
)
TEXT_FIELDS: dict[str, tuple[str, int]] = {
    "description": ("Description", 256),
    "originator": ("Originator", 32),
    "originator_reference": ("OriginatorReference", 32),
    "origination_date": ("OriginationDate", 10),
    "origination_time": ("OriginationTime", 8),
}
"""Attribute of :class:`Bext` -> name in the standard, bytes of the field."""

LOUDNESS_FIELDS: dict[str, tuple[str, str]] = {
    "loudness_value": ("LoudnessValue", "LUFS"),
    "loudness_range": ("LoudnessRange", "LU"),
    "max_true_peak_level": ("MaxTruePeakLevel", "dBTP"),
    "max_momentary_loudness": ("MaxMomentaryLoudness", "LUFS"),
    "max_short_term_loudness": ("MaxShortTermLoudness", "LUFS"),
}
"""Attribute of :class:`Loudness` -> name in the standard, unit of the value."""

UNUSED = 0x7FFF
"""Stored when a loudness value is not known."""
_LIMIT = 9999
_HISTORY = "coding_history"
_NEWEST = 2
_RESERVED_BYTES = {0: 254, 1: 190, 2: 180}

LoudnessField = Literal[
    "loudness_value",
    "loudness_range",
    "max_true_peak_level",
    "max_momentary_loudness",
    "max_short_term_loudness",
]


def _scaled(value: float | None, lowest: int) -> int:
    if value is None or not math.isfinite(value):
        return UNUSED
    # repr gives the decimal number that was meant; 100 * value may fall below a tie.
    number = int((Decimal(repr(float(value))) * 100).to_integral_value(ROUND_HALF_UP))
    return number if lowest <= number <= _LIMIT else UNUSED


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """The five loudness fields of version 2 as they are stored: hundredths, 16 bit signed.

    Any 16-bit number is kept; :meth:`read` gives the value where it is in range.
    """

    loudness_value: int = UNUSED
    loudness_range: int = UNUSED
    max_true_peak_level: int = UNUSED
    max_momentary_loudness: int = UNUSED
    max_short_term_loudness: int = UNUSED

    def __post_init__(self) -> None:
        """Refuse what does not fit 16 bits."""
        for attribute, (name, _) in LOUDNESS_FIELDS.items():
            value = getattr(self, attribute)
            if not -0x8000 <= value <= 0x7FFF:
                raise ValueError(f"{name} is {value}, outside of 16 signed bits")

    @classmethod
    def measured(
        cls,
        *,
        loudness_lufs: float | None = None,
        range_lu: float | None = None,
        true_peak_dbtp: float | None = None,
        momentary_lufs: float | None = None,
        short_term_lufs: float | None = None,
    ) -> Loudness:
        """Scale measured values: times 100, ties away from zero.

        None, infinities and values outside of -99.99 to 99.99 (0 to 99.99 for the
        range) become :data:`UNUSED`, as silence has no representable loudness.

        Source: EBU Tech 3285 v2, 2.4.
        """
        return cls(
            loudness_value=_scaled(loudness_lufs, -_LIMIT),
            loudness_range=_scaled(range_lu, 0),
            max_true_peak_level=_scaled(true_peak_dbtp, -_LIMIT),
            max_momentary_loudness=_scaled(momentary_lufs, -_LIMIT),
            max_short_term_loudness=_scaled(short_term_lufs, -_LIMIT),
        )

    def read(self, attribute: LoudnessField) -> float | None:
        """Return a value in LUFS, LU or dBTP; None when unused or outside the valid range."""
        number = int(getattr(self, attribute))
        lowest = 0 if attribute == "loudness_range" else -_LIMIT
        return number / 100 if lowest <= number <= _LIMIT else None


@dataclass(frozen=True, slots=True, kw_only=True)
class ForeignText:
    """How the text of one field differs from the standard's plain form.

    Parameters
    ----------
    field : str
        Attribute of :class:`Bext`.
    charset : Charset
        What the bytes were read with.
    tail : bytes
        What stands behind the text up to the end of the field, its first NUL
        included; empty when only zeros stand there.
    """

    field: str
    charset: Charset = Charset.ASCII
    tail: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bext:
    """A ``bext`` payload.

    Parameters
    ----------
    description, originator, originator_reference, origination_date, origination_time : str
        At most 256, 32, 32, 10 and 8 bytes; ASCII, unless ``foreign`` says otherwise.
    time_reference : int
        Frames since midnight of the first frame, at the rate of ``fmt ``.
    version : int
    umid : bytes, optional
        64 bytes; None below version 1, where the standard has no such field.
    loudness : Loudness, optional
        None below version 2.
    reserved : bytes, optional
        254, 190 or 180 bytes by version; zeros when not given.
    coding_history : str
        Lines of EBU R 98, each ended by CR LF.
    foreign : tuple of ForeignText
        At most one for each field.

    Raises
    ------
    ValueError
        A field does not fit, is not ASCII, or does not belong to the version.
    """

    description: str = ""
    originator: str = ""
    originator_reference: str = ""
    origination_date: str = ""
    origination_time: str = ""
    time_reference: int = 0
    version: int = _NEWEST
    umid: bytes | None = None
    loudness: Loudness | None = None
    reserved: bytes = b""
    coding_history: str = ""
    foreign: tuple[ForeignText, ...] = ()

    def __post_init__(self) -> None:
        """Fill in what the version has, and refuse what it does not."""
        if not 0 <= self.version <= 0xFFFF:
            raise ValueError(f"Version is {self.version}, outside of 16 bits")
        if not 0 <= self.time_reference < 1 << 64:
            raise ValueError(f"TimeReference is {self.time_reference}, outside of 64 bits")
        if self.version >= 1 and self.umid is None:
            object.__setattr__(self, "umid", bytes(64))
        if self.version >= _NEWEST and self.loudness is None:
            object.__setattr__(self, "loudness", Loudness())
        if (self.umid is None) != (self.version < 1) or (self.umid and len(self.umid) != 64):
            raise ValueError(f"UMID has 64 bytes from version 1 on; this is {self.version}")
        if (self.loudness is None) != (self.version < _NEWEST):
            raise ValueError(f"loudness belongs to version 2; this is {self.version}")
        expected = _RESERVED_BYTES[min(self.version, _NEWEST)]
        if not self.reserved:
            object.__setattr__(self, "reserved", bytes(expected))
        if len(self.reserved) != expected:
            raise ValueError(f"Reserved has {expected} bytes, not {len(self.reserved)}")
        if len({text.field for text in self.foreign}) != len(self.foreign):
            raise ValueError("foreign names a field twice")
        for text in self.foreign:
            if text.field not in TEXT_FIELDS and text.field != _HISTORY:
                raise ValueError(f"foreign names {text.field}, which is no text field")
        for attribute in (*TEXT_FIELDS, _HISTORY):
            self.raw(attribute)

    def charset(self, attribute: str) -> Charset:
        """Say which character set a text field is stored in."""
        return next((t.charset for t in self.foreign if t.field == attribute), Charset.ASCII)

    def raw(self, attribute: str) -> bytes:
        """Return a text field as its bytes stand in the file.

        Raises
        ------
        ValueError
            The text does not fit the field or its character set.
        """
        text: str = getattr(self, attribute)
        name, width = TEXT_FIELDS.get(attribute, ("CodingHistory", None))
        if "\0" in text:
            raise ValueError(f"{name} holds a NUL")
        note = next((t for t in self.foreign if t.field == attribute), ForeignText(field=attribute))
        try:
            raw = text.encode(note.charset)
        except UnicodeEncodeError as error:
            raise ValueError(f"{name} is not {note.charset}: {text!r}") from error
        if charset_of(raw) is not note.charset:
            raise ValueError(f"{name} is {charset_of(raw)}, not {note.charset}")
        if note.tail and note.tail[0]:
            raise ValueError(f"the tail of {name} does not begin with a NUL")
        if width is None:
            return raw + note.tail
        if len(raw) > width:
            raise ValueError(f"{name} takes {width} bytes, not {len(raw)}")
        if note.tail and (len(raw) + len(note.tail) != width or not any(note.tail)):
            raise ValueError(f"the tail of {name} does not fill the field")
        return (raw + note.tail).ljust(width, b"\0")


def _read_text(attribute: str, raw: bytes) -> tuple[str, ForeignText | None]:
    end = raw.find(b"\0")
    head, tail = (raw, b"") if end < 0 else (raw[:end], raw[end:])
    text, charset = decode_text(head)
    if attribute != _HISTORY and not any(tail):
        tail = b""
    if charset is Charset.ASCII and not tail:
        return text, None
    return text, ForeignText(field=attribute, charset=charset, tail=tail)


def decode(payload: bytes) -> Bext:
    """Read a ``bext`` payload.

    Raises
    ------
    InputError
        It is shorter than 602 bytes.
    """
    if len(payload) < FIXED.size:
        raise broken(
            "bext", len(payload), f"ends after {len(payload)} bytes", f"at least {FIXED.size} bytes"
        )
    values = FIXED.unpack(payload)
    low, high, version, umid = values[5:9]
    texts: dict[str, str] = {}
    foreign: list[ForeignText] = []
    fields = (*zip(TEXT_FIELDS, values[:5], strict=True), (_HISTORY, payload[FIXED.size :]))
    for attribute, raw in fields:
        texts[attribute], note = _read_text(attribute, raw)
        if note is not None:
            foreign.append(note)
    loudness = Loudness(
        loudness_value=values[9],
        loudness_range=values[10],
        max_true_peak_level=values[11],
        max_momentary_loudness=values[12],
        max_short_term_loudness=values[13],
    )
    reserved_bytes = _RESERVED_BYTES[min(version, _NEWEST)]
    return Bext(
        **texts,
        time_reference=low + (high << 32),
        version=version,
        umid=umid if version >= 1 else None,
        loudness=loudness if version >= _NEWEST else None,
        reserved=payload[FIXED.size - reserved_bytes : FIXED.size],
        foreign=tuple(foreign),
    )


def encode(record: Bext) -> bytes:
    """Write a ``bext`` payload."""
    raw = {attribute: record.raw(attribute) for attribute in (*TEXT_FIELDS, _HISTORY)}
    tail = b"" if record.umid is None else record.umid
    if record.loudness is not None:
        for attribute in LOUDNESS_FIELDS:
            number: int = getattr(record.loudness, attribute)
            tail += number.to_bytes(2, "little", signed=True)
    return (
        b"".join(raw[attribute] for attribute in TEXT_FIELDS)
        + record.time_reference.to_bytes(8, "little")
        + record.version.to_bytes(2, "little")
        + tail
        + record.reserved
        + raw[_HISTORY]
    )


def with_fields(record: Bext, *, version: int | None = None, **texts: str) -> Bext:
    """Replace text fields, forgetting how the old text was stored, and raise the version.

    Parameters
    ----------
    record : Bext
    version : int, optional
        Not below the record's own. Reserved bytes that the new version uses as fields
        start unused; those that stay reserved are kept.
    **texts : str
        New text by attribute.
    """
    version = record.version if version is None else version
    if version < record.version:
        raise ValueError(f"Version cannot go down from {record.version} to {version}")
    reserved = record.reserved[-_RESERVED_BYTES[min(version, _NEWEST)] :]
    foreign = tuple(note for note in record.foreign if note.field not in texts)
    changes: dict[str, Any] = dict(texts)
    return dataclasses.replace(
        record, version=version, reserved=reserved, foreign=foreign, **changes
    )
