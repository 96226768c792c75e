"""Where each document lies in the bag, and how one file refers to another.

The documents are tag files under ``metadata/``, but for the RO-Crate, which lies in
the payload, whose root is the root of the crate (common practice).
"""

from __future__ import annotations

import posixpath
from collections.abc import Mapping

from archiver.describe.vocabulary import DIGESTS, DigestName
from archiver.describe.xmltext import path_reference

__all__ = [
    "CRATE",
    "CRATE_ROOT",
    "DATACITE",
    "DUBLIN_CORE",
    "EBUCORE",
    "METS",
    "PREMIS",
    "lido_path",
    "reference",
    "strongest",
]

PREMIS = "metadata/premis.xml"
METS = "metadata/mets.xml"
EBUCORE = "metadata/ebucore.xml"
DUBLIN_CORE = "metadata/dublin-core.xml"
DATACITE = "metadata/datacite.json"
CRATE_ROOT = "data/"
CRATE = CRATE_ROOT + "ro-crate-metadata.json"


def lido_path(machine: str) -> str:
    """Return the path of the LIDO record of a machine, by its id."""
    return f"metadata/lido/{machine}.xml"


def reference(path: str, *, base: str) -> str:
    """Return a relative reference from one file of the bag to another (RFC 3986, 4.2)."""
    return path_reference(posixpath.relpath(path, posixpath.dirname(base) or "."))


def strongest(digests: Mapping[str, str]) -> tuple[DigestName, str] | None:
    """Return the longest digest whose algorithm is known, with its names."""
    known = [(DIGESTS[name], digest) for name, digest in digests.items() if name in DIGESTS]
    return max(known, key=lambda pair: pair[0].hex_digits) if known else None
