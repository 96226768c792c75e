"""The record in a bag of the institution that it was made for, and of how it was judged."""

from __future__ import annotations

from typing import Any

from archiver import files
from archiver.describe.withholding import Secrets
from archiver.pipeline.fitness import Fitness
from archiver.pipeline.profiles import Profile

__all__ = ["judged_by"]


def judged_by(profile: Profile, fitness: Fitness, secrets: Secrets) -> dict[str, Any]:
    """Say by which profiles a bag was judged before it was sealed, and what was found.

    Parameters
    ----------
    profile : Profile
        As found by :func:`~archiver.pipeline.profiles.find_profile`; it has a file.
    fitness : Fitness
        What the institution would say of the bag.
    secrets : Secrets
        What must not stand in a text of the bag.

    Returns
    -------
    dict
        For ``metadata/findings.json``; the same for the same profiles and the same bag.

    Raises
    ------
    SurroundingsError
        A profile cannot be read.
    """
    institution = profile.institution
    named = institution.bagit_profile_copy or institution.bagit_profile
    known = fitness.bag_profile
    return {
        "institution": institution.name,
        "profile": profile.file,
        "profile_sha256": _sha256(profile, profile.file),
        "bagit_profile": None if known is None else known.identifier or None,
        "bagit_profile_sha256": None if known is None else _sha256(profile, named),
        "fits": fitness.fits,
        "findings": [
            secrets.removed(lack.finding).as_json() | ({"asks": lack.asks} if lack.asks else {})
            for lack in fitness.lacks
        ],
    }


def _sha256(profile: Profile, name: str) -> str | None:
    if profile.directory is None:
        return None
    return files.digests_of(profile.directory / name, ["sha256"])[1]["sha256"]
