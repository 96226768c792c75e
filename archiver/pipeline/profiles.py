"""Finding the institution profile of a run: named, in the session folder, or none."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from archiver import files
from archiver.errors import MisuseError
from archiver.findings import Finding
from archiver.session.institution import INSTITUTION_FILE, Institution, read_institution

__all__ = ["Profile", "find_profile", "profiles_directory"]

_LARGEST_BYTES = 1 << 20
_ENDING = ".yaml"


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """The profile of a run, and what is wrong with it.

    ``file`` is its name, empty if there is none; files that it names lie in ``directory``.
    """

    institution: Institution = field(default_factory=Institution)
    file: str = ""
    findings: tuple[Finding, ...] = ()
    directory: Path | None = None


def profiles_directory(environment: Mapping[str, str], platform: str = sys.platform) -> Path:
    """Return where the user keeps profiles by name.

    Parameters
    ----------
    environment : mapping of str to str
        As :data:`os.environ`.
    platform : str
        As :data:`sys.platform`.

    Source: XDG Base Directory Specification for Linux; common practice elsewhere.
    """
    home = Path(environment.get("HOME") or environment.get("USERPROFILE") or ".")
    if platform == "win32":
        base = Path(environment.get("APPDATA") or home / "AppData" / "Roaming")
    elif platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        stated = Path(environment.get("XDG_CONFIG_HOME") or ".config")
        # The specification has relative paths ignored.
        base = stated if stated.is_absolute() else home / ".config"
    return base / "archiver" / "institutions"


def find_profile(
    folder: Path, wanted: str | None, environment: Mapping[str, str] | None = None
) -> Profile:
    """Read the profile of a run.

    Parameters
    ----------
    folder : Path
        The session folder; its ``institution.yaml`` counts where none is named.
    wanted : str, optional
        A file, or the name of a profile in the user's configuration.
    environment : mapping of str to str, optional
        That of the process by default.

    Raises
    ------
    MisuseError
        What was named is neither a file nor a profile that is there.
    SurroundingsError
        The profile cannot be read.
    """
    if wanted is None:
        place = folder / INSTITUTION_FILE
        return _read(place, INSTITUTION_FILE) if files.exists(place) else Profile()
    named = Path(wanted)
    if files.exists(named) and not files.status(files.resolved(named)).is_directory:
        return _read(named, named.name)
    directory = profiles_directory(os.environ if environment is None else environment)
    place = directory / f"{wanted}{_ENDING}"
    if named.name == wanted and files.exists(place):
        return _read(place, place.name)
    raise MisuseError(
        f"there is no institution profile {wanted!r}",
        where="--for",
        accepted=f"a file, or one of: {_known(directory)}",
        remedy=f"Profiles by name are kept as {directory / f'NAME{_ENDING}'}",
    )


def _known(directory: Path) -> str:
    if not files.exists(directory):
        return "no profiles are kept yet"
    names = [
        entry.name.removesuffix(_ENDING)
        for entry in files.entries(directory)
        if entry.name.endswith(_ENDING) and not entry.is_directory
    ]
    return ", ".join(names) or "no profiles are kept yet"


def _read(place: Path, name: str) -> Profile:
    content = files.read_bytes(place, limit=_LARGEST_BYTES)
    institution, findings = read_institution(content, name)
    return Profile(
        institution=institution or Institution(),
        file=name,
        findings=findings,
        directory=place.parent,
    )
