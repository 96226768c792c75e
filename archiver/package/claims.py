"""The names in a bag that is being made: each travels well, and none is taken twice.

Source: RFC 8493 section 6.1; stricter rules are the house's own.
"""

from __future__ import annotations

import threading

from archiver.errors import InputError, MisuseError
from archiver.package.names import danger, folded, obstacles, shown

__all__ = ["Claims", "require_bag_name"]


class Claims:
    """Paths that are taken. Methods may be called from several threads.

    Parameters
    ----------
    where : str
        The bag, for errors.
    """

    def __init__(self, where: str) -> None:
        self._where = where
        self._mutex = threading.Lock()
        self._claimed: dict[str, str] = {}

    def claim(self, path: str) -> None:
        """Take a path.

        Raises
        ------
        InputError
            Some system would refuse or change the path, or takes it for one that is taken.
        """
        reasons = [danger(path)] if danger(path) else list(obstacles(path))
        if any(part in {"", "."} for part in path.split("/")):
            reasons.append("it has an empty component")
        if reasons:
            raise InputError(
                f"{shown(path)!r} cannot be a path in a bag: {'; '.join(reasons)}",
                where=self._where,
                remedy="Give the file another name",
            )
        with self._mutex:
            before = self._claimed.setdefault(folded(path), path)
        if before is not path:
            raise InputError(
                f"{shown(path)!r} and {shown(before)!r} are one name on some systems",
                where=self._where,
                remedy="Give one of the files another name",
            )


def require_bag_name(name: str) -> None:
    """Refuse a name that the directory of a bag cannot have everywhere.

    Raises
    ------
    MisuseError
        The reasons are told.
    """
    reasons = [danger(name)] if danger(name) else list(obstacles(name))
    if "/" in name or name.startswith("."):
        reasons.append("a slash or a leading full stop cannot be in it")
    if reasons:
        raise MisuseError(
            f"{shown(name)!r} cannot be the name of a bag: {'; '.join(reasons)}",
            accepted="letters, digits, hyphens",
        )
