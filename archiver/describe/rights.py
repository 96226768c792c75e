"""Statements and licences known by their URI.

rightsstatements.org: the twelve statements of version 1.0, in the form for metadata
(``http``, ``vocab``, slash at the end). Creative Commons: the six licences and the two
public-domain tools, any version and port, kept as found. Labels from memory.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from archiver.describe import rules
from archiver.findings import Finding, Where
from archiver.session.records import Session

__all__ = ["KnownRights", "RightsKind", "check_rights_uri", "known_rights"]


class RightsKind(enum.StrEnum):
    """What a URI says about the sound."""

    LICENCE = "licence"
    COPYRIGHTED = "copyrighted"
    PUBLIC_DOMAIN = "publicdomain"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownRights:
    """A recognised URI: canonical form, label, what it says, and its SPDX id if it has one."""

    uri: str
    label: str
    kind: RightsKind
    spdx: str = ""


_STATEMENTS: Mapping[str, tuple[str, RightsKind]] = {
    "InC": ("In Copyright", RightsKind.COPYRIGHTED),
    "InC-OW-EU": ("In Copyright - EU Orphan Work", RightsKind.COPYRIGHTED),
    "InC-EDU": ("In Copyright - Educational Use Permitted", RightsKind.COPYRIGHTED),
    "InC-NC": ("In Copyright - Non-Commercial Use Permitted", RightsKind.COPYRIGHTED),
    "InC-RUU": (
        "In Copyright - Rights-holder(s) Unlocatable or Unidentifiable",
        RightsKind.COPYRIGHTED,
    ),
    "NoC-CR": ("No Copyright - Contractual Restrictions", RightsKind.PUBLIC_DOMAIN),
    "NoC-NC": ("No Copyright - Non-Commercial Use Only", RightsKind.PUBLIC_DOMAIN),
    "NoC-OKLR": ("No Copyright - Other Known Legal Restrictions", RightsKind.PUBLIC_DOMAIN),
    "NoC-US": ("No Copyright - United States", RightsKind.PUBLIC_DOMAIN),
    "CNE": ("Copyright Not Evaluated", RightsKind.UNKNOWN),
    "UND": ("Copyright Undetermined", RightsKind.UNKNOWN),
    "NKC": ("No Known Copyright", RightsKind.UNKNOWN),
}
_CODES = {code.lower(): code for code in _STATEMENTS}
_STATEMENT = re.compile(
    r"https?://(?:www\.)?rightsstatements\.org/(?:vocab|page|data)/(?P<code>[A-Za-z-]+)/1\.0/?"
    r"(?:\?.*)?",
    re.ASCII | re.IGNORECASE,
)
_LICENCE = re.compile(
    r"(?P<start>https?://)(?:www\.)?creativecommons\.org/"
    r"(?P<path>licenses/(?P<kind>by|by-sa|by-nd|by-nc|by-nc-sa|by-nc-nd)"
    r"/(?P<version>[1-9]\.\d)(?:/(?P<port>[a-z]{2,3}|igo|scotland))?"
    r"|publicdomain/(?P<tool>zero|mark)/1\.0)"
    r"(?P<end>/?(?:legalcode|deed)?(?:\.[a-z_-]+)?)",
    re.ASCII | re.IGNORECASE,
)
_TOOLS = {
    "zero": ("CC0 1.0 Universal", RightsKind.LICENCE, "CC0-1.0"),
    "mark": ("Public Domain Mark 1.0", RightsKind.PUBLIC_DOMAIN, ""),
}


def known_rights(uri: str | None) -> KnownRights | None:
    """Recognise a rights URI, in its canonical or another usual form.

    Parameters
    ----------
    uri : str or None

    Returns
    -------
    KnownRights or None
        None when it is neither a statement of rightsstatements.org nor a licence or
        tool of Creative Commons.
    """
    if uri is None:
        return None
    statement = _STATEMENT.fullmatch(uri)
    if statement is not None:
        code = _CODES.get(statement["code"].lower())
        if code is None:
            return None
        label, kind = _STATEMENTS[code]
        return KnownRights(
            uri=f"http://rightsstatements.org/vocab/{code}/1.0/", label=label, kind=kind
        )
    licence = _LICENCE.fullmatch(uri)
    return _creative_commons(licence) if licence is not None else None


def _creative_commons(found: re.Match[str]) -> KnownRights:
    path = found["path"].lower()
    if found["tool"]:
        label, kind, spdx = _TOOLS[found["tool"].lower()]
        return KnownRights(
            uri=f"https://creativecommons.org/{path}/", label=label, kind=kind, spdx=spdx
        )
    version, port = found["version"], found["port"]
    name = found["kind"].upper()
    label = f"CC {name} {version}" + (f" {port.upper()}" if port else "")
    spdx = f"CC-{name}-{version}" if version == "4.0" and not port else ""
    # Older licences were published under http, and are kept as found.
    start = "https://" if version == "4.0" else found["start"].lower()
    return KnownRights(
        uri=f"{start}creativecommons.org/{path}/", label=label, kind=RightsKind.LICENCE, spdx=spdx
    )


def check_rights_uri(session: Session) -> tuple[Finding, ...]:
    """Say whether the rights URIs of a session are those that receivers act on."""
    stated = [("session.rights.uri", session.rights.uri)]
    stated += [(f"{one.at}.uri", one.uri) for one in session.rights.layers]
    return tuple(
        finding
        for field, uri in stated
        if uri is not None
        for finding in _judged(uri, session.locate(field))
    )


def _judged(uri: str, where: Where) -> Iterator[Finding]:
    known = known_rights(uri)
    if known is None:
        yield rules.RIGHTS_UNKNOWN.at(
            where,
            f"{uri} is neither of rightsstatements.org nor of Creative Commons",
            accepted="such as http://rightsstatements.org/vocab/InC/1.0/ "
            "or https://creativecommons.org/licenses/by/4.0/",
        )
    elif known.uri != uri:
        yield rules.RIGHTS_FORM.at(
            where, f"{uri} is another form of {known.uri}", accepted=known.uri
        )
