"""What is the same for the whole of a run: the program, its libraries, the time."""

from __future__ import annotations

import os
from datetime import UTC, datetime

from archiver import __version__
from archiver.errors import MisuseError

__all__ = ["LIBRARIES", "NAME", "PROGRAM", "library_versions", "moment"]

NAME = "archiver"
PROGRAM = f"{NAME} {__version__}"
LIBRARIES = ("av", "lxml", "mutagen", "numpy", "ruamel.yaml", "scipy", "soundfile", "soxr")
"""Libraries that touch sound or text here; the run record names their versions."""


def library_versions() -> dict[str, str]:
    """Return the version of each library that touches sound or text here."""
    from importlib import metadata  # noqa: PLC0415 - slow to load, and wanted at the very end

    return {name: metadata.version(name) for name in LIBRARIES}


def moment() -> datetime:
    """Return the time of the run, in UTC; ``SOURCE_DATE_EPOCH`` pins it.

    Source: reproducible-builds.org, specification of SOURCE_DATE_EPOCH.
    """
    pinned = os.environ.get("SOURCE_DATE_EPOCH", "")
    if not pinned:
        return datetime.now(UTC)
    if not pinned.isascii() or not pinned.isdecimal() or len(pinned) > 11:
        raise MisuseError(
            f"SOURCE_DATE_EPOCH is {pinned!r}",
            accepted="seconds since 1970-01-01, digits only",
            remedy="Correct or unset this environment variable",
        )
    return datetime.fromtimestamp(int(pinned), UTC)
