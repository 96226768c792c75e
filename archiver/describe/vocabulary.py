"""One table of our terms and of the terms of each standard."""

from __future__ import annotations

from collections.abc import Mapping

EBUCORE_ROLES: Mapping[str, str] = {
    "machine operator": "machine operator",
    "performer": "performer",
    "recording engineer": "sound engineer",
    "announcer": "announcer",
    "photographer": "photographer",
    "curator": "curator",
    "observer": "observer",
}


def hash_name(algorithm: str) -> str:
    """Return."""
    return {"md5": "MD5", "sha1": "SHA-1", "sha256": "SHA-256", "sha512": "SHA-512"}[algorithm]
