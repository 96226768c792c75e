"""Read what a bag says of itself: declaration, manifests, bag-info.txt, fetch.txt.

Source: RFC 8493 sections 2.1 and 2.2.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.errors import ArchiverError, MisuseError
from archiver.findings import Finding, Where
from archiver.package.manifest import Manifest, decode_manifest, manifest_kind
from archiver.package.rules import (
    DECLARATION_MISSING,
    FILE_NOT_OPENED,
    LINK,
    MANIFEST_MISSING,
    TAG_MANIFEST_MISSING,
)
from archiver.package.tagfiles import (
    BAG_INFO,
    FETCH,
    BagInfo,
    FetchLine,
    decode_bag_info,
    decode_fetch,
)
from archiver.package.text import DECLARATION, Declaration, decode_declaration

__all__ = ["Bag", "read_bag"]

_MOST_BYTES = 1 << 30
_OLD_BAG_INFO = "package-info.txt"
_OLDEST_WITH_BAG_INFO = (0, 96)
_README = "READ-ME.txt"
_LARGEST_README_BYTES = 1 << 20
_TAG_MANIFEST = re.compile(rb"tagmanifest-[a-z0-9]+\.txt")


@dataclass(frozen=True, slots=True, kw_only=True)
class Bag:
    """What a bag says of itself; nothing of the payload has been looked at.

    Parameters
    ----------
    path : Path
        The bag's directory.
    declaration : Declaration
        Version and character set.
    info : BagInfo
        Elements of ``bag-info.txt``; empty if there is none.
    manifests : tuple of Manifest
        Payload and tag manifests, in the order of their names.
    fetch : tuple of FetchLine
        What ``fetch.txt`` lists.
    findings : tuple of Finding
        Everything that is wrong with these files.
    manifest_digests : tuple of tuple of str
        Name and SHA-256 of each manifest file as it was read.
    """

    path: Path
    declaration: Declaration
    info: BagInfo
    manifests: tuple[Manifest, ...]
    fetch: tuple[FetchLine, ...]
    findings: tuple[Finding, ...]
    manifest_digests: tuple[tuple[str, str], ...] = ()

    @property
    def name(self) -> str:
        """Name of the bag's directory."""
        return self.path.name

    @property
    def payload_manifests(self) -> tuple[Manifest, ...]:
        """The payload manifests."""
        return tuple(m for m in self.manifests if m.kind == "payload")

    @property
    def tag_manifests(self) -> tuple[Manifest, ...]:
        """The tag manifests."""
        return tuple(m for m in self.manifests if m.kind == "tag")


def read_bag(path: Path) -> Bag:
    """Read the tag files of a bag.

    Raises
    ------
    MisuseError
        ``path`` is not a directory.
    SurroundingsError
        ``path`` does not exist or cannot be listed.
    """
    if not files.status(path).is_directory and not files.status(files.resolved(path)).is_directory:
        raise MisuseError(
            "is not a directory",
            where=str(path),
            accepted="the directory of a bag",
            remedy="Unpack the bag first if it is an archive file",
        )
    reader = _Reader(path)
    declaration = reader.declaration()
    manifests = tuple(
        manifest
        for name in sorted(reader.names)
        if manifest_kind(name) and (manifest := reader.manifest(name, declaration))
    )
    if not any(name for name in reader.names if (manifest_kind(name) or ("", ""))[0] == "payload"):
        reader.findings.append(
            MANIFEST_MISSING.at(
                Where(file="."), "there is no payload manifest", accepted="manifest-sha256.txt"
            )
        )
    if not any(manifest.kind == "tag" for manifest in manifests):
        reader.findings.append(_no_tag_manifest(path, reader.names))
    info = reader.info(declaration)
    fetch = reader.fetch(declaration)
    return Bag(
        path=path,
        declaration=declaration,
        info=info,
        manifests=manifests,
        fetch=fetch,
        findings=tuple(reader.findings),
        manifest_digests=tuple(sorted(reader.digests.items())),
    )


class _Reader:
    """Reads the tag files that lie in a directory and collects what is wrong."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.names = {entry.name: entry for entry in files.entries(root)}
        self.findings: list[Finding] = []
        self.digests: dict[str, str] = {}

    def content(self, name: str) -> bytes | None:
        """Read a file of the top directory; None if it is not there or not readable."""
        entry = self.names.get(name)
        if entry is None:
            return None
        if entry.is_link or not entry.is_file:
            self.findings.append(
                LINK.at(
                    Where(file=name),
                    "the name does not stand for a file of its own",
                    accepted="a file",
                )
            )
            return None
        try:
            return files.read_bytes(self.root / name, limit=_MOST_BYTES, follow=False)
        except ArchiverError as error:
            self.findings.append(FILE_NOT_OPENED.at(Where(file=name), error.found))
            return None

    def declaration(self) -> Declaration:
        """Read ``bagit.txt``."""
        content = self.content(DECLARATION)
        if content is None:
            if DECLARATION not in self.names:
                self.findings.append(
                    DECLARATION_MISSING.at(Where(file=DECLARATION), "the file is not there")
                )
            return Declaration(version=(1, 0), encoding="UTF-8")
        declaration, findings = decode_declaration(content)
        self.findings += findings
        return declaration

    def manifest(self, name: str, declaration: Declaration) -> Manifest | None:
        """Read one manifest."""
        content = self.content(name)
        if content is None:
            return None
        self.digests[name] = hashlib.sha256(content).hexdigest()
        manifest, findings = decode_manifest(name, content, declaration)
        self.findings += findings
        return manifest

    def info(self, declaration: Declaration) -> BagInfo:
        """Read ``bag-info.txt``, or what it was called in the oldest bags."""
        name = BAG_INFO
        if name not in self.names and declaration.version < _OLDEST_WITH_BAG_INFO:
            name = _OLD_BAG_INFO
        content = self.content(name)
        if content is None:
            return BagInfo()
        info, findings = decode_bag_info(content, declaration, name)
        self.findings += findings
        return info

    def fetch(self, declaration: Declaration) -> tuple[FetchLine, ...]:
        """Read ``fetch.txt``."""
        content = self.content(FETCH)
        if content is None:
            return ()
        lines, findings = decode_fetch(content, declaration)
        self.findings += findings
        return lines


def _no_tag_manifest(path: Path, names: Iterable[str]) -> Finding:
    """Say that there is no tag manifest, and whether there was one."""
    named = None
    if _README in names:
        # What cannot be read says nothing of it; that is told elsewhere.
        with contextlib.suppress(ArchiverError):
            content = files.read_bytes(path / _README, limit=_LARGEST_README_BYTES)
            named = _TAG_MANIFEST.search(content)
    where, accepted = Where(file="."), "tagmanifest-sha256.txt"
    if named is None:
        return TAG_MANIFEST_MISSING.at(where, "there is no tag manifest", accepted=accepted)
    return TAG_MANIFEST_MISSING.at(
        where,
        f"there is no tag manifest, although {_README} names it: it was taken away, and nothing "
        "proves manifests, records and descriptions any more",
        accepted=named[0].decode("ascii"),
        remedy="Take it from another copy of the bag, then verify again",
    )
