"""What is printed for people: nothing lost that they must act on."""

from __future__ import annotations

import pytest
from rich.console import Console

from archiver.cli.printing import show_findings
from archiver.findings import Finding, Severity, Where

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
