"""Runs the command line in this process, as the installed script would."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from archiver.cli import main


@dataclass(frozen=True)
class Ran:
    status: int
    out: str
    err: str


class Runner:
    """Calls ``archiver`` with arguments and keeps what it printed."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._monkeypatch = monkeypatch
        self._capsys = capsys

    def __call__(self, *arguments: object) -> Ran:
        self._monkeypatch.setattr("sys.argv", ["archiver", *map(str, arguments)])
        with pytest.raises(SystemExit) as left:
            main()
        printed = self._capsys.readouterr()
        code = left.value.code
        return Ran(status=code if isinstance(code, int) else 0, out=printed.out, err=printed.err)
