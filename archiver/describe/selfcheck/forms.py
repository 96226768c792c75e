"""Forms that the schemas leave open: dates, digests, references, media types, identifiers.

Sources: XML Schema part 2 (dateTime), W3C note on date and time formats (W3CDTF), RFC
3986 (references), RFC 6838 section 4.2 (media types), ISO 7064 MOD 11-2 (ORCID iD).
"""

from __future__ import annotations

import posixpath
import re
from datetime import datetime
from urllib.parse import unquote

from archiver.describe.vocabulary import DIGESTS
from archiver.errors import InputError
from archiver.session.edtf import parse_edtf
from archiver.session.identifiers import check_person_identifier

__all__ = [
    "digest_complaint",
    "is_date_time",
    "is_doi",
    "is_edtf",
    "is_media_type",
    "is_orcid",
    "is_plain_date",
    "is_w3cdtf",
    "is_w3cdtf_range",
    "named_file",
]

_ZONE = r"(?:Z|[+-](?:0\d|1[0-3]):[0-5]\d|[+-]14:00)"
_DATE_TIME = re.compile(rf"(\d{{4}}-\d\d-\d\dT\d\d:\d\d:\d\d)(?:\.\d+)?{_ZONE}?", re.ASCII)
_PLAIN = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?", re.ASCII)
_MINUTES = re.compile(rf"(\d{{4}}-\d\d-\d\dT\d\d:\d\d)(:\d\d(?:\.\d+)?)?{_ZONE}", re.ASCII)
_MEDIA_TYPE = re.compile(
    r"[A-Za-z0-9][A-Za-z0-9!#$&^_.+-]{0,126}/[A-Za-z0-9][A-Za-z0-9!#$&^_.+-]{0,126}", re.ASCII
)
_DOI = re.compile(r"10\.\d{4,9}/\S+", re.ASCII)
_HEX = re.compile(r"[0-9a-f]*", re.ASCII)
_REFERENCE = re.compile(r"(?:[A-Za-z0-9._~!$&'()*+,;=@/-]|%[0-9A-Fa-f]{2})+", re.ASCII)


def is_date_time(text: str) -> bool:
    """Say whether a text is an ``xs:dateTime`` of four-digit years that exists."""
    match = _DATE_TIME.fullmatch(text)
    return match is not None and _exists(match[1])


def is_plain_date(text: str) -> bool:
    """Say whether a text is a year, a month or a day of ISO 8601 that exists."""
    match = _PLAIN.fullmatch(text)
    return match is not None and _exists(f"{match[1]}-{match[2] or '01'}-{match[3] or '01'}")


def is_w3cdtf(text: str) -> bool:
    """Say whether a text is a date of W3CDTF: a plain date, or a time to the minute with zone."""
    if is_plain_date(text):
        return True
    match = _MINUTES.fullmatch(text)
    return match is not None and _exists(match[1] + (match[2] or ":00")[:3])


def is_w3cdtf_range(text: str) -> bool:
    """Say whether a text is a W3CDTF date, or two of them around a slash, in order."""
    start, slash, end = text.partition("/")
    if not slash:
        return is_w3cdtf(text)
    return is_w3cdtf(start) and is_w3cdtf(end) and start <= end


def is_edtf(text: str) -> bool:
    """Say whether a text is a date of EDTF."""
    try:
        parse_edtf(text)
    except InputError:
        return False
    return True


def is_media_type(text: str) -> bool:
    """Say whether a text is a type and a subtype."""
    return _MEDIA_TYPE.fullmatch(text) is not None


def is_doi(text: str) -> bool:
    """Say whether a text is a DOI, without the address of a resolver."""
    return _DOI.fullmatch(text) is not None


def is_orcid(text: str) -> bool:
    """Say whether a text is the full address of an ORCID iD whose check character fits."""
    try:
        return check_person_identifier(text) == text
    except InputError:
        return False


def digest_complaint(algorithm: str, digest: str) -> str:
    """Say what is wrong with a digest of an algorithm of :data:`DIGESTS`; empty if nothing."""
    digits = DIGESTS[algorithm].hex_digits
    if not _HEX.fullmatch(digest):
        return f"{digest!r} has characters other than 0 to 9 and a to f"
    if len(digest) != digits:
        return (
            f"a digest of {len(digest)} digits stands for {DIGESTS[algorithm].name}, not {digits}"
        )
    return ""


def named_file(reference: str, *, base: str) -> str | None:
    """Return the path in the bag that a relative reference names; None if it is none.

    Parameters
    ----------
    reference : str
        As it stands in the document.
    base : str
        Path of the document.
    """
    if not _REFERENCE.fullmatch(reference) or reference.startswith("/"):
        return None
    path = posixpath.normpath(posixpath.join(posixpath.dirname(base), unquote(reference)))
    return None if path.startswith("../") else path


def _exists(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        # The year 0 is one of ISO 8601, and not of the standard library.
        return text.startswith("0000") and _exists(f"0004{text[4:]}")
    return True
