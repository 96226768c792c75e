"""A BagIt Profile: what an institution asks of a bag, in a form that programs share.

Reading is in :mod:`archiver.package.profile_reading`, checking of a bag in
:mod:`archiver.package.profile_check`.

Source: BagIt Profiles specification 1.4.0 (2023-01-13). Clauses have no numbers there; keys
are named instead.
"""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Iterable
from dataclasses import dataclass

__all__ = [
    "FIRST_EDITION",
    "IDENTIFIER",
    "BagProfile",
    "InfoRule",
    "Serialisation",
    "algorithm_name",
    "matches",
]

IDENTIFIER = "BagIt-Profile-Identifier"
"""Label by which ``bag-info.txt`` names a profile."""

FIRST_EDITION = "1.1.0"
"""Of a profile that names no edition of the specification, by the specification."""

Serialisation = str
"""``forbidden``, ``required`` or ``optional``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InfoRule:
    """What a profile says of one element of ``bag-info.txt``.

    Parameters
    ----------
    label : str
        As the profile writes it; upper and lower case are one when bags are checked.
    required, repeatable : bool
    recommended : bool
        Not in the table of keys of the specification, but met in profiles (common practice).
    values : tuple of str
        What is taken; empty for anything.
    description : str
        The institution's words.
    """

    label: str
    required: bool = False
    recommended: bool = False
    values: tuple[str, ...] = ()
    repeatable: bool = True
    description: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BagProfile:
    """A profile as it was read; None stands for a list that was left out and allows all.

    Parameters
    ----------
    identifier : str
        URI, the same as in the bags; empty if the profile lacks it.
    organisation, description, version : str
        Who publishes the profile, what it is for, and which version of it this is.
    edition : str
        Version of the specification; 1.1.0 where the profile does not say.
    contact_name, contact_phone, contact_email : str
        Empty where they were left out.
    info : tuple of InfoRule
        In the order of the profile.
    manifests_required, tag_manifests_required : tuple of str
        Algorithms as in the names of manifests.
    manifests_allowed, tag_manifests_allowed : tuple of str, optional
    allow_fetch, fetch_required, data_empty : bool
    serialisation : {"forbidden", "required", "optional"}
    accept_serialisation : tuple of str
        Media types.
    accept_versions : tuple of str
        Versions of BagIt, such as ``1.0``.
    tag_files_required, payload_files_required : tuple of str
        Paths in the bag; a directory of the payload ends in ``/``.
    tag_files_allowed, payload_files_allowed : tuple of str, optional
        Paths or patterns, see :func:`matches`.
    """

    identifier: str = ""
    organisation: str = ""
    description: str = ""
    version: str = ""
    edition: str = FIRST_EDITION
    contact_name: str = ""
    contact_phone: str = ""
    contact_email: str = ""
    info: tuple[InfoRule, ...] = ()
    manifests_required: tuple[str, ...] = ()
    manifests_allowed: tuple[str, ...] | None = None
    allow_fetch: bool = True
    fetch_required: bool = False
    data_empty: bool = False
    serialisation: Serialisation = "optional"
    accept_serialisation: tuple[str, ...] = ()
    accept_versions: tuple[str, ...] = ()
    tag_manifests_required: tuple[str, ...] = ()
    tag_manifests_allowed: tuple[str, ...] | None = None
    tag_files_required: tuple[str, ...] = ()
    tag_files_allowed: tuple[str, ...] | None = None
    payload_files_required: tuple[str, ...] = ()
    payload_files_allowed: tuple[str, ...] | None = None

    def rule_for(self, label: str) -> InfoRule | None:
        """Return what the profile says of an element; upper and lower case are one."""
        wanted = label.casefold()
        return next((rule for rule in self.info if rule.label.casefold() == wanted), None)


def matches(path: str, patterns: Iterable[str]) -> bool:
    """Say whether a path is one of those that patterns allow.

    ``*`` stands for any run of characters, over ``/`` too; ``?`` and ``[...]`` are as in
    glob(7). A name that holds such characters itself matches when it is written out.

    Source: keys Tag-Files-Allowed and Payload-Files-Allowed; whether ``*`` goes over ``/`` is
    not said there, and the house reads "zero or more characters" as yes.
    """
    return any(path == pattern or fnmatch.fnmatchcase(path, pattern) for pattern in patterns)


def algorithm_name(text: str) -> str:
    """Bring the name of an algorithm to the form that it has in the name of a manifest.

    Source: RFC 8493 section 2.4.
    """
    return re.sub(r"[^a-z0-9]", "", text.lower())
