"""Paths as they were named, each with a name of its own.

``.`` and ``..`` have none, yet what lies beside a bag is named after it, and every line that is
proposed has to name it. So they are put into full here, for all commands, before any looks at them.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver import files

if TYPE_CHECKING:
    import typer

__all__ = ["name_paths", "named"]


def named(path: Path) -> Path:
    """Return a path whose last part is the name of what it leads to; others are left alone."""
    return files.resolved(path) if path.name in {"", ".."} else path


def name_paths(app: typer.Typer) -> None:
    """Let every command of an app, and of the apps in it, be called with :func:`named` paths."""
    for command in app.registered_commands:
        if command.callback is not None:
            command.callback = _naming(command.callback)
    for group in app.registered_groups:
        if group.typer_instance is not None:
            name_paths(group.typer_instance)


def _naming(command: Callable[..., Any]) -> Callable[..., Any]:
    @functools.wraps(command)
    def called(**given: Any) -> Any:
        return command(**{option: _named(value) for option, value in given.items()})

    return called


def _named(value: Any) -> Any:
    if isinstance(value, Path):
        return named(value)
    if isinstance(value, list):
        return [_named(one) for one in value]
    return value
