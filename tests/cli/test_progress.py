"""Progress on a terminal: nothing for a short job, rate and time left for a long one."""

from __future__ import annotations

import io
import threading

import pytest

from archiver.cli import progress
from archiver.cli.progress import shown


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def opened(monkeypatch: pytest.MonkeyPatch, patience_s: float | None = None) -> Terminal:
    """Put a terminal in the place of standard error.

    Called by the test itself: the capture of output puts its own there after each fixture.
    """
    stream = Terminal()
    monkeypatch.setattr("sys.stderr", stream)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")
    if patience_s is not None:
        monkeypatch.setattr(progress, "_PATIENCE_S", patience_s)
        monkeypatch.setattr(progress, "_PAUSE_S", 0.0)
    return stream


def test_job_that_is_soon_done_shows_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = opened(monkeypatch, 60.0)
    with shown() as bars:
        bars.step("bag-1", 100)
        bars.advance(100)
    assert terminal.getvalue() == ""


def test_job_that_takes_a_while_tells_what_and_how_much_of_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    terminal = opened(monkeypatch, 0.0)
    with shown() as bars:
        bars.step("bag-1", 4_000_000)
        threads = [threading.Thread(target=bars.advance, args=(1_000_000,)) for _ in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    said = terminal.getvalue()
    assert "bag-1" in said
    assert "2.0/4.0 MB" in said


def test_next_step_begins_anew_and_may_have_no_known_end(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = opened(monkeypatch, 0.0)
    with shown() as bars:
        bars.step("bag-1", 4_000_000)
        bars.advance(1_000_000)
        bars.step("bag-2", 0)
        bars.advance(5_000_000)
    last = terminal.getvalue().rpartition("bag-")[2]
    assert last.startswith("2 ")
    assert "5.0/? MB" in last


def test_a_step_that_counts_no_bytes_shows_none(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = opened(monkeypatch, 0.0)
    with shown() as bars:
        bars.step("motion in take t02", 0)
    said = terminal.getvalue()
    assert "motion in take t02" in said
    assert "/?" not in said
    assert "bytes" not in said


def test_error_of_the_job_takes_the_bar_away_and_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    terminal = opened(monkeypatch, 0.0)

    def fail() -> None:
        with shown() as bars:
            bars.step("bag-1", 1)
            raise ArithmeticError

    with pytest.raises(ArithmeticError):
        fail()
    # The cursor, hidden while a bar moves, is back (ECMA-48, DEC private mode 25).
    said = terminal.getvalue()
    assert said.rindex("\x1b[?25h") > said.rindex("\x1b[?25l")
