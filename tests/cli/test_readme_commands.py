"""Every command line of the README exists, with every option that it shows."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.main import get_command

from archiver.cli.app import app

README = Path(__file__).resolve().parents[2] / "README.md"
_FENCE = re.compile(r"```\w*\n(.*?)```", re.DOTALL)


def command_lines() -> list[str]:
    """Lines of code that begin with the program, those that go on joined, without comments."""
    text = README.read_text(encoding="utf-8")
    return [
        line.partition("  #")[0].partition(" > ")[0].strip()
        for block in _FENCE.findall(text)
        for line in block.replace("\\\n", " ").splitlines()
        if re.match(r"archiver [a-z]", line)
    ]


def test_the_readme_shows_the_commands_of_a_deposit() -> None:
    shown = {line.split()[1] for line in command_lines()}
    assert {"deposit", "deposits", "receipt", "receive"} <= shown
    assert len(command_lines()) > 30


@pytest.mark.parametrize("line", command_lines())
def test_a_command_of_the_readme_has_the_options_that_it_is_shown_with(line: str) -> None:
    words = shlex.split(line)[1:]
    command = get_command(app)
    while words and (inner := getattr(command, "commands", {}).get(words[0])) is not None:
        command = inner
        words = words[1:]
    assert not getattr(command, "commands", {}), f"{line}: {words[:1]} is no command"
    known = {name for one in command.params for name in one.opts}
    shown = {word.partition("=")[0] for word in words if word.startswith("--")}
    assert shown <= known, line
