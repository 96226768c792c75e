"""Dates that have not come yet, by a clock that is handed in."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from archiver.findings import Severity
from archiver.pipeline.check import check_session
from archiver.session import load_session
from archiver.session.future import check_future
from tests.session.folders import edit, whole_session

SHEET, MACHINE = "session.yaml", "machines/example-machine.yaml"
NOW = datetime(2030, 6, 1, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("file", "old", "new", "field"),
    [
        (SHEET, "start: 2026-04-18T14:00:00", "start: 2062-04-18T14:00:00", "session.start"),
        (SHEET, "end: 2026-04-18T16:30:00", "end: 2062-04-18T16:30:00", "session.end"),
        (SHEET, "start: 2026-04-18T14:12:05", "start: 2062-04-18T14:12:05", "takes[0].start"),
        (SHEET, "date: 2026-04-18, scope", "date: 2062, scope", "operators[0].consent.date"),
        (SHEET, "    date: 2026-04-18                        # (optional)\n    by: joho",
         "    date: 2062-04-18\n    by: joho", "conditions[0].date"),
        (MACHINE, "date: 1990~", "date: 2062~", "parts[0].date"),
    ],
)  # fmt: skip
def test_a_date_in_the_future_is_an_error(
    tmp_path: Path, file: str, old: str, new: str, field: str
) -> None:
    folder = whole_session(tmp_path)
    edit(folder, file, old, new)
    session = load_session(folder).session
    assert session is not None
    (found,) = check_future(session, NOW)
    assert (found.code, found.severity) == ("date-in-future", Severity.ERROR)
    assert (found.where.file, found.where.field) == (file, field)
    assert "2062" in found.message
    assert "2030-06-01" in found.accepted
    assert check_future(session, datetime(2063, 1, 1, tzinfo=UTC)) == []


def test_a_consent_that_has_not_come_yet_is_not_also_called_late(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "date: 2026-04-18, scope", "date: 2062, scope")
    field = "operators[0].consent.date"
    found = check_session(folder, now=NOW).findings
    assert [one.code for one in found if one.where.field == field] == ["date-in-future"]
    later = check_session(folder, now=datetime(2063, 1, 1, tzinfo=UTC)).findings
    assert [one.code for one in later if one.where.field == field] == ["consent-after-session"]


def test_a_day_is_left_for_zones_and_slow_clocks(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "end: 2026-04-18T16:30:00+02:00", "end: 2030-06-02T13:00:00+02:00")
    session = load_session(folder).session
    assert session is not None
    assert check_future(session, NOW) == []
    assert len(check_future(session, NOW - timedelta(hours=2))) == 1


def test_a_clock_that_was_never_set_refuses_nothing(tmp_path: Path) -> None:
    """A computer without a battery begins in 1970; no session is stopped by that."""
    session = load_session(whole_session(tmp_path)).session
    assert session is not None
    assert check_future(session, datetime(1970, 1, 1, tzinfo=UTC)) == []


def test_the_check_of_a_folder_takes_the_clock_that_it_is_given(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, "end: 2026-04-18T16:30:00+02:00", "end: 2029-01-01T16:30:00+02:00")
    for now, expected in ((datetime(2028, 1, 1, tzinfo=UTC), True), (NOW, False)):
        found = {finding.code for finding in check_session(folder, now=now).findings}
        assert ("date-in-future" in found) is expected
