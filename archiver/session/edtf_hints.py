"""What was probably meant by a text that is not a date of EDTF.

Covers words and forms of everyday writing, and the forms of the 2012 draft of
EDTF that ISO 8601-2:2019 replaced.
"""

from __future__ import annotations

import re

from archiver.session.day import days_in_month

__all__ = ["ACCEPTED", "everyday_days", "hint"]

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
    if days := everyday_days(bare):
        return f"Write {_either(days)}."
    if (year := _year_of_day(bare)) is not None:
        return f"Write year, month and day in this order and in digits: {year}-MM-DD."
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


def everyday_days(text: str) -> list[str]:
    """Return the days that a text in an everyday form may mean, as ``YYYY-MM-DD``.

    Two where one country writes the day first and another the month: 4/5/1907. None where
    the text is of another form, or no such day can be.
    """
    if match := _SEPARATED.fullmatch(text):
        first, mark, second, third = match[1], match[2], match[3], match[4]
        if len(first) == 4 and len(third) <= 2:
            return _days((first, second, third))
        if len(first) <= 2 and len(third) == 4:
            # 4.5.1907 is May in all countries that write so.
            if mark == ".":
                return _days((third, second, first))
            return _days((third, second, first), (third, first, second))
        return []
    if (worded := _worded(text)) is None or worded[1] not in _MONTHS:
        return []
    year, month, day = worded
    return _days((year, str(_MONTHS.index(month) + 1), day))


def _worded(text: str) -> tuple[str, str, str] | None:
    """Take year, beginning of the month's name and day out of a day written in words."""
    if match := _WORDED.fullmatch(text):
        return match[3], match[2][:3].lower(), match[1]
    if match := _WORDED_FIRST.fullmatch(text):
        return match[3], match[1][:3].lower(), match[2]
    return None


def _days(*parts: tuple[str, str, str]) -> list[str]:
    found = [
        f"{year}-{int(month):02d}-{int(day):02d}"
        for year, month, day in parts
        if 1 <= int(month) <= 12 and 1 <= int(day) <= days_in_month(int(year), int(month))
    ]
    return list(dict.fromkeys(found))


def _year_of_day(text: str) -> str | None:
    """Return the year of a text that is some day, though nobody can tell which."""
    if match := _SEPARATED.fullmatch(text):
        return next((part for part in (match[1], match[4]) if len(part) == 4), None)
    worded = _worded(text)
    return None if worded is None else worded[0]


def _either(days: list[str]) -> str:
    if len(days) == 1:
        return days[0]
    return f"{days[0]} if the day stands first, or {days[1]} if the month does"
