"""Whether a bag is what a BagIt Profile asks for.

The checks that the specification calls fatal come first and end the rest: the form in which
the bag is handed over, and its version of BagIt. All other failures are collected.

Source: BagIt Profiles specification 1.4.0, the keys named below.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from archiver.findings import Finding, Rule, Where
from archiver.package.bagprofile import IDENTIFIER, BagProfile, InfoRule, matches
from archiver.package.manifest import manifest_kind
from archiver.package.names import shown
from archiver.package.profile_rules import (
    BAG_FETCH,
    BAG_FILE_MISSING,
    BAG_FILE_NOT_ALLOWED,
    BAG_INFO_MISSING,
    BAG_INFO_NOT_TAKEN,
    BAG_INFO_RECOMMENDED,
    BAG_INFO_REPEATED,
    BAG_MANIFEST_MISSING,
    BAG_MANIFEST_NOT_ALLOWED,
    BAG_NOT_EMPTY,
    BAG_OTHER_PROFILE,
    BAG_PROFILE_NOT_NAMED,
    BAG_SERIALISATION,
    BAG_VERSION,
)
from archiver.package.reader import Bag
from archiver.package.tagfiles import BAG_INFO, FETCH, BagInfo
from archiver.package.text import DECLARATION
from archiver.package.tree import Tree
from archiver.telling import count

__all__ = ["FOLDER", "check_against_profiles", "check_info", "same_media_type"]

FOLDER = ""
"""Stands for the media type of a bag that is handed over as a folder."""

# Names of one form that are met in profiles. application/tar stands in the specification's
# own example; the others are common practice.
_SAME = {
    "application/tar": "application/x-tar",
    "application/x-gtar": "application/x-tar",
    "application/x-gzip": "application/gzip",
    "application/x-tgz": "application/gzip",
    "application/x-compressed-tar": "application/gzip",
    "application/tar+gzip": "application/gzip",
    "application/x-zip-compressed": "application/zip",
    "application/x-zip": "application/zip",
    "application/x-zstd": "application/zstd",
    "application/x-zstd-compressed-tar": "application/zstd",
}
_SHOWN_FILES = 5


def same_media_type(left: str, right: str) -> bool:
    """Say whether two media types name one form of package."""
    left, right = (text.partition(";")[0].strip().lower() for text in (left, right))
    return _SAME.get(left, left) == _SAME.get(right, right)


def check_against_profiles(
    profiles: Sequence[BagProfile], bag: Bag, tree: Tree, media_type: str | None = None
) -> tuple[Finding, ...]:
    """Check a bag against one or more profiles.

    Parameters
    ----------
    profiles : sequence of BagProfile
        Each must be named by the bag, and each is checked.
    bag : Bag
        What the bag says of itself.
    tree : Tree
        What lies in its directory.
    media_type : str, optional
        Form in which the bag is handed over; :data:`FOLDER` for none, None if it is not
        known yet, and then it is not judged.

    Returns
    -------
    tuple of Finding
        Whether the bag is valid by RFC 8493 is another question, and comes after this one.
    """
    findings: list[Finding] = []
    for profile in profiles:
        fatal = [*_serialisation(profile, media_type), *_version(profile, bag)]
        findings += fatal or _Check(profile, bag, tree).findings()
    known = {profile.identifier for profile in profiles}
    findings += [
        BAG_OTHER_PROFILE.at(
            Where(file=BAG_INFO, field=IDENTIFIER),
            f"the bag names the profile {shown(other[:300])}, which was not looked at",
        )
        for other in dict.fromkeys(bag.info.values(IDENTIFIER))
        if other not in known
    ]
    return tuple(findings)


def check_info(profile: BagProfile, info: BagInfo) -> tuple[Finding, ...]:
    """Check the elements of ``bag-info.txt`` alone: keys Bag-Info and the identifier."""
    return tuple(_info(profile, info))


def _serialisation(profile: BagProfile, media_type: str | None) -> Iterator[Finding]:
    if media_type is None:
        return
    where = Where(file=".", field="Serialization")
    if media_type == FOLDER:
        if profile.serialisation == "required":
            yield BAG_SERIALISATION.at(
                where,
                "the bag is handed over as a folder, and the profile requires a package",
                accepted=", ".join(profile.accept_serialisation),
            )
        return
    if profile.serialisation == "forbidden":
        yield BAG_SERIALISATION.at(
            where,
            f"the package is {media_type}, and the profile forbids packages",
            accepted="a folder",
        )
    elif profile.accept_serialisation and not any(
        same_media_type(media_type, taken) for taken in profile.accept_serialisation
    ):
        yield BAG_SERIALISATION.at(
            where,
            f"the package is {media_type}",
            accepted=", ".join(profile.accept_serialisation),
        )


def _version(profile: BagProfile, bag: Bag) -> Iterator[Finding]:
    version = bag.declaration.version_text
    if profile.accept_versions and version not in profile.accept_versions:
        yield BAG_VERSION.at(
            Where(file=DECLARATION, line=1),
            f"the bag is of BagIt {version}",
            accepted=", ".join(profile.accept_versions),
        )


def _info(profile: BagProfile, info: BagInfo) -> Iterator[Finding]:
    named = info.values(IDENTIFIER)
    if profile.identifier and profile.identifier not in named:
        found = ", ".join(shown(one[:300]) for one in named)
        yield BAG_PROFILE_NOT_NAMED.at(
            Where(file=BAG_INFO, field=IDENTIFIER),
            f"bag-info.txt names {found or 'no profile'}",
            accepted=f"{IDENTIFIER}: {profile.identifier}",
        )
    for rule in profile.info:
        if rule.label.casefold() != IDENTIFIER.casefold():
            yield from _element(rule, info)


def _element(rule: InfoRule, info: BagInfo) -> Iterator[Finding]:
    label = rule.label.casefold()
    found = [element for element in info.elements if element.label.casefold() == label]
    where = Where(file=BAG_INFO, field=shown(rule.label[:80]))
    values = ", ".join(shown(value[:200]) for value in rule.values)
    # An element without any value says nothing.
    if not any(element.value.strip() for element in found):
        if rule.required or rule.recommended:
            which = BAG_INFO_MISSING if rule.required else BAG_INFO_RECOMMENDED
            state = "is empty" if found else "is missing"
            yield which.at(
                where, f"the element {shown(rule.label[:80])} {state}", accepted=values or "a value"
            )
        return
    if not rule.repeatable and len(found) > 1:
        yield BAG_INFO_REPEATED.at(
            Where(file=BAG_INFO, line=found[1].line or None, field=where.field),
            f"the element stands {len(found)} times",
            accepted="one such element",
        )
    for element in found:
        if rule.values and element.value not in rule.values:
            yield BAG_INFO_NOT_TAKEN.at(
                Where(file=BAG_INFO, line=element.line or None, field=where.field),
                f"the value is {shown(element.value[:200])!r}",
                accepted=values,
            )


class _Check:
    """The checks that are not fatal."""

    def __init__(self, profile: BagProfile, bag: Bag, tree: Tree) -> None:
        self.profile = profile
        self.bag = bag
        # What fetch.txt names belongs to the payload; that it is still to come is a matter
        # of completeness.
        held = {file.path: file.size for file in tree.files}
        payload = {path: size for path, size in held.items() if path.startswith("data/")}
        for line in bag.fetch:
            payload.setdefault(line.path, 1 if line.length is None else line.length)
        self.payload = payload
        self.tags = sorted(path for path in held if not path.startswith("data/"))

    def findings(self) -> list[Finding]:
        return [
            *_info(self.profile, self.bag.info),
            *self.fetch(),
            *self.manifests(),
            *self.emptiness(),
            *self.tag_files(),
            *self.payload_files(),
        ]

    def fetch(self) -> Iterator[Finding]:
        where = Where(file=FETCH)
        present = FETCH in self.tags
        if present and not self.profile.allow_fetch:
            yield BAG_FETCH.at(where, "the bag has a fetch.txt", accepted="none")
        if self.profile.fetch_required and self.profile.allow_fetch and not present:
            yield BAG_FETCH.at(where, "the bag has no fetch.txt", accepted="one")

    def manifests(self) -> Iterator[Finding]:
        profile = self.profile
        for prefix, manifests, required, allowed in (
            (
                "manifest",
                self.bag.payload_manifests,
                profile.manifests_required,
                profile.manifests_allowed,
            ),
            (
                "tagmanifest",
                self.bag.tag_manifests,
                profile.tag_manifests_required,
                profile.tag_manifests_allowed,
            ),
        ):
            present = [manifest.algorithm.lower() for manifest in manifests]
            for algorithm in required:
                if algorithm not in present:
                    name = f"{prefix}-{algorithm}.txt"
                    yield BAG_MANIFEST_MISSING.at(
                        Where(file=name),
                        "the file is not there",
                        accepted=", ".join(f"{prefix}-{one}.txt" for one in required),
                    )
            for manifest in manifests:
                if allowed is not None and manifest.algorithm.lower() not in allowed:
                    yield BAG_MANIFEST_NOT_ALLOWED.at(
                        Where(file=manifest.name),
                        f"the algorithm is {manifest.algorithm}",
                        accepted=", ".join(allowed) or "none",
                    )

    def emptiness(self) -> Iterator[Finding]:
        if self.profile.data_empty and (len(self.payload) > 1 or any(self.payload.values())):
            octets = sum(self.payload.values())
            yield BAG_NOT_EMPTY.at(
                Where(file="data"),
                f"the payload is {count(octets, 'byte')} in {count(len(self.payload), 'file')}",
                accepted="no file, or one of no bytes",
            )

    def tag_files(self) -> Iterator[Finding]:
        for path in self.profile.tag_files_required:
            if path not in self.tags:
                yield _missing(path, "tag file")
        if self.profile.tag_files_allowed is not None:
            # Whether these count is not said in the specification; a profile has other keys
            # for them, or every bag must have them.
            other = [
                path
                for path in self.tags
                if path not in {DECLARATION, BAG_INFO, FETCH} and manifest_kind(path) is None
            ]
            yield from _not_allowed(other, self.profile.tag_files_allowed)

    def payload_files(self) -> Iterator[Finding]:
        for path in self.profile.payload_files_required:
            if path.endswith("/"):
                if not any(one.startswith(path) and one != path for one in self.payload):
                    yield _missing(path, "folder, with something in it,")
            elif path not in self.payload:
                yield _missing(path, "payload file")
        if self.profile.payload_files_allowed is not None:
            yield from _not_allowed(sorted(self.payload), self.profile.payload_files_allowed)


def _missing(path: str, kind: str) -> Finding:
    return BAG_FILE_MISSING.at(
        Where(file=shown(path)), f"the {kind} is not there", accepted=shown(path)
    )


def _not_allowed(paths: Iterable[str], patterns: Sequence[str]) -> Iterator[Finding]:
    refused = [path for path in paths if not matches(path, patterns)]
    accepted = ", ".join(shown(pattern) for pattern in patterns) or "none"
    rule: Rule = BAG_FILE_NOT_ALLOWED
    for path in refused[:_SHOWN_FILES]:
        yield rule.at(
            Where(file=shown(path)), "the profile does not list the file", accepted=accepted
        )
    if len(refused) > _SHOWN_FILES:
        yield rule.at(
            Where(file="."),
            f"{len(refused) - _SHOWN_FILES} more files are not listed by the profile",
            accepted=accepted,
        )
