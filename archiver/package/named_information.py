"""Naming a file by its digest: ``ni`` URIs.

Source: RFC 6920 sections 2 (truncation is not used here), 3 (the URI) and 9.4 (algorithms).
"""

from __future__ import annotations

import base64
import binascii
import re
from dataclasses import dataclass

__all__ = ["ALGORITHMS", "NamedInformation", "is_ni", "ni_of", "parse_ni"]

ALGORITHMS = {"sha256": "sha-256", "sha384": "sha-384", "sha512": "sha-512"}
"""Names in the IANA Named Information Hash Algorithm Registry, by those of manifests.

SHA-256 is of RFC 6920 itself; SHA-384 and SHA-512 were registered later (from memory). MD5 is
not there.
"""

_OF_MANIFESTS = {registered: name for name, registered in ALGORITHMS.items()}
_BYTES = {"sha256": 32, "sha384": 48, "sha512": 64}
# RFC 6920 section 3: authority as in RFC 3986 or empty, then "/", algorithm, ";", value.
_NI = re.compile(
    r"ni://(?P<authority>[A-Za-z0-9._~:\[\]@!$&'()*+,;=%-]*)/"
    r"(?P<algorithm>[A-Za-z0-9.-]+);(?P<value>[A-Za-z0-9_-]+)(?:\?[^\s#]*)?",
    re.ASCII | re.IGNORECASE,
)
_AUTHORITY = re.compile(r"[A-Za-z0-9._~:\[\]@!$&'()*+,;=%-]*", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedInformation:
    """What an ``ni`` URI says.

    Parameters
    ----------
    algorithm : str
        As manifests name it, such as ``sha256``.
    digest : str
        Lower-case hexadecimal.
    authority : str
        Who may know where the content is; empty for nobody in particular.
    """

    algorithm: str
    digest: str
    authority: str = ""


def is_ni(url: str) -> bool:
    """Say whether a URL is meant as an ``ni`` URI, well formed or not."""
    return url[:3].lower() == "ni:"


def ni_of(algorithm: str, digest: str, authority: str = "") -> str:
    """Write the ``ni`` URI of a digest.

    Parameters
    ----------
    algorithm : str
        As manifests name it: one of :data:`ALGORITHMS`.
    digest : str
        Hexadecimal, of full length.
    authority : str
        Host that may know where the content is; may be empty.

    Raises
    ------
    ValueError
        The algorithm is not registered, or the digest or the authority cannot be one.

    Source: RFC 6920 section 3; base64url without padding is RFC 4648 section 5.
    """
    if algorithm not in ALGORITHMS:
        raise ValueError(f"{algorithm!r} has no name in the registry of RFC 6920")
    value = bytes.fromhex(digest)
    if len(value) != _BYTES[algorithm]:
        raise ValueError(f"{digest!r} is no digest of {algorithm}")
    if not _AUTHORITY.fullmatch(authority):
        raise ValueError(f"{authority!r} cannot be an authority")
    text = base64.urlsafe_b64encode(value).rstrip(b"=").decode("ascii")
    return f"ni://{authority}/{ALGORITHMS[algorithm]};{text}"


def parse_ni(uri: str) -> NamedInformation | None:
    """Read an ``ni`` URI; None if it is none, or of an algorithm or length not known here.

    Query parameters such as ``?ct=`` are passed over. Truncated digests are refused: they
    prove too little.

    Source: RFC 6920 sections 2 and 3.
    """
    found = _NI.fullmatch(uri)
    if found is None:
        return None
    algorithm = _OF_MANIFESTS.get(found["algorithm"].lower())
    if algorithm is None:
        return None
    text = found["value"]
    try:
        value = base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    except (binascii.Error, ValueError):
        return None
    # Bits behind the last whole byte must be zero, or two texts would name one digest.
    if base64.urlsafe_b64encode(value).rstrip(b"=").decode("ascii") != text:
        return None
    if len(value) != _BYTES[algorithm]:
        return None
    return NamedInformation(
        algorithm=algorithm, digest=value.hex(), authority=found["authority"].lower()
    )
