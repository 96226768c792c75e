"""Date expressions.

Sources: the valid and invalid strings are examples of EDTF (ISO 8601-2:2019, in the
Library of Congress text of 4 February 2019) and of the traps of other readers. Bounds
marked ``lib`` are compared with the PyPI library edtf 5; the others are worked by hand
from the rules.
"""

from __future__ import annotations

import datetime as dt
import re

import pytest
from edtf import parse_edtf as library_parse
from edtf.parser.edtf_exceptions import EDTFParseException
from hypothesis import example, given
from hypothesis import strategies as st

from archiver.errors import InputError
from archiver.session.day import Day
from archiver.session.edtf import Bound, BoundKind, EdtfForm, parse_edtf

# text, level, earliest, latest; lib where the library's strict bounds are the same
LIBRARY_AGREES = [
    ("1907", 0, "1907-01-01", "1907-12-31"),
    ("1907-04", 0, "1907-04-01", "1907-04-30"),
    ("1907-04-21", 0, "1907-04-21", "1907-04-21"),
    ("1908-02-29", 0, "1908-02-29", "1908-02-29"),
    ("1907-04-21T10:20:30+02:00", 0, "1907-04-21", "1907-04-21"),
    ("1985-04-12T23:20:30", 0, "1985-04-12", "1985-04-12"),
    ("1985-04-12T23:20:30Z", 0, "1985-04-12", "1985-04-12"),
    ("1985-04-12T23:20:30-04", 0, "1985-04-12", "1985-04-12"),
    ("0000", 0, "0000-01-01", "0000-12-31"),
    ("1907/1910", 0, "1907-01-01", "1910-12-31"),
    ("1907-04/1908-02", 0, "1907-04-01", "1908-02-29"),
    ("-1985", 1, "-1985-01-01", "-1985-12-31"),
    ("1907~", 1, "1907-01-01", "1907-12-31"),
    ("1907?", 1, "1907-01-01", "1907-12-31"),
    ("1907%", 1, "1907-01-01", "1907-12-31"),
    ("1907-04~", 1, "1907-04-01", "1907-04-30"),
    ("1907?/1910~", 1, "1907-01-01", "1910-12-31"),
    ("190X", 1, "1900-01-01", "1909-12-31"),
    ("19XX", 1, "1900-01-01", "1999-12-31"),
    ("-15XX", 1, "-1599-01-01", "-1500-12-31"),
    ("1907-XX", 1, "1907-01-01", "1907-12-31"),
    ("1900-02-XX", 1, "1900-02-01", "1900-02-28"),
    ("1907-XX-XX", 1, "1907-01-01", "1907-12-31"),
    ("Y17000", 1, "Y17000-01-01", "Y17000-12-31"),
    ("Y-17000", 1, "Y-17000-01-01", "Y-17000-12-31"),
    ("[1907,1908,1910]", 2, "1907-01-01", "1910-12-31"),
    ("[1907..1910]", 2, "1907-01-01", "1910-12-31"),
    ("{1907,1908}", 2, "1907-01-01", "1908-12-31"),
    ("{1960,1961-12}", 2, "1960-01-01", "1961-12-31"),
    ("1907-?04", 2, "1907-04-01", "1907-04-30"),
    ("~1907-04-21", 2, "1907-04-21", "1907-04-21"),
    ("2004-06~-11", 2, "2004-06-11", "2004-06-11"),
    ("?2004-06-~11", 2, "2004-06-11", "2004-06-11"),
    ("2011-~06-~04", 2, "2011-06-04", "2011-06-04"),
    ("156X-12-25", 2, "1560-12-25", "1569-12-25"),
    ("XXXX-12-XX", 2, "0000-12-01", "9999-12-31"),
    ("1XXX-12", 2, "1000-12-01", "1999-12-31"),
    ("19X7", 2, "1907-01-01", "1997-12-31"),
    ("1907-XX-31", 2, "1907-01-31", "1907-12-31"),
    ("2004-06-~01/2004-06-~20", 2, "2004-06-01", "2004-06-20"),
    ("2001-34", 2, "2001-04-01", "2001-06-30"),
    ("1907-41", 2, "1907-07-01", "1907-12-31"),
    ("Y17E7", 2, "Y170000000-01-01", "Y170000000-12-31"),
    ("Y-17E7", 2, "Y-170000000-01-01", "Y-170000000-12-31"),
]

# The library has no bounds for these, invents them, or is wrong: by hand from the rules.
BY_HAND = [
    ("../1910", 1, "open", "1910-12-31"),
    ("1907/..", 1, "1907-01-01", "open"),
    ("1907/", 1, "1907-01-01", "unknown"),
    ("/1910", 1, "unknown", "1910-12-31"),
    ("2004-06-XX/2004-07-03", 1, "2004-06-01", "2004-07-03"),
    ("[..1910]", 2, "open", "1910-12-31"),
    ("[1907..]", 2, "1907-01-01", "open"),
    ("{..1984}", 2, "open", "1984-12-31"),
    ("[1760-01,1760-02,1760-12..]", 2, "1760-01-01", "open"),
    ("[1667,1668,1670..1672]", 2, "1667-01-01", "1672-12-31"),
    # A day with an unspecified year is there in leap years only.
    ("190X-02-29", 2, "1904-02-29", "1908-02-29"),
    # The year 0 has no sign, so a negative mask does not reach it.
    ("-000X", 1, "-0009-01-01", "-0001-12-31"),
    ("1984-1X", 2, "1984-10-01", "1984-12-31"),
    # Significant digits: some year that begins so (Library of Congress, level 2).
    ("1950S2", 2, "1900-01-01", "1999-12-31"),
    ("-1950S2", 2, "-1999-01-01", "-1900-12-31"),
    ("Y171010000S3", 2, "Y171000000-01-01", "Y171999999-12-31"),
    ("Y3388E2S3", 2, "Y338000-01-01", "Y338999-12-31"),
    # The standard gives seasons 21 to 32 no months: bounded by the year.
    ("2001-21", 1, "2001-01-01", "2001-12-31"),
    ("2001-24", 1, "2001-01-01", "2001-12-31"),
    ("2001-29", 2, "2001-01-01", "2001-12-31"),
    ("2001-37", 2, "2001-01-01", "2001-04-30"),
]

# text, part of the reason, part of the remedy; the library refuses those without a mark
REFUSED = [
    ("1907-13", "no month 13", "write 1907"),
    ("1907-00", "no month 00", "write 1907"),
    ("1907-04-31", "no day 31", "write 1907-04"),
    ("190", "form", "190X"),
    ("ca. 1907", "form", "1907~"),
    ("1907-1910", "form", "[1907..1910]"),
    ("1907–1910", "form", "1907/1910"),
    ("1907-4", "form", "1907-04"),
    ("190u", "form", "190X"),
    ("19uu", "form", "19XX"),
    ("1907-uu", "form", "1907-XX"),
    ("1907/unknown", "form", "Write 1907/ with"),
    ("unknown/1910", "form", "Write /1910 with"),
    ("1907/open", "form", "Write 1907/.."),
    ("1907~?", "form", "1907%"),
    ("1907?~", "form", "1907%"),
    ("[1907", "form", "bracket"),
    ("..", "form", "accepted forms"),
    ("Y1907", "more than four digits", "Write 1907"),
    ("1907??", "form", "once"),
    ("21 April 1907", "form", "1907-04-21"),
    ("21.4.1907", "form", "Write 1907-04-21."),
    ("4.5.1907", "form", "Write 1907-05-04."),
    ("4/5/1907", "more than one /", "1907-05-04 if the day stands first, or 1907-04-05"),
    ("4/4/1907", "more than one /", "Write 1907-04-04."),
    ("31.4.1907", "form", "1907-MM-DD"),
    ("4/21/1907", "more than one /", "Write 1907-04-21."),
    ("21/4/1907", "more than one /", "Write 1907-04-21."),
    ("1907-4-2", "form", "Write 1907-04-02."),
    ("April 21, 1907", "form", "Write 1907-04-21."),
    ("21. Aprilis 1907", "form", "Write 1907-04-21."),
    ("32.13.1907", "form", "1907-MM-DD"),
    ("1907-04-32", "no day 32", "write 1907-04"),
    ("1985-04-12T23:20:30+25:00", "offset from UTC", "leave it out"),
    ("2001-21-01", "which has no days", ""),
    ("123.4.1907", "form", ""),
    ("21 xyz 1907", "form", "1907-MM-DD"),
    ("April 1907", "form", "1907-04"),
    ("1907-04-21T25:00:00Z", "time of day", "leave it out"),
    ("(1907)?-04", "form", "parentheses"),
    ("y170000000", "form", "Write Y"),
    ("2001-21^southern", "form", "25 to 32"),
    ("before 1910", "form", "[..1910]"),
    ("after 1907", "form", "[1907..]"),
    ("between 1907 and 1910", "form", "[1907..1910]"),
    ("1900s", "form", "190X"),
    ("undated", "form", "leave the field out"),
    ("[1907]", "set of one", "Write 1907"),
    ("[1907..,1910]", "only at the ends of a set", ""),
    ("195XS2", "without X", ""),
    ("{1907]", "brackets do not match", ""),
    ("/", "neither end", "leave the field out"),
    ("[..]", "without a date", "leave the field out"),
    ("[1907,,1908]", "form", ""),
    ("-0000", "no sign", ""),
    ("1907-42", "no month 42", ""),
    ("1907-20", "no month 20", ""),
    ("1907-~04~", "both sides", ""),
    ("1985-04-12T23:20:30/1986", "form", ""),
    ("1985-04-12T23:20Z", "form", ""),
    ("", "form", ""),
]

# Strings that the library accepts and this reader must not.
STRICTER_THAN_THE_LIBRARY = [
    ("1907-02-29", "1907 was no leap year"),
    ("1900-02-29", "1900 was no leap year"),
    ("1907/1905", "ends before it begins"),
    ("[1910..1907]", "ends before it begins"),
    ("../..", "neither end"),
    ("1950S5", "no 5 significant"),
    ("[1667,1668, 1670..1672]", "form"),
    ("1907-04-21\n", "form"),
]


@pytest.mark.parametrize(("text", "level", "earliest", "latest"), LIBRARY_AGREES + BY_HAND)
def test_bounds_and_level(text: str, level: int, earliest: str, latest: str) -> None:
    date = parse_edtf(text)
    assert (date.level, str(date.earliest), str(date.latest)) == (level, earliest, latest)


@pytest.mark.parametrize("text", [vector[0] for vector in LIBRARY_AGREES])
def test_bounds_agree_with_the_edtf_library(text: str) -> None:
    theirs = library_parse(text)
    ours = parse_edtf(text)
    lower, upper = theirs.lower_strict(), theirs.upper_strict()
    assert ours.earliest.day == Day(*tuple(lower)[:3])
    assert ours.latest.day == Day(*tuple(upper)[:3])


@pytest.mark.parametrize(("text", "reason", "remedy"), REFUSED)
def test_what_is_no_date_is_refused_with_reason_and_form(
    text: str, reason: str, remedy: str
) -> None:
    with pytest.raises(InputError) as refusal:
        parse_edtf(text)
    assert reason in refusal.value.found
    assert remedy in refusal.value.remedy


@pytest.mark.parametrize("text", [vector[0] for vector in REFUSED])
def test_the_library_refuses_it_too(text: str) -> None:
    with pytest.raises(EDTFParseException):
        library_parse(text)


@pytest.mark.parametrize(("text", "reason"), STRICTER_THAN_THE_LIBRARY)
def test_what_the_library_lets_pass_is_refused(text: str, reason: str) -> None:
    library_parse(text)
    with pytest.raises(InputError, match=re.escape(reason)):
        parse_edtf(text)


@pytest.mark.parametrize(
    ("text", "uncertain", "approximate", "unspecified"),
    [
        ("1907", False, False, False),
        ("1907?", True, False, False),
        ("1907~", False, True, False),
        ("1907%", True, True, False),
        ("1907?/1910~", True, True, False),
        ("1907-?04", True, False, False),
        ("[1907..1910~]", False, True, False),
        ("19X7", False, False, True),
    ],
)
def test_qualifiers_are_kept_apart_from_bounds(
    text: str, uncertain: bool, approximate: bool, unspecified: bool
) -> None:
    date = parse_edtf(text)
    assert (date.uncertain, date.approximate, date.unspecified) == (
        uncertain,
        approximate,
        unspecified,
    )


@pytest.mark.parametrize(
    ("text", "form", "parts"),
    [
        ("1907", EdtfForm.DATE, ["1907"]),
        ("1907-04-21T10:20:30Z", EdtfForm.DATE_TIME, ["1907-04-21T10:20:30Z"]),
        ("1907-21", EdtfForm.SEASON, ["1907-21"]),
        ("1907/..", EdtfForm.INTERVAL, ["1907", ".."]),
        ("[1907,1909..1911]", EdtfForm.ONE_OF, ["1907", "1909..1911"]),
        ("{1907,1909}", EdtfForm.ALL_OF, ["1907", "1909"]),
    ],
)
def test_the_form_is_told_and_the_parts_are_kept(
    text: str, form: EdtfForm, parts: list[str]
) -> None:
    date = parse_edtf(text)
    assert (date.form, [part.text for part in date.parts]) == (form, parts)


def _masked(digits: str, mask: list[bool]) -> str:
    return "".join("X" if hide else digit for digit, hide in zip(digits, mask, strict=True))


@given(
    st.dates(min_value=dt.date(1000, 1, 1), max_value=dt.date(9989, 12, 31)),
    st.integers(min_value=1, max_value=4),
    st.lists(st.booleans(), min_size=4, max_size=4),
)
@example(dt.date(1904, 2, 29), 3, [False, False, False, False])
@example(dt.date(1904, 2, 29), 2, [True, True, False, False])
def test_masked_dates_have_the_first_and_last_matching_day(
    date: dt.date, hidden_year_digit: int, hidden: list[bool]
) -> None:
    """Bounds of a masked date against looking at every day of the years it may mean."""
    year = [str(date.year).zfill(4)[i] if i != hidden_year_digit else "X" for i in range(4)]
    text = "-".join(
        (
            "".join(year),
            _masked(f"{date.month:02d}", hidden[:2]),
            _masked(f"{date.day:02d}", hidden[2:]),
        )
    )
    pattern = re.compile(text.replace("X", r"\d"))
    years = {int("".join(year).replace("X", digit)) for digit in "0123456789"}
    matching = [
        day
        for each in sorted(years)
        for number in range(366)
        if (day := dt.date(each, 1, 1) + dt.timedelta(days=number)).year == each
        and pattern.fullmatch(f"{day.year:04d}-{day.month:02d}-{day.day:02d}")
    ]
    found = parse_edtf(text)
    assert found.earliest.day == Day(*matching[0].timetuple()[:3])
    assert found.latest.day == Day(*matching[-1].timetuple()[:3])


@given(st.dates(), st.dates())
def test_an_interval_is_accepted_if_and_only_if_it_does_not_end_before_it_begins(
    start: dt.date, end: dt.date
) -> None:
    text = f"{start.isoformat()}/{end.isoformat()}"
    if start <= end:
        date = parse_edtf(text)
        assert (str(date.earliest), str(date.latest)) == (start.isoformat(), end.isoformat())
    else:
        with pytest.raises(InputError, match="before it begins"):
            parse_edtf(text)


@given(st.text(alphabet="0123456789X-/.,~?%[]{}YES T:Z", max_size=24))
@example("[1,")
@example("9999-XX-XX/..")
def test_any_text_is_a_date_with_ordered_bounds_or_an_input_error(text: str) -> None:
    try:
        date = parse_edtf(text)
    except InputError:
        return
    assert date.text == text
    if date.earliest.day and date.latest.day:
        assert date.earliest.day <= date.latest.day


def test_a_text_of_any_length_is_refused_quickly() -> None:
    with pytest.raises(InputError, match="too long"):
        parse_edtf("1" * 1_000_000)


def test_a_bound_is_a_day_or_has_none() -> None:
    with pytest.raises(ValueError, match="bound"):
        Bound(kind=BoundKind.KNOWN)
    with pytest.raises(ValueError, match="bound"):
        Bound(kind=BoundKind.OPEN, day=Day(1907, 1, 1))
