"""``verify`` as scripts call it: at once, and in the same words as through the parser."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import pytest

from archiver.cli import main
from archiver.cli.printing import Lines, block
from archiver.cli.verifying import without_parser
from tests.cli.running import Runner
from tests.custody.stores import small_bag


@pytest.mark.parametrize(
    "flags", [(), ("--json",), ("--quick",), ("--sound", "--json"), ("--quick", "--sound")]
)
@pytest.mark.parametrize("damaged", [False, True])
def test_short_way_says_what_the_parser_says(
    run: Runner, tmp_path: Path, flags: tuple[str, ...], *, damaged: bool
) -> None:
    bag = small_bag(tmp_path / "bag")
    if damaged:
        victim = next(path for path in sorted((bag / "data").rglob("*")) if path.is_file())
        victim.write_bytes(victim.read_bytes() + b"x")
    bags = (bag, tmp_path / "nowhere")
    # Two hyphens end the options, which only the parser knows.
    assert run("verify", *flags, *bags) == run("verify", *flags, "--", *bags)


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["verify"],
        ["verify", "--json"],
        ["verify", "bag", "--help"],
        ["verify", "bag", "--signers", "list"],
        ["verify", "bag", "--json=1"],
        ["verify", "bag", ""],
        ["verify", "bag", "-"],
        ["audit", "bag"],
    ],
)
def test_every_other_call_goes_to_the_parser(arguments: list[str]) -> None:
    assert without_parser(arguments) is None


def test_verifying_an_intact_bag_loads_only_what_it_needs(tmp_path: Path) -> None:
    bag = small_bag(tmp_path / "bag")
    script = (
        "import sys\n"
        "from archiver.cli import main\n"
        "try:\n    main()\n"
        "except SystemExit as left:\n    assert not left.code, left.code\n"
        "heavy = {'typer', 'pydantic', 'rich', 'cryptography', 'numpy', 'logging', 'sqlite3',\n"
        "    'concurrent.futures', 'subprocess', 'archiver.package.builder'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)\n"
    )
    ran = subprocess.run(
        [sys.executable, "-c", script, "verify", str(bag)],
        capture_output=True,
        text=True,
        check=True,
        encoding="utf-8",
    )
    assert ": intact" in ran.stdout
    assert ran.stderr.strip() == "[]"


class Terminal(io.StringIO):
    """A terminal that does not tell how wide it is."""

    def isatty(self) -> bool:
        return True

    def fileno(self) -> int:
        raise OSError("none")


def test_errors_on_a_terminal_break_between_words(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    stream = Terminal()
    monkeypatch.setattr("sys.stderr", stream)
    monkeypatch.setattr("sys.argv", ["archiver", "check", str(tmp_path / ("x" * 90))])
    with pytest.raises(SystemExit):
        main()
    lines = stream.getvalue().splitlines()
    assert len(lines) > 2
    assert max(len(line) for line in lines if "xxx" not in line) <= 80
    assert any(line.startswith(str(tmp_path / ("x" * 90))) for line in lines)


def test_redirected_paragraphs_break_between_words_and_keep_each_whole(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    stream = io.StringIO()
    path = "data/" + "x" * 60 + "/a-b.wav"
    block(Lines(stream), f"{path}: the file is not there;\nno copy of it is known", indent=9)
    lines = stream.getvalue().splitlines()
    assert f"{' ' * 9}{path}:" in lines
    assert all(line.startswith(" " * 9) and line == line.rstrip() for line in lines)
    assert max(len(line) for line in lines if "x" * 60 not in line) <= 40
    assert " ".join(" ".join(lines).split()).endswith("not there; no copy of it is known")
