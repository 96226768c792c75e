"""Finding the institution profile of a run: named, in the session folder, or none.

With it comes the BagIt Profile of the institution, from the file beside it. Nothing here
reaches for a network.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from archiver import files
from archiver.errors import MisuseError
from archiver.findings import Finding, Where
from archiver.pipeline.kinds import Kind, look_at
from archiver.session.conform import nearest
from archiver.session.institution import INSTITUTION_FILE, Institution
from archiver.session.rules import FOLDER_STRAY
from archiver.telling import command_line

if TYPE_CHECKING:
    from archiver.package.bagprofile import BagProfile

__all__ = [
    "LARGEST_PROFILE_BYTES",
    "Profile",
    "bag_profile_of",
    "find_profile",
    "known_profiles",
    "profile_files",
    "profiles_directory",
    "without_its_files",
]

LARGEST_PROFILE_BYTES = 1 << 20
"""What an institution profile or a BagIt Profile may have at most."""

_ENDING = ".yaml"
_ENDINGS = (_ENDING, ".yml")


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
    if files.exists(named):
        if _may_be_profile(named):
            return _read(named, named.name)
        if files.exists(named / INSTITUTION_FILE):
            return _read(named / INSTITUTION_FILE, INSTITUTION_FILE)
    directory = profiles_directory(os.environ if environment is None else environment)
    if named.name == wanted:
        for place in (directory / f"{wanted}{_ENDING}", directory / wanted / INSTITUTION_FILE):
            if files.exists(place):
                return _read(place, place.name)
    raise _not_found(wanted, directory)


def _may_be_profile(path: Path) -> bool:
    """Say whether a file may be a profile, if perhaps a faulty one."""
    return path.suffix.lower() in _ENDINGS and look_at(path).kind in {
        Kind.INSTITUTION,
        Kind.FILE,
        Kind.IN_BAG,
        Kind.IN_SESSION,
    }


def _not_found(wanted: str, directory: Path) -> MisuseError:
    """Say what was named in place of a profile, and which there are."""
    known = known_profiles(directory)
    accepted = f"a file with the ending {_ENDING}, or a folder with {INSTITUTION_FILE} in it"
    if known:
        accepted += f", or one of the profiles kept in {directory}: {', '.join(known)}"
    near = nearest(wanted, known)
    made = f"Lay out an example: {command_line('institution', 'new', 'DIR')}"
    if files.exists(Path(wanted)):
        found = f"the folder {wanted} holds no {INSTITUTION_FILE}"
        if not files.status(files.resolved(Path(wanted))).is_directory:
            found = f"{wanted} is {look_at(Path(wanted)).kind}"
    else:
        found = f"there is no institution profile {wanted!r}, neither as a file nor by this name"
    return MisuseError(
        found,
        where="the institution profile",
        accepted=accepted,
        remedy=f"Did you mean {near}?" if near else made,
    )


def profile_files(institution: Institution) -> tuple[str, ...]:
    """Name the files that lie beside each other and make a profile, itself first."""
    named = (institution.bagit_profile, institution.bagit_profile_copy)
    return (INSTITUTION_FILE, *(name for name in named if name and "/" not in name))


def without_its_files(findings: Iterable[Finding], profile: Profile) -> tuple[Finding, ...]:
    """Leave out findings that a file of the profile is no part of the session."""
    if profile.file != INSTITUTION_FILE:
        return tuple(findings)
    own = profile_files(profile.institution)
    return tuple(
        one for one in findings if one.code != FOLDER_STRAY.code or one.where.file not in own
    )


def known_profiles(directory: Path) -> tuple[str, ...]:
    """Return the names of the profiles in a directory: ``NAME.yaml``, or a folder of the name.

    Parameters
    ----------
    directory : Path
        See :func:`profiles_directory`; it need not be there.
    """
    if not files.exists(directory):
        return ()
    names = {
        entry.name.removesuffix(_ENDING)
        for entry in files.entries(directory)
        if entry.name.endswith(_ENDING) and not entry.is_directory
    }
    names |= {
        entry.name
        for entry in files.entries(directory)
        if entry.is_directory and files.exists(directory / entry.name / INSTITUTION_FILE)
    }
    return tuple(sorted(names))


def _read(place: Path, name: str) -> Profile:
    # Only runs for an institution need it.
    from archiver.session.institution_reading import read_institution  # noqa: PLC0415

    content = files.read_bytes(place, limit=LARGEST_PROFILE_BYTES)
    institution, findings = read_institution(content, name)
    return Profile(
        institution=institution or Institution(),
        file=name,
        findings=findings,
        directory=place.parent,
    )


def bag_profile_of(profile: Profile) -> tuple[BagProfile | None, tuple[Finding, ...]]:
    """Read the BagIt Profile that an institution profile names.

    Returns
    -------
    bag_profile : BagProfile or None
        None if none is named, or it is not at hand.
    findings : tuple of Finding
        What is wrong with it, or why it was not read.

    Raises
    ------
    SurroundingsError
        The file cannot be read.
    """
    # Only runs for an institution need these.
    from archiver.package.profile_reading import read_bag_profile  # noqa: PLC0415
    from archiver.pipeline.fitness_rules import (  # noqa: PLC0415
        PROFILE_NOT_LOOKED_UP,
        PROFILE_NOT_THERE,
    )

    named = profile.institution.bagit_profile
    if not named or profile.directory is None:
        return None, ()
    where = Where(file=profile.file, field="bagit_profile")
    beside = named
    if named.startswith("https://"):
        beside = profile.institution.bagit_profile_copy
        if not beside:
            message = f"the BagIt Profile stands at {named}, and no copy is kept"
            return None, (PROFILE_NOT_LOOKED_UP.at(where, message),)
    place = profile.directory / beside
    if not files.exists(place):
        return None, (
            PROFILE_NOT_THERE.at(where, f"there is no file {beside}", accepted=str(place)),
        )
    return read_bag_profile(files.read_bytes(place, limit=LARGEST_PROFILE_BYTES), beside)
