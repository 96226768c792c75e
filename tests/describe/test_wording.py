"""Forms of dates, times and durations: XML Schema part 2, 3.2.6 to 3.2.9."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from archiver.describe.wording import (
    chain_text,
    machine_text,
    medium_text,
    playings_text,
    setup_text,
    take_title,
    xsd_date,
    xsd_date_time,
    xsd_duration,
    xsd_time,
)
from archiver.session.timestamp import Timestamp
from tests.describe.archives import a_machine, a_session


def accepted_by_xml_schema(kind: str, text: str) -> bool:
    """Ask libxml2 whether a text is of a built-in type."""
    schema = etree.XMLSchema(
        etree.fromstring(
            '<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema">'
            f'<xs:element name="v" type="xs:{kind}"/></xs:schema>'
        )
    )
    element = etree.Element("v")
    element.text = text
    return bool(schema.validate(element))


@pytest.mark.parametrize(
    ("frames", "rate", "text"),
    [
        (0, 48_000, "PT0S"),
        (48_000, 48_000, "PT1S"),
        (44_100 * 60, 44_100, "PT1M"),
        (96_000 * 3_600 + 1, 96_000, "PT1H0.000010417S"),
        (44_100 * 3_661 + 22_050, 44_100, "PT1H1M1.5S"),
    ],
)
def test_a_duration_is_written_to_the_nanosecond(frames: int, rate: int, text: str) -> None:
    assert xsd_duration(frames, rate) == text


@given(frames=st.integers(0, 2**40), rate=st.integers(8_000, 384_000))
def test_the_number_of_frames_comes_back_from_a_duration(frames: int, rate: int) -> None:
    text = xsd_duration(frames, rate)
    seconds, part = Decimal(0), ""
    for character in text.removeprefix("PT"):
        if character in "HMS":
            seconds += Decimal(part) * {"H": 3_600, "M": 60, "S": 1}[character]
            part = ""
        else:
            part += character
    assert round(seconds * rate) == frames


@pytest.mark.parametrize(
    ("stated", "written"),
    [
        ("2026-04-18T14:12:05+02:00", "2026-04-18T14:12:05+02:00"),
        ("2026-04-18T14:12:00Z", "2026-04-18T14:12:00Z"),
        # An offset of more than 14 hours is none of XML Schema: the same moment in UTC.
        ("2026-04-18T14:12:05+23:59", "2026-04-17T14:13:05Z"),
        ("9999-12-31T23:59:59-23:59", "9999-12-31T23:59:59Z"),
    ],
)
def test_a_moment_is_written_with_an_offset_of_xml_schema(stated: str, written: str) -> None:
    # A record may hold what a sheet may not.
    moment = Timestamp(text=stated, moment=datetime.fromisoformat(stated))
    assert xsd_date_time(moment) == written
    assert accepted_by_xml_schema("dateTime", written)
    assert accepted_by_xml_schema("date", xsd_date(moment))
    assert accepted_by_xml_schema("time", xsd_time(moment))


def test_sentences_quote_what_the_sheet_says() -> None:
    session = a_session()
    assert machine_text(a_machine()).startswith("Machine: Hornblad Talevalse A / Den lille; type: ")
    assert "made: Ærkebro, [1903..1907]" in machine_text(a_machine())
    assert medium_text(session.media[0]).endswith("remarks: hairline crack")
    assert "governor: three balls" in setup_text(session.setups[0])
    assert "flywheel: no" in setup_text(session.setups[0])
    assert "microphone m1: Tværlyd K 2, serial number 00417" in chain_text(session.chains[0])


def test_a_take_without_title_is_called_what_it_is() -> None:
    session = a_session()
    assert take_title(session, session.takes[1]) == "Vise om <voks> & messing"
    assert take_title(session, session.takes[2]) == "Reproduction, wax cylinder cyl-07"


@pytest.mark.parametrize(
    ("playings", "words"), [(0, "not been played"), (1, "once"), (2, "twice"), (7, "7 times")]
)
def test_the_playings_before_are_said(playings: int, words: str) -> None:
    take = dataclasses.replace(a_session().takes[1], playings_before=playings)
    assert words in (playings_text(take) or "")


def test_playings_that_are_not_stated_are_not_said() -> None:
    assert playings_text(a_session().takes[0]) is None
