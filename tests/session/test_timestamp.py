"""Moments, judged by the examples of RFC 3339, 5.8, and by the standard library."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.errors import InputError
from archiver.session.timestamp import parse_timestamp


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        # RFC 3339, 5.8
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)),
        # wider than RFC 3339
        ("2026-04-18T14:12+02:00", datetime(2026, 4, 18, 12, 12, 0, 0, UTC)),
        ("2026-04-18 14:12:05 +02:00", datetime(2026, 4, 18, 12, 12, 5, 0, UTC)),
        ("2026-04-18T14:12:05+14:00", datetime(2026, 4, 18, 0, 12, 5, 0, UTC)),
        ("2026-04-18T14:12:05-12:00", datetime(2026, 4, 19, 2, 12, 5, 0, UTC)),
        ("2026-04-18t14:12:05z", datetime(2026, 4, 18, 14, 12, 5, 0, UTC)),
    ],
)
def test_moment_in_utc(text: str, utc: datetime) -> None:
    timestamp = parse_timestamp(text)
    assert timestamp.moment == utc
    assert timestamp.text == text


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2026-02-30T14:00:00+02:00", "2026-02 has 28 days"),
        ("2026-02-29T14:00:00+02:00", "2026 was no leap year"),
        ("2026-04-31T14:00:00+02:00", "2026-04 has 30 days"),
        ("2026-13-01T14:00:00+02:00", "month 13"),
        ("2026-00-01T14:00:00+02:00", "month 0"),
        ("0000-01-01T14:00:00Z", "year 0"),
        ("2026-04-18T24:00:00Z", "time of day"),
        ("2026-04-18T14:60:00Z", "time of day"),
        ("1990-12-31T23:59:60Z", "time of day"),  # RFC 3339, 5.8: a leap second, not taken here
        ("2026-04-18T14:12:05", "offset from UTC"),
        ("2026-04-18T14:12:05-00:00", "unknown"),
        ("2026-04-18T14:12:05+25:00", "+25:00"),
        # IANA tz database: Etc/GMT+12 and Pacific/Kiritimati are the ends
        ("2026-04-18T14:12:05+22:00", "the offset +22:00, which does not exist"),
        ("2026-04-18T14:12:05+14:15", "+14:15"),
        ("2026-04-18T14:12:05-12:30", "-12:30"),
        ("2026-04-18T14:12:05+01:60", "+01:60"),
        ("2026-04-18", "date without a time"),
        ("18.4.2026 14:12", "accepted form"),
        ("", "accepted form"),
    ],
)
def test_what_is_no_moment_is_refused_with_the_reason(text: str, reason: str) -> None:
    with pytest.raises(InputError) as refusal:
        parse_timestamp(text)
    assert reason in refusal.value.found
    assert "2026-04-18T14:12:05+02:00" in refusal.value.accepted


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("18.04.2026 14:00", "Write 2026-04-18T14:00+02:00; instead of +02:00 the offset"),
        ("18.4.2026, 9.05 Uhr", "Write 2026-04-18T09:05+02:00; instead"),
        ("18.04.2026 14:00:30 +01:00", "Write 2026-04-18T14:00:30+01:00."),
        ("18 April 2026 at 2:15 pm", "Write 2026-04-18T14:15+02:00; instead"),
        ("4/18/2026 12:10 AM", "Write 2026-04-18T00:10+02:00; instead"),
        ("2026-4-18 14:00 Z", "Write 2026-04-18T14:00Z."),
        ("04/05/2026 14:00", "05-04T14:00+02:00 if the day stands first, or 2026-04-05T14:00+02:00"),
        ("18.04.2026", "time and the offset from UTC too: 2026-04-18T14:00+02:00"),
        ("2026-04-18", "such as 2026-04-18T14:00+02:00"),
        ("2026-04-18T14:00", "such as 2026-04-18T14:00+02:00"),
        ("in the afternoon", ""),
        ("31.04.2026 14:00", ""),
    ],
)  # fmt: skip
def test_an_everyday_form_is_answered_with_the_corrected_one(text: str, remedy: str) -> None:
    with pytest.raises(InputError) as refusal:
        parse_timestamp(text)
    assert remedy in refusal.value.remedy
    assert bool(remedy) is bool(refusal.value.remedy)


@given(
    st.datetimes(),
    st.integers(min_value=-12 * 60, max_value=14 * 60).filter(bool),
)
def test_every_moment_that_the_standard_library_writes_is_read(
    naive: datetime, offset_min: int
) -> None:
    moment = naive.replace(tzinfo=timezone(timedelta(minutes=offset_min)))
    assert parse_timestamp(moment.isoformat()).moment == moment


@given(st.text(alphabet="0123456789-:T+Zz ., ", max_size=30))
def test_any_text_is_a_moment_or_an_input_error(text: str) -> None:
    try:
        timestamp = parse_timestamp(text)
    except InputError:
        return
    assert timestamp.text == text
