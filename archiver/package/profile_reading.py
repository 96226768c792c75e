"""Reading a BagIt Profile: nothing is taken on trust.

What is wrong with a profile is a finding, and what can be used of it still serves.

Source: BagIt Profiles specification 1.4.0 (2023-01-13). Clauses have no numbers there; keys
are named instead.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable, Mapping
from typing import Any

from archiver.findings import Finding, Rule, Where
from archiver.package.bagprofile import (
    FIRST_EDITION,
    IDENTIFIER,
    BagProfile,
    InfoRule,
    Serialisation,
    algorithm_name,
    matches,
)
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

__all__ = ["read_bag_profile"]

_SERIALISATIONS = ("forbidden", "required", "optional")
_KNOWN_EDITION = (1, 4)
# RFC 3986 section 4.3 without a second look at what a scheme makes of the rest.
_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[!-~]+", re.ASCII)
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
        # Half a pair of surrogates is no text, and could not be written into a bag.
        json.dumps(document, ensure_ascii=False).encode()
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
        if not _URI.fullmatch(texts.get(IDENTIFIER, "x:x")):
            self.say(
                PROFILE_KEY_VALUE,
                f"{_INFO}.{IDENTIFIER}",
                f"it is {shown(texts.pop(IDENTIFIER)[:200])!r}",
                "an absolute URI, such as https://example.org/profile-1.0.json",
            )
        edition = texts.get("BagIt-Profile-Version", FIRST_EDITION)
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
        # A profile that says nothing usable of serialisation is optional by default and then
        # wants no list either.
        stated = document.get("Serialization")
        said = isinstance(stated, str) and stated.strip().lower() == profile.serialisation
        if said and profile.serialisation != "forbidden" and not profile.accept_serialisation:
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
