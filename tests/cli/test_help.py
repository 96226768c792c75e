"""The overviews of commands on a terminal of 80 columns, the width that every terminal has."""

from __future__ import annotations

import pytest

from tests.cli.running import Runner


@pytest.mark.parametrize("group", ["", "ledger", "machine", "sheet", "institution"])
def test_every_command_is_described_by_a_whole_sentence(
    group: str, run: Runner, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    ran = run(*([group] if group else []), "--help")
    _, _, commands = ran.out.partition("Commands:\n")
    described = [line for line in commands.split("\n\n")[0].splitlines() if line.strip()]
    assert len(described) >= 2
    assert [line for line in described if not line.endswith(".") or line.endswith("..")] == []
    assert max(map(len, described)) <= 80
