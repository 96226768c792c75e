"""A BagIt Profile: what an institution asks of a bag, in a form that programs share.

Reading takes nothing on trust: what is wrong with a profile is a finding, and what can be
used of it still serves. Checking is in :mod:`archiver.package.profile_check`.

Source: BagIt Profiles specification 1.4.0 (2023-01-13). Clauses have no numbers there; keys
are named instead.
"""

from __future__ import annotations

import difflib
import fnmatch
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from archiver.findings import Finding, Rule, Where
from archiver.package.names import shown
from archiver.package.profile_rules import (
    PROFILE_CONTRADICTION,
    PROFILE_KEY_LOOSE,
    PROFILE_KEY_MISSING,
    PROFILE_KEY_UNKNOWN,
    PROFILE_KEY_VALUE,
    PROFILE_NEWER,
    PROFILE_UNREADABLE,
)

__all__ = [
    "IDENTIFIER",
    "BagProfile",
    "InfoRule",
    "Serialisation",
    "algorithm_name",
    "matches",
    "read_bag_profile",
]

IDENTIFIER = "BagIt-Profile-Identifier"
"""Label by which ``bag-info.txt`` names a profile."""

Serialisation = str
"""``forbidden``, ``required`` or ``optional``."""

_SERIALISATIONS = ("forbidden", "required", "optional")
_KNOWN_EDITION = (1, 4)
_FIRST_EDITION = "1.1.0"
_DATA = "data/"
_INFO = "BagIt-Profile-Info"
_BAG_INFO = "Bag-Info"
# The specification's own grammar writes it so once.
_BAG_INFO_MISSPELT = "Bagit-Info"
_DESCRIBED = ("Source-Organization", "External-Description", "Version", IDENTIFIER)
_DESCRIBED_OPTIONALLY = (
    "BagIt-Profile-Version",
    "Contact-Name",
    "Contact-Phone",
    "Contact-Email",
)
_RULE_KEYS = ("required", "recommended", "values", "repeatable", "description")
_KEYS = (
    _INFO,
    _BAG_INFO,
    "Manifests-Required",
    "Manifests-Allowed",
    "Allow-Fetch.txt",
    "Fetch.txt-Required",
    "Data-Empty",
    "Serialization",
    "Accept-Serialization",
    "Accept-BagIt-Version",
    "Tag-Manifests-Required",
    "Tag-Manifests-Allowed",
    "Tag-Files-Required",
    "Tag-Files-Allowed",
    "Payload-Files-Required",
    "Payload-Files-Allowed",
)


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
    edition: str = _FIRST_EDITION
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


def read_bag_profile(content: bytes, file: str) -> tuple[BagProfile | None, tuple[Finding, ...]]:
    """Read a profile.

    Parameters
    ----------
    content : bytes
        The JSON file.
    file : str
        Its name, for the findings.

    Returns
    -------
    profile : BagProfile or None
        None if the file is no JSON object; else what can be used of it.
    findings : tuple of Finding
        Everything that is wrong with it.
    """
    repeated: list[str] = []

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        seen: dict[str, Any] = {}
        for key, value in pairs:
            if key in seen:
                repeated.append(key)
            seen[key] = value
        return seen

    try:
        document = json.loads(content.decode("utf-8-sig"), object_pairs_hook=once)
    except (ValueError, RecursionError) as error:
        line = error.lineno if isinstance(error, json.JSONDecodeError) else None
        why = str(error) or type(error).__name__
        finding = PROFILE_UNREADABLE.at(
            Where(file=file, line=line), f"the file cannot be read: {why}", accepted="a JSON object"
        )
        return None, (finding,)
    if not isinstance(document, dict):
        finding = PROFILE_UNREADABLE.at(
            Where(file=file), f"the file holds {_kind(document)}", accepted="a JSON object"
        )
        return None, (finding,)
    reader = _Reader(file)
    for key in dict.fromkeys(repeated):
        reader.say(PROFILE_KEY_LOOSE, key, "the key stands twice; the last counts", "it once")
    profile = reader.profile(document)
    reader.contradictions(profile, document)
    return profile, tuple(reader.findings)


class _Reader:
    """Takes the keys of a profile one by one and collects what is wrong."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.findings: list[Finding] = []

    def say(self, rule: Rule, key: str, message: str, accepted: str = "") -> None:
        where = Where(file=self.file, field=shown(key[:200]))
        self.findings.append(rule.at(where, message, accepted=accepted))

    def profile(self, document: Mapping[str, Any]) -> BagProfile:
        self.unknown(document, _KEYS, "")
        described = self.described(document)
        return BagProfile(
            **described,
            info=self.info(document),
            manifests_required=self.algorithms(document, "Manifests-Required") or (),
            manifests_allowed=self.algorithms(document, "Manifests-Allowed"),
            allow_fetch=self.boolean(document, "Allow-Fetch.txt", default=True),
            fetch_required=self.boolean(document, "Fetch.txt-Required", default=False),
            data_empty=self.boolean(document, "Data-Empty", default=False),
            serialisation=self.word(document, "Serialization"),
            accept_serialisation=tuple(
                text.lower() for text in self.texts(document, "Accept-Serialization") or ()
            ),
            accept_versions=self.versions(document),
            tag_manifests_required=self.algorithms(document, "Tag-Manifests-Required") or (),
            tag_manifests_allowed=self.algorithms(document, "Tag-Manifests-Allowed"),
            tag_files_required=self.paths(document, "Tag-Files-Required", payload=False) or (),
            tag_files_allowed=self.paths(document, "Tag-Files-Allowed", payload=False),
            payload_files_required=self.paths(document, "Payload-Files-Required", payload=True)
            or (),
            payload_files_allowed=self.paths(document, "Payload-Files-Allowed", payload=True),
        )

    def unknown(self, group: Mapping[str, Any], known: Iterable[str], at: str) -> None:
        known = tuple(known)
        for key in group:
            if key in known or (not at and key == _BAG_INFO_MISSPELT):
                continue
            folded = {name.casefold(): name for name in known}
            near = difflib.get_close_matches(key.casefold()[:80], folded, n=1)
            meant = f"; nearest: {folded[near[0]]}" if near else ""
            self.say(
                PROFILE_KEY_UNKNOWN,
                f"{at}{key}",
                f"the specification has no such key{meant}",
                ", ".join(known),
            )

    def described(self, document: Mapping[str, Any]) -> dict[str, str]:
        """Read BagIt-Profile-Info."""
        if _INFO not in document:
            self.say(PROFILE_KEY_MISSING, _INFO, "the key is missing", "an object")
            return {}
        group = document[_INFO]
        if not isinstance(group, dict):
            self.say(PROFILE_KEY_VALUE, _INFO, f"it is {_kind(group)}", "an object")
            return {}
        self.unknown(group, (*_DESCRIBED, *_DESCRIBED_OPTIONALLY), f"{_INFO}.")
        texts: dict[str, str] = {}
        for key in (*_DESCRIBED, *_DESCRIBED_OPTIONALLY):
            at = f"{_INFO}.{key}"
            if key not in group:
                if key in _DESCRIBED:
                    self.say(PROFILE_KEY_MISSING, at, "the key is missing", "a text")
            elif not isinstance(group[key], str) or not group[key].strip():
                self.say(PROFILE_KEY_VALUE, at, f"it is {_kind(group[key])}", "a text, not empty")
            else:
                texts[key] = group[key].strip()
        edition = texts.get("BagIt-Profile-Version", _FIRST_EDITION)
        self.edition(edition)
        return {
            "identifier": texts.get(IDENTIFIER, ""),
            "organisation": texts.get("Source-Organization", ""),
            "description": texts.get("External-Description", ""),
            "version": texts.get("Version", ""),
            "edition": edition,
            "contact_name": texts.get("Contact-Name", ""),
            "contact_phone": texts.get("Contact-Phone", ""),
            "contact_email": texts.get("Contact-Email", ""),
        }

    def edition(self, text: str) -> None:
        at = f"{_INFO}.BagIt-Profile-Version"
        found = re.fullmatch(r"(\d{1,6})\.(\d{1,6})(?:\.\d{1,6})?", text, re.ASCII)
        if found is None:
            self.say(PROFILE_KEY_VALUE, at, f"it is {shown(text[:80])!r}", "such as 1.4.0")
        elif (int(found[1]), int(found[2])) > _KNOWN_EDITION:
            self.say(
                PROFILE_NEWER, at, f"the profile follows edition {text}", "editions up to 1.4.0"
            )

    def info(self, document: Mapping[str, Any]) -> tuple[InfoRule, ...]:
        """Read Bag-Info."""
        key = _BAG_INFO
        if key not in document and _BAG_INFO_MISSPELT in document:
            key = _BAG_INFO_MISSPELT
            self.say(PROFILE_KEY_LOOSE, key, "the key is written so", _BAG_INFO)
        group = document.get(key, {})
        if not isinstance(group, dict):
            self.say(PROFILE_KEY_VALUE, key, f"it is {_kind(group)}", "an object")
            return ()
        rules: list[InfoRule] = []
        for label, rule in group.items():
            at = f"{key}.{label}"
            if not isinstance(rule, dict):
                self.say(PROFILE_KEY_VALUE, at, f"it is {_kind(rule)}", "an object, such as {}")
                continue
            if label.casefold() == IDENTIFIER.casefold():
                self.say(
                    PROFILE_KEY_LOOSE,
                    at,
                    "the element is required of every bag and should not be listed",
                    "the profile without it",
                )
            self.unknown(rule, _RULE_KEYS, f"{at}.")
            description = rule.get("description", "")
            if not isinstance(description, str):
                self.say(
                    PROFILE_KEY_VALUE,
                    f"{at}.description",
                    f"it is {_kind(description)}",
                    "a text",
                )
                description = ""
            rules.append(
                InfoRule(
                    label=label,
                    required=self.boolean(rule, "required", default=False, at=f"{at}."),
                    recommended=self.boolean(rule, "recommended", default=False, at=f"{at}."),
                    values=self.texts(rule, "values", at=f"{at}.") or (),
                    repeatable=self.boolean(rule, "repeatable", default=True, at=f"{at}."),
                    description=" ".join(description.split()),
                )
            )
        return tuple(rules)

    def boolean(self, group: Mapping[str, Any], key: str, *, default: bool, at: str = "") -> bool:
        value = group.get(key, default)
        if isinstance(value, bool):
            return value
        if isinstance(value, str) and value.strip().lower() in {"true", "false"}:
            self.say(PROFILE_KEY_LOOSE, f"{at}{key}", f"it is the text {value!r}", "true or false")
            return value.strip().lower() == "true"
        self.say(PROFILE_KEY_VALUE, f"{at}{key}", f"it is {_kind(value)}", "true or false")
        return default

    def word(self, document: Mapping[str, Any], key: str) -> Serialisation:
        value = document.get(key, "optional")
        if isinstance(value, str) and value.strip().lower() in _SERIALISATIONS:
            return value.strip().lower()
        self.say(
            PROFILE_KEY_VALUE,
            key,
            f"it is {shown(value[:80])!r}" if isinstance(value, str) else f"it is {_kind(value)}",
            ", ".join(_SERIALISATIONS),
        )
        return "optional"

    def texts(self, group: Mapping[str, Any], key: str, *, at: str = "") -> tuple[str, ...] | None:
        """Read a list of texts, each once; None if it was left out."""
        if key not in group:
            return None
        value = group[key]
        if not isinstance(value, list):
            self.say(PROFILE_KEY_VALUE, f"{at}{key}", f"it is {_kind(value)}", "a list of texts")
            return None
        found: dict[str, None] = {}
        for number, item in enumerate(value):
            if isinstance(item, str) and item:
                found.setdefault(item)
            else:
                self.say(
                    PROFILE_KEY_VALUE, f"{at}{key}[{number}]", f"it is {_kind(item)}", "a text"
                )
        return tuple(found)

    def algorithms(self, document: Mapping[str, Any], key: str) -> tuple[str, ...] | None:
        named = self.texts(document, key)
        return None if named is None else tuple(dict.fromkeys(map(algorithm_name, named)))

    def versions(self, document: Mapping[str, Any]) -> tuple[str, ...]:
        key = "Accept-BagIt-Version"
        found = self.texts(document, key)
        if key not in document:
            self.say(PROFILE_KEY_MISSING, key, "the key is missing", 'a list such as ["1.0"]')
        elif found is not None and not document[key]:
            self.say(PROFILE_KEY_VALUE, key, "the list is empty", "at least one version")
        return found or ()

    def paths(
        self, document: Mapping[str, Any], key: str, *, payload: bool
    ) -> tuple[str, ...] | None:
        found = self.texts(document, key)
        if found is None:
            return None
        kept = []
        for path in found:
            wrong = path.startswith("/") or ".." in path.split("/") or "\\" in path
            # A pattern such as "*" begins with no directory at all.
            literal = re.split(r"[*?\[]", path, maxsplit=1)[0]
            if payload and not _DATA.startswith(literal[: len(_DATA)]):
                wrong = True
            if not payload and literal.startswith(_DATA):
                wrong = True
            if wrong:
                self.say(
                    PROFILE_KEY_VALUE,
                    key,
                    f"the path {shown(path[:200])!r} cannot be meant",
                    "paths that begin data/" if payload else "paths of tag files, outside data/",
                )
            else:
                kept.append(path)
        return tuple(kept)

    def contradictions(self, profile: BagProfile, document: Mapping[str, Any]) -> None:
        for kind in ("", "Tag-"):
            required = profile.tag_manifests_required if kind else profile.manifests_required
            allowed = profile.tag_manifests_allowed if kind else profile.manifests_allowed
            self.uncovered(
                f"{kind}Manifests",
                [name for name in required if allowed is not None and name not in allowed],
            )
        for kind, paths, patterns in (
            ("Tag-Files", profile.tag_files_required, profile.tag_files_allowed),
            ("Payload-Files", profile.payload_files_required, profile.payload_files_allowed),
        ):
            if patterns is not None:
                self.uncovered(kind, [path for path in paths if not _covered(path, patterns)])
        if profile.fetch_required and not profile.allow_fetch:
            self.say(
                PROFILE_CONTRADICTION,
                "Fetch.txt-Required",
                "fetch.txt is required and, by Allow-Fetch.txt, not allowed",
                "one of the two",
            )
        if profile.data_empty and profile.payload_files_required:
            self.say(
                PROFILE_CONTRADICTION,
                "Payload-Files-Required",
                "payload is required and, by Data-Empty, not allowed",
                "one of the two",
            )
        # A profile that says nothing of serialisation is optional by default and then wants
        # no list either.
        if (
            "Serialization" in document
            and profile.serialisation != "forbidden"
            and not profile.accept_serialisation
        ):
            self.say(
                PROFILE_KEY_MISSING,
                "Accept-Serialization",
                f"Serialization is {profile.serialisation}, and no form is listed",
                'at least one media type, such as ["application/zip"]',
            )

    def uncovered(self, kind: str, missing: list[str]) -> None:
        if missing:
            self.say(
                PROFILE_CONTRADICTION,
                f"{kind}-Allowed",
                f"{', '.join(shown(name[:200]) for name in missing)} is required and not allowed",
                f"everything that {kind}-Required lists",
            )


def _covered(path: str, patterns: Iterable[str]) -> bool:
    # A directory that must be there is covered where something in it is.
    return matches(path, patterns) or (path.endswith("/") and matches(f"{path}x", patterns))


def _kind(value: object) -> str:
    """Say what a JSON value is."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return "a number"
    if isinstance(value, str):
        return "a text" if value.strip() else "an empty text"
    return "a list" if isinstance(value, list) else "an object"
