"""BagIt Profiles for tests: one that asks for nothing, and ways to ask for more."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from archiver.findings import Finding
from archiver.package.bagprofile import BagProfile
from archiver.package.profile_check import check_against_profiles
from archiver.package.profile_reading import read_bag_profile
from archiver.package.reader import read_bag
from archiver.package.tree import survey
from tests.package.small_bags import write_bag

IDENTIFIER = "https://example.org/profile-1.0.json"
NAMED = f"BagIt-Profile-Identifier: {IDENTIFIER}\n"


def document(**keys: Any) -> dict[str, Any]:
    """A profile that asks for nothing but its own name, with keys added.

    Keys of the specification are no Python names: ``Allow-Fetch.txt`` is passed in a dict.
    """
    return {
        "BagIt-Profile-Info": {
            "BagIt-Profile-Identifier": IDENTIFIER,
            "BagIt-Profile-Version": "1.4.0",
            "Source-Organization": "Lillehavn Museum of Machines",
            "External-Description": "Anything",
            "Version": "1.0",
        },
        "Accept-BagIt-Version": ["1.0"],
    } | keys


def read(content: dict[str, Any] | bytes) -> tuple[BagProfile | None, list[str]]:
    """Read a profile; findings as code and field."""
    raw = content if isinstance(content, bytes) else json.dumps(content).encode()
    profile, findings = read_bag_profile(raw, "profile.json")
    return profile, [f"{finding.code} {finding.where.field}".strip() for finding in findings]


def profile_of(**keys: Any) -> BagProfile:
    """Read a profile that has nothing wrong with it."""
    profile, findings = read(document(**keys))
    assert findings == []
    assert profile is not None
    return profile


def bag_with(
    root: Path,
    payload: dict[str, bytes] | None = None,
    *,
    info: str = NAMED,
    extra: dict[str, bytes] | None = None,
    version: str = "1.0",
    algorithm: str = "sha256",
) -> Path:
    """A bag, written by plain means, that names the profile."""
    held = {"a.txt": b"a"} if payload is None else payload
    tags = {"bag-info.txt": info.encode()} | (extra or {})
    return write_bag(root, held, extra=tags, version=version, algorithm=algorithm)


def judged(bag: Path, *profiles: BagProfile, media_type: str | None = None) -> list[Finding]:
    """What profiles find wrong with a bag."""
    return list(check_against_profiles(profiles, read_bag(bag), survey(bag), media_type))


def codes(bag: Path, *profiles: BagProfile, media_type: str | None = None) -> list[str]:
    """Codes of what profiles find wrong with a bag."""
    return [finding.code for finding in judged(bag, *profiles, media_type=media_type)]
