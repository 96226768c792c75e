"""Paths as they were named, each with a name of its own.

``.`` and ``..`` have none, yet what lies beside a bag is named after it, and every line that is
proposed has to name it. So they are put into full here, for all commands, before any looks at them.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_type_hints

from archiver import files

if TYPE_CHECKING:
    import typer

__all__ = ["name_paths", "named"]


def named(path: Path) -> Path:
    """Return a path whose last part is the name of what it leads to; others are left alone."""
    return files.resolved(path) if path.name in {"", ".."} else path


def name_paths(app: typer.Typer) -> None:
    """Let every command of an app, and of the apps in it, be called with :func:`named` paths.

    Whether these can be opened is for the command to find out and to tell.
    """
    for command in app.registered_commands:
        if command.callback is not None:
            _open_nothing(command.callback)
            command.callback = _naming(command.callback)
    for group in app.registered_groups:
        if group.typer_instance is not None:
            name_paths(group.typer_instance)


def _open_nothing(command: Callable[..., Any]) -> None:
    """Leave it to a command to open what is named.

    The parser would call a file without permission a call that cannot be carried out, although the
    call is right and the machine stands in the way.
    """
    # Each reading of annotations that are text would make other objects.
    command.__annotations__ = get_type_hints(command, include_extras=True)
    for hint in command.__annotations__.values():
        for said in getattr(hint, "__metadata__", ()):
            if hasattr(said, "readable"):
                said.readable = False


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
