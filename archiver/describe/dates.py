"""Dates in words, and as plain first and last days, for standards that do not take EDTF."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from archiver.session.day import Day
from archiver.session.edtf import EdtfDate, EdtfForm, EdtfPart

__all__ = ["PlainSpan", "date_in_words", "plain_span"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlainSpan:
    """First and last day in ISO 8601; ``limited`` when the last is only that of the record."""

    earliest: str
    latest: str
    limited: bool = False


def plain_span(date: EdtfDate, not_after: dt.date) -> PlainSpan | None:
    """Return the first and the last day that a date allows.

    Parameters
    ----------
    date : EdtfDate
    not_after : datetime.date
        A day on which the event was past, such as that of the session: it stands for
        an end that is open or unknown.

    Returns
    -------
    PlainSpan or None
        None when the first day is not known, or a year has not four digits.
    """
    earliest = date.earliest.day
    if earliest is None or not 0 <= earliest.year <= 9999:
        return None
    latest = date.latest.day
    if latest is None:
        limit = Day(not_after.year, not_after.month, not_after.day)
        if limit < earliest:
            return None
        return PlainSpan(earliest=str(earliest), latest=str(limit), limited=True)
    if latest.year > 9999:
        return None
    return PlainSpan(earliest=str(earliest), latest=str(latest))


def date_in_words(date: EdtfDate) -> str:
    """Say a date in English; what words cannot say shortly stays in EDTF.

    ``1907~`` is about 1907, ``[1909..1912]`` between 1909 and 1912, ``../1910`` until 1910.
    """
    if date.form is EdtfForm.INTERVAL:
        start, end = (_part(part) for part in date.parts)
        if start and end:
            return f"from {start} to {end}"
        return f"from {start} on" if start else f"until {end}"
    if date.form is EdtfForm.ONE_OF and len(date.parts) == 1:
        low, _, high = date.parts[0].text.partition("..")
        low, high = _plain(low), _plain(high)
        if low and high:
            return f"between {low} and {high}"
        return f"not before {low}" if low else f"not after {high}"
    if date.form in (EdtfForm.ONE_OF, EdtfForm.ALL_OF):
        return date.text
    return _part(date.parts[0])


def _part(part: EdtfPart) -> str:
    text = _plain(part.text)
    if not text or text == "..":
        return ""
    if part.approximate and part.uncertain:
        return f"perhaps about {text}"
    if part.approximate:
        return f"about {text}"
    return f"perhaps {text}" if part.uncertain else text


def _plain(text: str) -> str:
    return text.translate({ord(mark): None for mark in "?~%"})
