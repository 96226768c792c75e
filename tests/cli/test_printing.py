"""What is printed for people: nothing lost that they must act on."""

from __future__ import annotations

import sys

import pytest
from rich.console import Console
from rich.padding import Padding
from rich.table import Table

from archiver.cli.printing import Lines, block, open_console, show_findings
from archiver.findings import Finding, Severity, Where
from archiver.telling import command_line

LONG = ", ".join(f"word{number}" for number in range(60))


def printed(severity: Severity, accepted: str) -> str:
    console = Console(width=100, force_terminal=False)
    finding = Finding(
        code="some-code",
        severity=severity,
        where=Where(file="session.yaml", line=3),
        message="`x` is not known",
        accepted=accepted,
    )
    with console.capture() as capture:
        show_findings(console, [finding])
    return capture.get()


@pytest.mark.parametrize("severity", [Severity.ERROR, Severity.WARNING])
def test_what_must_be_corrected_is_told_with_all_that_is_accepted(severity: Severity) -> None:
    assert "word59" in printed(severity, LONG)


def test_a_note_only_begins_a_long_list_and_says_where_it_is_whole() -> None:
    text = printed(Severity.NOTE, LONG)
    assert "word0, word1" in text
    assert "word59" not in text
    assert "… (whole with --json)" in text


def test_a_note_keeps_a_short_list_whole() -> None:
    text = printed(Severity.NOTE, "one, two")
    assert "Accepted: one, two\n" in text
    assert "--json" not in text


BAG = "/vault/our long archive of all the years/a session of the spring"


@pytest.mark.parametrize("terminal", [False, True])
def test_a_line_to_be_pasted_is_never_broken_and_ends_without_a_stop(
    *, terminal: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    line = command_line("heal", BAG, "--ledger", "FILE")
    text = f"Somebody changed what was stored here. To restore the bag: {line}."
    monkeypatch.setenv("COLUMNS", "40")
    block(open_console() if terminal else Lines(sys.stdout), text, indent=9)
    lines = capsys.readouterr().out.splitlines()
    assert lines[-1] == f"{' ' * 11}{line}"
    assert all(len(one) <= 40 for one in lines[:-1])


def test_nothing_is_filled_with_blanks(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    console = open_console()
    block(console, LONG, indent=9)
    table = Table()
    table.add_row("a", "b")
    console.print(Padding("padded", (0, 0, 0, 4)))
    console.print(table)
    printed = capsys.readouterr().out
    assert "padded\n" in printed
    assert not [line for line in printed.splitlines() if line.endswith(" ")]
