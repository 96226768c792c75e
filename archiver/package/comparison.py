"""Compare what manifests list with what lies there, before any content is read.

Source: RFC 8493 sections 2.1.3, 2.2.1, 2.2.3, 3 (complete and valid) and 6.1 (names).
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from archiver.findings import Finding, Where
from archiver.package.manifest import Manifest, ManifestLine, hashlib_name
from archiver.package.names import (
    collisions,
    decode_path,
    folded,
    normalised,
    obstacles,
    shown,
    travel_well,
)
from archiver.package.reader import Bag
from archiver.package.rules import (
    ALGORITHM_UNKNOWN,
    ALGORITHM_WEAK,
    DATA_MISSING,
    FETCH_PENDING,
    FETCH_UNLISTED,
    FILE_MISSING,
    FILE_UNLISTED,
    NAME_OBSTACLE,
    NAME_OTHER_FORM,
    NAMES_COLLIDE,
    OXUM,
    SYSTEM_FILE,
    TAG_MANIFEST_INCOMPLETE,
    TAG_UNLISTED,
)
from archiver.package.signature import is_signature_name
from archiver.package.tree import Kind, Tree, TreeFile
from archiver.telling import count

__all__ = ["Comparison", "Expectation", "compare"]

_WEAK = frozenset({"md5", "sha1"})
_SYSTEM_FILES = frozenset({".ds_store", "thumbs.db", "desktop.ini"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What one manifest says of a file that lies there."""

    manifest: str
    line: int
    algorithm: str
    checksum: str


@dataclass(slots=True, kw_only=True)
class Comparison:
    """Lists against tree.

    Parameters
    ----------
    expected : dict
        What is said of each file that lies there and may be opened, by its path.
    missing : dict
        What is said of each listed file that does not lie there, by its listed path.
    unlisted : list of str
        Payload files that stand in no payload manifest at all.
    unprotected : list of str
        Tag files that stand in no tag manifest.
    unknown_algorithms : list of str
        Whose checksums cannot be computed here.
    findings : list of Finding
        Without those on missing and unlisted payload files, which need a look at contents.
    """

    expected: dict[str, list[Expectation]] = field(default_factory=dict)
    missing: dict[str, list[Expectation]] = field(default_factory=dict)
    unlisted: list[str] = field(default_factory=list)
    unprotected: list[str] = field(default_factory=list)
    unknown_algorithms: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


class _Names:
    """Finds the file that a manifest line means, in whatever form its name is."""

    def __init__(self, present: Iterable[TreeFile]) -> None:
        self.present = {file.path: file for file in present}

    @functools.cached_property
    def by_form(self) -> dict[str, str]:
        """Paths by their Unicode form, where that is not the only one; the first counts."""
        forms: dict[str, str] = {}
        for path in self.present:
            if not path.isascii():
                forms.setdefault(normalised(path), path)
        return forms

    @functools.cached_property
    def by_case(self) -> dict[str, str]:
        """Paths by their form without case; few bags need it."""
        return {folded(path): path for path in reversed(self.present)}

    def find(self, line: ManifestLine, claimed: dict[str, str], *, strict: bool) -> str | None:
        """Return the path of a file that is not there under its exact name; None if it is not.

        ``claimed`` holds the checksums of the paths that the same manifest lists exactly.
        """
        candidates = [self.by_form.get(normalised(line.path))]
        other_reading = line.literal if strict else decode_path(line.path)
        if other_reading in self.present:
            candidates.append(other_reading)
        if not strict:
            twin = self.by_case.get(folded(line.path))
            # One file listed twice; before BagIt 1.0 that was no fault if both lines agree.
            if twin is not None and claimed.get(twin) == line.checksum:
                return twin
        for candidate in candidates:
            if candidate is not None and (candidate not in claimed or not strict):
                return candidate
        return None


def compare(bag: Bag, tree: Tree) -> Comparison:
    """Compare the manifests of a bag with its directory.

    Returns
    -------
    Comparison
        With findings on everything but content.
    """
    result = Comparison()
    if not tree.has_data:
        result.findings.append(
            DATA_MISSING.at(Where(file="data"), "there is no directory of this name")
        )
    payload = list(tree.payload())
    tags = [file for file in tree.files if not file.path.startswith("data/")]
    _algorithms(bag, result)
    strict = bag.declaration.strict
    listed_by_all = _match(bag.payload_manifests, payload, result, strict=strict)
    _unlisted(bag, payload, listed_by_all, result)
    _fetch(bag, result)
    listed_tags = _match(bag.tag_manifests, tags, result, strict=strict)
    _tags(bag, tags, listed_tags, result)
    _oxum(bag, payload, result)
    _names(tree.files, result)
    return result


def _algorithms(bag: Bag, result: Comparison) -> None:
    for manifest in bag.manifests:
        if hashlib_name(manifest.algorithm) is None:
            result.unknown_algorithms.append(manifest.algorithm)
            result.findings.append(
                ALGORITHM_UNKNOWN.at(
                    Where(file=manifest.name),
                    f"the algorithm {manifest.algorithm!r} is not known here, so these checksums "
                    "cannot be verified",
                    accepted="sha256, sha512 and others of hashlib",
                )
            )
    known = {m.algorithm.lower() for m in bag.payload_manifests}
    if known and known <= _WEAK:
        result.findings.append(
            ALGORITHM_WEAK.at(
                Where(file=bag.payload_manifests[0].name),
                f"the payload is protected by {' and '.join(sorted(known))} only",
                accepted="sha256 or sha512 beside it",
            )
        )


def _match(
    manifests: Sequence[Manifest], present: Sequence[TreeFile], result: Comparison, *, strict: bool
) -> list[tuple[Manifest, set[str]]]:
    """Assign the lines of manifests to files; return which files each manifest lists."""
    names = _Names(present)
    listed: list[tuple[Manifest, set[str]]] = []
    other_forms: set[str] = set()
    for manifest in manifests:
        claimed: dict[str, str] | None = None
        seen: set[str] = set()
        for line in manifest.lines:
            path: str | None = line.path
            if path not in names.present:
                if claimed is None:
                    claimed = {line.path: line.checksum for line in manifest.lines}
                path = names.find(line, claimed, strict=strict)
            expectation = Expectation(
                manifest=manifest.name,
                line=line.line,
                algorithm=manifest.algorithm,
                checksum=line.checksum,
            )
            if path is None:
                result.missing.setdefault(line.path, []).append(expectation)
                continue
            seen.add(path)
            if path != line.path and line.path not in other_forms:
                other_forms.add(line.path)
                result.findings.append(
                    NAME_OTHER_FORM.at(
                        Where(file=manifest.name, line=line.line),
                        f"{_escaped(line.path)} is taken for the file {_escaped(path)}",
                        accepted="the name as it stands on the disk",
                    )
                )
            if names.present[path].kind is not Kind.REFUSED:
                result.expected.setdefault(path, []).append(expectation)
        listed.append((manifest, seen))
    return listed


def _escaped(path: str) -> str:
    # Two Unicode forms of a name look alike; only the code points tell them apart.
    return ascii(path)


def _unlisted(
    bag: Bag,
    payload: Sequence[TreeFile],
    listed: Sequence[tuple[Manifest, set[str]]],
    result: Comparison,
) -> None:
    if not listed:
        return
    absent: dict[str, list[str]] = {}
    paths = {file.path for file in payload}
    for manifest, seen in listed:
        for path in paths - seen:
            absent.setdefault(path, []).append(manifest.name)
    for path, manifests in sorted(absent.items()):
        if len(manifests) == len(listed):
            result.unlisted.append(path)
        elif bag.declaration.strict:
            result.findings.append(
                FILE_UNLISTED.at(
                    Where(file=shown(path)),
                    f"the file does not stand in {', '.join(manifests)}",
                    accepted="every payload file in every payload manifest",
                )
            )


def _fetch(bag: Bag, result: Comparison) -> None:
    if not bag.fetch:
        return
    lists = [{entry.path for entry in m.lines} for m in bag.payload_manifests]
    for line in bag.fetch:
        where = Where(file="fetch.txt", line=line.line)
        if not all(line.path in paths for paths in lists):
            result.findings.append(
                FETCH_UNLISTED.at(
                    where, f"{shown(line.path)!r} does not stand in every payload manifest"
                )
            )
        if result.missing.pop(line.path, None) is not None:
            result.findings.append(
                FETCH_PENDING.at(
                    where, f"{shown(line.path)!r} is not there; it is to be fetched from elsewhere"
                )
            )


def _tags(
    bag: Bag,
    tags: Sequence[TreeFile],
    listed: Sequence[tuple[Manifest, set[str]]],
    result: Comparison,
) -> None:
    for manifest, seen in listed:
        result.findings += [
            TAG_MANIFEST_INCOMPLETE.at(
                Where(file=manifest.name),
                f"{payload_manifest.name} does not stand in it",
                accepted="every payload manifest in every tag manifest",
            )
            for payload_manifest in bag.payload_manifests
            if payload_manifest.name not in seen
        ]
    tag_manifests = {manifest.name for manifest in bag.tag_manifests}
    protected = {path for _, seen in listed for path in seen}
    for file in tags:
        if file.path not in protected and file.path not in tag_manifests:
            result.unprotected.append(file.path)
            # A signature answers for the tag manifest, so it cannot stand in it.
            if listed and not is_signature_name(file.path):
                result.findings.append(
                    TAG_UNLISTED.at(
                        Where(file=shown(file.path)), "the file stands in no tag manifest"
                    )
                )
    for path in list(result.missing):
        if path.startswith("data/"):
            continue
        for expectation in result.missing.pop(path):
            result.findings.append(
                FILE_MISSING.at(
                    Where(file=shown(path)),
                    f"the file is not there; {expectation.manifest} line {expectation.line} "
                    "lists it",
                )
            )


def _oxum(bag: Bag, payload: Sequence[TreeFile], result: Comparison) -> None:
    stated = bag.info.oxum
    held = (sum(file.size for file in payload), len(payload))
    if stated is not None and stated != held:
        result.findings.append(
            OXUM.at(
                Where(file="bag-info.txt", field="Payload-Oxum"),
                f"it states {count(stated[0], 'byte')} in {count(stated[1], 'file')}; there are "
                f"{count(held[0], 'byte')} in {count(held[1], 'file')}",
            )
        )


def _names(found: Sequence[TreeFile], result: Comparison) -> None:
    paths = [file.path for file in found]
    if travel_well(paths) and not _SYSTEM_FILES & {
        path.rpartition("/")[2].lower() for path in paths
    }:
        return
    for file in found:
        if file.path.rpartition("/")[2].casefold() in _SYSTEM_FILES:
            result.findings.append(
                SYSTEM_FILE.at(
                    Where(file=shown(file.path)),
                    "the file is of a kind that systems make by themselves",
                )
            )
        result.findings += [
            NAME_OBSTACLE.at(Where(file=shown(file.path)), reason)
            for reason in obstacles(file.path)
        ]
    for group in collisions(file.path for file in found):
        result.findings.append(
            NAMES_COLLIDE.at(
                Where(file=shown(group[0])),
                f"{' and '.join(map(_escaped, group))} are one name on some systems",
            )
        )
