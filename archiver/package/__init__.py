"""The bag: names, manifests, tag files, writing and validating (RFC 8493, BagIt 1.0)."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

from archiver.package.names import name_finding, safe_name, safe_names
from archiver.package.reader import Bag, read_bag
from archiver.package.tagfiles import BagInfo, InfoElement
from archiver.package.validate import BagReport, CheckedFile, Outcome, Verdict, validate

if TYPE_CHECKING:
    from archiver.package.builder import ALGORITHMS, BagBuilder, StoredFile
    from archiver.package.readme import README_NAME, MasterFacts, ReadmeFacts, readme_text
    from archiver.package.sources import unchanged
    from archiver.package.space import bytes_needed, require_space
    from archiver.package.versions import next_version, versioned_name

__all__ = [
    "ALGORITHMS",
    "README_NAME",
    "Bag",
    "BagBuilder",
    "BagInfo",
    "BagReport",
    "CheckedFile",
    "InfoElement",
    "MasterFacts",
    "Outcome",
    "ReadmeFacts",
    "StoredFile",
    "Verdict",
    "bytes_needed",
    "name_finding",
    "next_version",
    "read_bag",
    "readme_text",
    "require_space",
    "safe_name",
    "safe_names",
    "unchanged",
    "validate",
    "versioned_name",
]

_MODULES = {
    "builder": ("ALGORITHMS", "BagBuilder", "StoredFile"),
    "readme": ("README_NAME", "MasterFacts", "ReadmeFacts", "readme_text"),
    "sources": ("unchanged",),
    "space": ("bytes_needed", "require_space"),
    "versions": ("next_version", "versioned_name"),
}


def __getattr__(name: str) -> object:
    # Loaded when they are asked for: a verification needs none of them, and begins sooner.
    for module, names in _MODULES.items():
        if name in names:
            return getattr(importlib.import_module(f"{__name__}.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
