"""Versions of a bag: the first has the plain name, the others a mark behind it (house rule)."""

from __future__ import annotations

import re
from pathlib import Path

from archiver import files

__all__ = ["next_version", "unversioned_name", "versioned_name"]

_VERSION_MARK = re.compile(r"-v(\d{1,9})$", re.ASCII)


def versioned_name(name: str, version: int) -> str:
    """Name the directory of a version; the first has the plain name."""
    return name if version == 1 else f"{name}-v{version}"


def next_version(destination: Path, name: str) -> int:
    """Find the lowest version above all that stand in a directory; 1 if there is none."""
    if not files.exists(destination):
        return 1
    taken = {1 if e.name == name else _version_of(e.name, name) for e in files.entries(destination)}
    return max(taken, default=0) + 1


def _version_of(candidate: str, name: str) -> int:
    found = _VERSION_MARK.search(candidate)
    if found is None or candidate[: found.start()] != name:
        return 0
    return int(found[1])


def unversioned_name(name: str) -> str:
    """Take the mark of a version off a name."""
    return _VERSION_MARK.sub("", name)
