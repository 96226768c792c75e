"""Figures in words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.pages.figures import (
    MINUS,
    bytes_in_words,
    dated,
    decibels,
    duration,
    moment,
    percent_off,
    quantity,
    span_of_time,
    with_uncertainty,
)
from archiver.session.edtf import parse_edtf
from archiver.session.quantity import QuantityKind, parse_quantity
from archiver.session.timestamp import parse_timestamp
from archiver.signal.estimate import cannot_tell, estimate


def test_a_value_keeps_the_digits_that_its_uncertainty_leaves() -> None:
    # JCGM 100:2008, 7.2.4: m_S = (100,021 47 ± 0,000 79) g.
    assert with_uncertainty(estimate(100.02147, 0.00079, "g")) == "100.02147 ± 0.00079 g"
    # JCGM 100:2008, 7.2.6: 10,057 62 ohm with 27 mohm becomes 10,058 ohm.
    assert with_uncertainty(estimate(10.05762, 0.027, "ohm")) == "10.058 ± 0.027 ohm"


@pytest.mark.parametrize(
    ("value", "uncertainty", "text"),
    [
        (98.98712, 0.0325, "98.987 ± 0.033"),
        (581.9, 19.2, "582 ± 19"),
        (3010.0, 321.0, "3010 ± 320"),
        (-1.013, 0.03, f"{MINUS}1.013 ± 0.030"),
        (440.0, 0.0, "440.00"),
    ],
)
def test_places_follow_the_uncertainty(value: float, uncertainty: float, text: str) -> None:
    assert with_uncertainty(estimate(value, uncertainty, "1")) == text


def test_what_cannot_be_told_says_why() -> None:
    found = cannot_tell("no sound returns once a turn", "rpm")
    assert with_uncertainty(found) == "cannot be told: no sound returns once a turn"
    assert percent_off(found, 100.0) == ""


@given(stated=st.floats(60.0, 200.0), off=st.floats(-20.0, 20.0))
def test_a_difference_has_its_sign(stated: float, off: float) -> None:
    text = percent_off(estimate(stated * (1 + off / 100), 0.5, "rpm"), stated)
    assert text[0] in ("+", MINUS)
    assert text.endswith(" %")


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0.0 s"),
        (13.4, "13.4 s"),
        (59.94, "59.9 s"),
        (59.96, "1 min 00 s"),
        (125.2, "2 min 05 s"),
        (3725.0, "1 h 02 min 05 s"),
    ],
)
def test_durations(seconds: float, text: str) -> None:
    assert duration(seconds) == text


@pytest.mark.parametrize(
    ("count", "text"),
    [(0, "0 bytes"), (999, "999 bytes"), (1_234_567, "1.2 MB (1,234,567 bytes)")],
)
def test_sizes_are_decimal_and_exact(count: int, text: str) -> None:
    assert bytes_in_words(count) == text


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("2026-10-17", "17 October 2026"),
        ("2026-09", "September 2026"),
        ("1991", "1991"),
        ("1907~", "about 1907 (EDTF 1907~)"),
        ("[1909..1912]", "between 1909 and 1912 (EDTF [1909..1912])"),
    ],
)
def test_dates_say_more_in_edtf_only_where_they_do(text: str, words: str) -> None:
    assert dated(parse_edtf(text)) == words


def test_a_quantity_is_told_in_metric_where_it_was_not() -> None:
    inches = parse_quantity("2 1/4 in", QuantityKind.LENGTH)
    assert quantity(inches) == "2 1/4 in (57.15 mm)"
    assert quantity(parse_quantity("305 mm", QuantityKind.LENGTH)) == "305 mm"


def test_moments_keep_their_offset() -> None:
    start = parse_timestamp("2026-10-17T14:00:00+02:00")
    assert moment(start) == "17 October 2026, 14:00 (UTC+02:00)"
    end = parse_timestamp("2026-10-17T15:10:30+02:00")
    assert span_of_time(start, end) == "17 October 2026, 14:00 to 15:10:30 (UTC+02:00)"
    utc = parse_timestamp("2026-10-18T00:10:00Z")
    assert span_of_time(start, utc).endswith("to 18 October 2026, 00:10 (UTC)")


def test_a_level_that_is_not_there_leaves_no_text() -> None:
    assert decibels(None, "LUFS") == ""
    assert decibels(-27.81, "LUFS") == f"{MINUS}27.8 LUFS"
