"""Where each document lies in the bag, and how one file refers to another.

The documents are tag files under ``metadata/``, but for the RO-Crate, which lies in
the payload, whose root is the root of the crate (common practice).
"""

from __future__ import annotations

import enum
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
    "LIDO",
    "METS",
    "PREMIS",
    "DocumentKind",
    "kind_of",
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
LIDO = "metadata/lido"


class DocumentKind(enum.StrEnum):
    """A description, by its standard, as profiles and options name it."""

    PREMIS = "premis"
    METS = "mets"
    EBUCORE = "ebucore"
    LIDO = "lido"
    DUBLIN_CORE = "dublin-core"
    DATACITE = "datacite"
    RO_CRATE = "ro-crate"


_KINDS = {
    PREMIS: DocumentKind.PREMIS,
    METS: DocumentKind.METS,
    EBUCORE: DocumentKind.EBUCORE,
    DUBLIN_CORE: DocumentKind.DUBLIN_CORE,
    DATACITE: DocumentKind.DATACITE,
    CRATE: DocumentKind.RO_CRATE,
}


def kind_of(path: str) -> DocumentKind | None:
    """Return the kind of description that lies, or would lie, at a path of the bag."""
    if path == LIDO or path.startswith(f"{LIDO}/"):
        return DocumentKind.LIDO
    return _KINDS.get(path)


def lido_path(machine: str) -> str:
    """Return the path of the LIDO record of a machine, by its id."""
    return f"{LIDO}/{machine}.xml"


def reference(path: str, *, base: str) -> str:
    """Return a relative reference from one file of the bag to another (RFC 3986, 4.2)."""
    return path_reference(posixpath.relpath(path, posixpath.dirname(base) or "."))


def strongest(digests: Mapping[str, str]) -> tuple[DigestName, str] | None:
    """Return the longest digest whose algorithm is known, with its names."""
    known = [(DIGESTS[name], digest) for name, digest in digests.items() if name in DIGESTS]
    return max(known, key=lambda pair: pair[0].hex_digits) if known else None
