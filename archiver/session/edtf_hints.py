"""What was probably meant by a text that is not a date of EDTF.

Covers words and forms of everyday writing, and the forms of the 2012 draft of
EDTF that ISO 8601-2:2019 replaced.
"""

from __future__ import annotations

import re

__all__ = ["ACCEPTED", "hint"]

ACCEPTED = (
    "1907, 1907-04, 1907-04-21, 1907~ (about), 1907? (uncertain), 190X (some year of the decade), "
    "1907/1910 (lasted from, to), [1907..1910] (once, between), [..1910] (not after)"
)

_YEAR = r"(\d{4})"
_HINTS: tuple[tuple[str, str], ...] = (
    (rf"(?:ca?\.?|circa|about|around|approx\.?)\s*{_YEAR}", r"For about {1} write {1}~."),
    (rf"(?:before|until|not after|ante)\s*{_YEAR}", r"Write [..{1}]."),
    (rf"(?:after|since|from|not before|post)\s*{_YEAR}", r"Write [{1}..]."),
    (
        rf"(?:between\s*)?{_YEAR}\s*(?:-|\u2013|\u2014|to|and|\.\.)\s*{_YEAR}",
        r"Write [{1}..{2}] for one date between the two, or {1}/{2} for what lasted that long.",
    ),
    (
        r"(.+)/unknown",
        r"Write {1}/ with nothing after the slash (changed from unknown in the 2012 draft).",
    ),
    (
        r"unknown/(.+)",
        r"Write /{1} with nothing before the slash (changed from unknown in the 2012 draft).",
    ),
    (r"(.+)/open", r"Write {1}/.. (changed from open in the 2012 draft)."),
    (r"(.+?)(?:\?~|~\?)", r"Write {1}% (changed from ?~ in the 2012 draft)."),
    (r"(.+?)(?:\?\?+|~~+)", r"Write the mark once."),
    (
        r".*[()].*",
        r"Put ?, ~ or % before the component or after the group (parentheses of the 2012 draft were dropped).",
    ),
    (
        r"(?-i:y)(-?\d+(?:e\d+)?(?:p\d+)?)",
        r"Write Y, E and S (changed from y, e and p in the 2012 draft).",
    ),
    (r"(?-i:Y)(-?\d{4})", r"Write {1}; Y is for years of more than four digits."),
    (
        r"(-?\d{4}-\d{2})\^.*",
        r"Write a season of a hemisphere as 25 to 32 (changed from ^ in the 2012 draft).",
    ),
    (r"(\d{3})", r"Write {1}X for the decade."),
    (rf"{_YEAR}-(\d)", r"Write {1}-0{2}."),
    (
        rf"[^\W\d]+\.?\s+{_YEAR}",
        r"Write year and month in this order and in digits, such as {1}-04.",
    ),
    (r"(\d{2})(\d)0s", r"Write {1}{2}X for the decade."),
    (r"(?:n\.?\s*d\.?|undated|unknown|\?)", r"Where no date is known, leave the field out."),
    (rf"{_YEAR}/{_YEAR}", r"Write the earlier year first."),
    (r"\[([^,\[\]]+)\]", r"Write {1} without brackets."),
    (r"[\[{][^\]}]*", r"Close the bracket."),
    (r".*\s.*", r"EDTF has no blanks; words belong into a note or statement beside the date."),
)
_COMPILED = tuple((re.compile(f"(?i:{pattern})"), text) for pattern, text in _HINTS)
_DRAFT_UNSPECIFIED = re.compile(r"(?=.*[ux])[\dux]{4}(?:-[\dux]{2}){0,2}", re.ASCII)


def hint(text: str) -> str:
    """Return a sentence that names the form probably meant; a general one if none fits."""
    bare = text.strip()
    if _DRAFT_UNSPECIFIED.fullmatch(bare):
        now = bare.replace("u", "X").replace("x", "X")
        return f"Write {now}: unspecified digits are X (changed from u and x in the 2012 draft)."
    if (day := _everyday(bare)) is not None:
        return day
    for pattern, sentence in _COMPILED:
        match = pattern.fullmatch(bare)
        if match:
            return _filled(sentence, match)
    return "Write the date in one of the accepted forms, and doubts into the statement beside it."


def _filled(sentence: str, match: re.Match[str]) -> str:
    return re.sub(r"\{(\d)\}", lambda number: match[int(number[1])], sentence)


_SEPARATED = re.compile(r"(\d{1,4})([./ -])\s*(\d{1,2})\2\s*(\d{1,4})", re.ASCII)
_WORDED = re.compile(r"(\d{1,2})\.?\s+([^\W\d]{3,})\.?,?\s+(\d{4})")
_WORDED_FIRST = re.compile(r"([^\W\d]{3,})\.?\s+(\d{1,2}),?\s+(\d{4})")
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


def _everyday(text: str) -> str | None:
    """Explain a day written in an everyday form, with the day itself where it is clear."""
    if match := _SEPARATED.fullmatch(text):
        first, mark, second, third = match[1], match[2], match[3], match[4]
        if len(first) == 4 and len(third) <= 2:
            return _day(first, second, third)
        if len(first) <= 2 and len(third) == 4:
            # 4/5/1907 is May in one country and April in another; 4.5.1907 is May in all.
            if mark == "." or int(first) > 12:
                return _day(third, second, first)
            if int(second) > 12:
                return _day(third, first, second)
            return _in_order(third)
        return None
    match = _WORDED.fullmatch(text)
    day, month = (match[1], match[2]) if match else ("", "")
    if match is None and (match := _WORDED_FIRST.fullmatch(text)):
        day, month = match[2], match[1]
    if match is None:
        return None
    short = month[:3].lower()
    if short not in _MONTHS:
        return _in_order(match[3])
    return _day(match[3], str(_MONTHS.index(short) + 1), day)


def _day(year: str, month: str, day: str) -> str:
    if not (1 <= int(month) <= 12 and 1 <= int(day) <= 31):
        return _in_order(year)
    return f"Write {year}-{int(month):02d}-{int(day):02d}."


def _in_order(year: str) -> str:
    return f"Write year, month and day in this order and in digits: {year}-MM-DD."
