"""Bounds: the vectors of the Library of Congress's EDTF text as read by PyPI ``edtf``."""

from __future__ import annotations

import datetime as dt

import pytest

from archiver.describe.dates import PlainSpan, date_in_words, plain_span
from archiver.session.edtf import parse_edtf

SESSION = dt.date(2026, 5, 3)


@pytest.mark.parametrize(
    ("edtf", "words"),
    [
        ("1907", "1907"),
        ("1907-04~", "about 1907-04"),
        ("1907?", "perhaps 1907"),
        ("1907%", "perhaps about 1907"),
        ("1907/1910", "from 1907 to 1910"),
        ("1907~/1910?", "from about 1907 to perhaps 1910"),
        ("1907/..", "from 1907 on"),
        ("1907/", "from 1907 on"),
        ("../1910", "until 1910"),
        ("/1910", "until 1910"),
        ("[1907..1910]", "between 1907 and 1910"),
        ("[1907..]", "not before 1907"),
        ("[..1910]", "not after 1910"),
        ("[1907,1908,1910]", "[1907,1908,1910]"),
        ("{1907,1908}", "{1907,1908}"),
        ("190X", "190X"),
    ],
)
def test_a_date_is_said_in_words(edtf: str, words: str) -> None:
    assert date_in_words(parse_edtf(edtf)) == words


@pytest.mark.parametrize(
    ("edtf", "earliest", "latest"),
    [
        ("1907", "1907-01-01", "1907-12-31"),
        ("1907-04/1908-02", "1907-04-01", "1908-02-29"),
        ("19XX", "1900-01-01", "1999-12-31"),
        ("1907-?04", "1907-04-01", "1907-04-30"),
    ],
)
def test_a_date_has_a_first_and_a_last_day(edtf: str, earliest: str, latest: str) -> None:
    assert plain_span(parse_edtf(edtf), SESSION) == PlainSpan(earliest=earliest, latest=latest)


@pytest.mark.parametrize("edtf", ["1907/..", "1907/", "[1907..]"])
def test_an_open_end_is_limited_by_the_session(edtf: str) -> None:
    assert plain_span(parse_edtf(edtf), SESSION) == PlainSpan(
        earliest="1907-01-01", latest="2026-05-03", limited=True
    )


@pytest.mark.parametrize("edtf", ["../1910", "/1910", "[..1910]", "Y17000", "-0044", "2030/.."])
def test_a_date_without_first_day_or_beyond_four_digits_has_no_span(edtf: str) -> None:
    assert plain_span(parse_edtf(edtf), SESSION) is None
