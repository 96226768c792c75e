"""Institution profiles for tests, written into a folder as a person would keep them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from archiver.pipeline.profiles import Profile, find_profile

IDENTIFIER = "https://egeskov.example/p.json"
NAME = "Egeskov"


def write_profile(folder: Path, text: str = "", bagit: Mapping[str, Any] | None = None) -> Path:
    """Write an institution profile with these lines, and a BagIt Profile beside it."""
    folder.mkdir(parents=True, exist_ok=True)
    head = f"schema: institution 1\nname: {NAME}\n"
    if bagit is not None:
        head += "bagit_profile: p.json\n"
        document = {
            "BagIt-Profile-Info": {
                "BagIt-Profile-Identifier": IDENTIFIER,
                "BagIt-Profile-Version": "1.4.0",
                "Source-Organization": NAME,
                "External-Description": "Sound",
                "Version": "1.0",
            },
            "Accept-BagIt-Version": ["1.0"],
            **bagit,
        }
        (folder / "p.json").write_text(json.dumps(document), encoding="utf-8")
    place = folder / "institution.yaml"
    place.write_text(head + text, encoding="utf-8")
    return place


def profile(folder: Path, text: str = "", bagit: Mapping[str, Any] | None = None) -> Profile:
    """Write and find an institution profile that has nothing wrong with it."""
    found = find_profile(folder, str(write_profile(folder, text, bagit)))
    assert found.findings == ()
    return found
