"""Fetching the BagIt Profile of an institution, when that is asked for, and keeping a copy."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import urlsplit

from archiver import files
from archiver.custody.fetching import FetchLimits, FetchRefusedError, fetch_small
from archiver.errors import InputError, MisuseError
from archiver.findings import Finding, Where, stops_deposit
from archiver.package.bagprofile import BagProfile
from archiver.package.names import safe_name
from archiver.package.profile_reading import read_bag_profile
from archiver.pipeline.fitness_rules import IDENTIFIER_DIFFERS
from archiver.pipeline.profiles import LARGEST_PROFILE_BYTES, Profile

__all__ = ["FetchedProfile", "fetch_bag_profile"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FetchedProfile:
    """What fetching came to.

    Parameters
    ----------
    url : str
    copy : Path, optional
        The copy beside the institution profile; None where what came is no profile.
    known : bool
        Whether the institution profile names this copy already.
    before : {"", "same", "other"}
        How a copy that was there compares with what came.
    bag_profile : BagProfile, optional
    findings : tuple of Finding
    """

    url: str
    copy: Path | None
    known: bool
    before: str
    bag_profile: BagProfile | None
    findings: tuple[Finding, ...]

    def sentence(self) -> str:
        """Say what happened and what is to be done."""
        if self.copy is None:
            return "What came from the address cannot be used, and nothing was written."
        if self.before == "same":
            text = "The copy is still what stands at the address."
        elif self.before == "other":
            text = "The copy was replaced by what stands at the address now: read what it asks for."
        else:
            text = "A copy of what stands at the address is kept."
        if not self.known:
            text += f" Write `bagit_profile_copy: {self.copy.name}` into the institution profile."
        return text

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines, as ``fetched-report.schema.json`` describes them."""
        return {
            "schema": "fetched-report 1",
            "url": self.url,
            "copy": None if self.copy is None else str(self.copy),
            "named_in_profile": self.known,
            "copy_before": self.before or None,
            "identifier": None if self.bag_profile is None else self.bag_profile.identifier,
            "findings": [finding.as_json() for finding in self.findings],
        }


def fetch_bag_profile(profile: Profile, *, trust: ssl.SSLContext | None = None) -> FetchedProfile:
    """Fetch the BagIt Profile that an institution profile names by address.

    Parameters
    ----------
    profile : Profile
    trust : ssl.SSLContext, optional
        Whose certificates count; those of this machine by default.

    Raises
    ------
    MisuseError
        No address is named, or the name for the copy is taken by another file.
    InputError
        The host refuses, or sends too much.
    SurroundingsError
        The host cannot be reached, or the copy cannot be written.
    """
    url = profile.institution.bagit_profile
    if not url.startswith("https://") or profile.directory is None:
        raise MisuseError(
            f"the BagIt Profile is the file {url}" if url else "names no BagIt Profile",
            where=profile.file,
            accepted="bagit_profile: an https address",
            remedy="Nothing to fetch",
        )
    try:
        parts = urlsplit(url)
        host = f"{parts.hostname}:{parts.port or 443}"
    except ValueError as error:
        raise InputError(
            f"bagit_profile is no URL ({error})",
            where=profile.file,
            accepted="an https address, such as https://archive.example/profile.json",
            remedy="Correct bagit_profile",
        ) from error
    limits = FetchLimits(
        hosts=(host,),
        most_bytes=LARGEST_PROFILE_BYTES,
        trust=trust,
    )
    try:
        content = fetch_small(url, limits=limits)
    except FetchRefusedError as error:
        raise InputError(
            error.found,
            where=error.where,
            accepted=error.accepted,
            remedy="Look at the address in a browser, and correct bagit_profile",
        ) from error
    named = profile.institution.bagit_profile_copy
    name = named or _name_for(parts.path)
    bag_profile, found = read_bag_profile(content, name)
    findings = [*found]
    if bag_profile is None or stops_deposit(found):
        return FetchedProfile(
            url=url,
            copy=None,
            known=bool(named),
            before="",
            bag_profile=bag_profile,
            findings=tuple(findings),
        )
    if bag_profile.identifier != url:
        findings.append(
            IDENTIFIER_DIFFERS.at(
                Where(file=name, field="BagIt-Profile-Info.BagIt-Profile-Identifier"),
                f"the profile calls itself {bag_profile.identifier}, and stands at {url}",
            )
        )
    place = profile.directory / name
    before = ""
    if files.exists(place):
        held = files.read_bytes(place, limit=LARGEST_PROFILE_BYTES)
        before = "same" if held == content else "other"
    if before == "other" and not named:
        raise MisuseError(
            "there is another file of this name",
            where=str(place),
            accepted="a name that is free",
            remedy="Name the copy in the institution profile, as bagit_profile_copy",
        )
    if before != "same":
        files.write_whole(place, content)
    return FetchedProfile(
        url=url,
        copy=place,
        known=bool(named),
        before=before,
        bag_profile=bag_profile,
        findings=tuple(findings),
    )


def _name_for(path: str) -> str:
    stem = safe_name(PurePosixPath(path).name).removesuffix(".json")
    return f"{stem or 'bagit-profile'}.json"
