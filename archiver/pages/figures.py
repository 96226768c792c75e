"""Figures in words: durations, sizes, values with their uncertainty, dates, moments."""

from __future__ import annotations

import re

from archiver.describe.dates import date_in_words
from archiver.session.edtf import EdtfDate
from archiver.session.performance import Figure
from archiver.session.quantity import Quantity
from archiver.session.timestamp import Timestamp
from archiver.signal.estimate import Estimate
from archiver.telling import byte_size

__all__ = [
    "MINUS",
    "bytes_in_words",
    "dated",
    "decibels",
    "duration",
    "moment",
    "percent_off",
    "quantity",
    "span_of_time",
    "with_uncertainty",
]

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
MINUS = "\N{MINUS SIGN}"
_PLAIN = re.compile(r"(?P<year>\d{4})(?:-(?P<month>0[1-9]|1[0-2])(?:-(?P<day>\d\d))?)?")
_UNITS = {"1": "", "um": "µm"}


def duration(seconds: float) -> str:
    """Say a length of sound: ``13.4 s``, ``2 min 05 s``, ``1 h 02 min 05 s``."""
    if seconds < 59.95:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min {rest:02d} s" if hours else f"{minutes} min {rest:02d} s"


def bytes_in_words(count: int) -> str:
    """Say a size in decimal units, with the exact number where that is another text."""
    text = byte_size(count)
    return text if count < 1000 else f"{text} ({count:,} bytes)"


def decibels(value: float | None, unit: str) -> str:
    """Say a level; empty where there is none."""
    return "" if value is None else f"{value:.1f} {unit}".replace("-", MINUS)


def with_uncertainty(found: Estimate) -> str:
    """Say a measured value to the digits that its uncertainty leaves, or why there is none.

    Two digits of the uncertainty are kept (JCGM 100:2008, 7.2.6).
    """
    if found.value is None or found.uncertainty is None:
        return f"cannot be told: {found.reason}"
    unit = _UNITS.get(found.unit, found.unit)
    return str(Figure(value=found.value, unit=unit, uncertainty=found.uncertainty)).replace(
        "-", MINUS
    )


def percent_off(found: Estimate, stated: float) -> str:
    """Say by how much a measured value differs from a stated one."""
    if found.value is None or found.uncertainty is None or not stated:
        return ""
    off = Estimate(
        unit="%",
        value=100 * (found.value / stated - 1),
        uncertainty=100 * found.uncertainty / abs(stated),
    )
    text = with_uncertainty(off)
    return text if text.startswith(MINUS) else f"+{text}"


def quantity(found: Quantity) -> str:
    """Say a quantity as stated, with its metric value where that is another."""
    match found.unit:
        case "m":
            metric = f"{found.value * 1000:.4g} mm"
        case "1/m":
            metric = f"{found.pitch_m * 1000:.4g} mm from groove to groove"
        case "1/s":
            metric = f"{found.rpm:.5g} rpm"
        case unit:
            metric = f"{found.value:.5g} {unit}"
    return found.text if _bare(metric) == _bare(found.text) else f"{found.text} ({metric})"


def _bare(text: str) -> str:
    return "".join(text.split()).casefold()


def dated(date: EdtfDate) -> str:
    """Say a date in words, with the EDTF expression where it says more than a plain date."""
    plain = _PLAIN.fullmatch(date.text)
    if plain is not None:
        day = f"{int(plain['day'])} " if plain["day"] else ""
        month = f"{_MONTHS[int(plain['month']) - 1]} " if plain["month"] else ""
        return f"{day}{month}{plain['year']}"
    words = date_in_words(date)
    return words if words == date.text else f"{words} (EDTF {date.text})"


def moment(stamp: Timestamp) -> str:
    """Say a moment: ``17 October 2026, 14:06:10 (UTC+02:00)``."""
    return f"{_day(stamp)}, {_clock(stamp)} ({_zone(stamp)})"


def span_of_time(start: Timestamp, end: Timestamp | None) -> str:
    """Say from when to when a session lasted."""
    if end is None:
        return moment(start)
    if end.moment.date() == start.moment.date() and _zone(end) == _zone(start):
        return f"{_day(start)}, {_clock(start)} to {_clock(end)} ({_zone(start)})"
    return f"{moment(start)} to {moment(end)}"


def _day(stamp: Timestamp) -> str:
    when = stamp.moment
    return f"{when.day} {_MONTHS[when.month - 1]} {when.year}"


def _clock(stamp: Timestamp) -> str:
    when = stamp.moment
    return f"{when:%H:%M:%S}" if when.second else f"{when:%H:%M}"


def _zone(stamp: Timestamp) -> str:
    offset = stamp.moment.isoformat()[-6:]
    return "UTC" if offset == "+00:00" else f"UTC{offset}".replace("-", MINUS)
