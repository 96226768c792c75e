"""Payload and tag manifests: pure functions between bytes and records.

Source: RFC 8493 sections 2.1.3 and 2.2.1 (manifests), 2.4 (algorithms), 6.2 (marks of
checksum programs).
"""

from __future__ import annotations

import functools
import hashlib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from archiver.findings import Finding, Where
from archiver.package.names import (
    danger,
    decode_path,
    encode_path,
    has_stray_percent,
    shown,
)
from archiver.package.rules import (
    CHECKSUM_MALFORMED,
    LINE_DUPLICATE,
    LINE_DUPLICATE_EQUAL,
    LINE_MALFORMED,
    LINE_MARKED,
    PATH_DANGEROUS,
    PATH_MISPLACED,
    PATH_NOT_CANONICAL,
    PERCENT_STRAY,
)
from archiver.package.text import Declaration, lines_of

__all__ = [
    "Manifest",
    "ManifestLine",
    "decode_manifest",
    "encode_manifest",
    "hashlib_name",
    "manifest_kind",
]

ManifestKind = Literal["payload", "tag"]

_NAME = re.compile(r"(tag)?manifest-([A-Za-z0-9]+)\.txt")
_LINE = re.compile(r"(\\?)([^ \t]+)([ \t]+)(.*)", re.DOTALL)
_HEX = re.compile(r"[0-9A-Fa-f]+")
# Nothing in such a path needs a second look; nearly all paths are of this kind.
_PLAIN = re.compile(r"(?:[A-Za-z0-9_][A-Za-z0-9_.-]*/)*[A-Za-z0-9_][A-Za-z0-9_.-]*")
_UNDERSCORED = {
    "sha3224": "sha3_224",
    "sha3256": "sha3_256",
    "sha3384": "sha3_384",
    "sha3512": "sha3_512",
    "sha512224": "sha512_224",
    "sha512256": "sha512_256",
}
_HEX_LENGTH = {
    "md5": 32,
    "sha1": 40,
    "sha224": 56,
    "sha256": 64,
    "sha384": 96,
    "sha512": 128,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ManifestLine:
    """One file of a manifest.

    Parameters
    ----------
    path : str
        As the file is named, decoded and without ``./``.
    checksum : str
        Lower-case hexadecimal.
    line : int
        Counted from 1; 0 for a record that was not read.
    literal : str
        The path as it stands in the file, where that is another one; else empty.
    """

    path: str
    checksum: str
    line: int = 0
    literal: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """A manifest: the checksums of one algorithm.

    Parameters
    ----------
    name : str
        File name, such as ``manifest-sha256.txt``.
    kind : {"payload", "tag"}
    algorithm : str
        As in the file name, such as ``sha256``.
    lines : tuple of ManifestLine
        Usable lines, each path once.
    """

    name: str
    kind: ManifestKind
    algorithm: str
    lines: tuple[ManifestLine, ...]


def manifest_kind(name: str) -> tuple[ManifestKind, str] | None:
    """Tell kind and algorithm of a manifest by its file name; None if it is none.

    Source: RFC 8493 sections 2.1.3, 2.2.1 and 2.4.
    """
    found = _NAME.fullmatch(name)
    if found is None:
        return None
    return ("tag" if found[1] else "payload"), found[2]


@functools.cache
def hashlib_name(algorithm: str) -> str | None:
    """Name an algorithm of a manifest as :mod:`hashlib` does; None if it is not known here.

    Source: RFC 8493 section 2.4 (letters and digits of the common name, in lower case).
    """
    name = algorithm.lower()
    name = _UNDERSCORED.get(name, name)
    if name not in hashlib.algorithms_available or name.startswith("shake"):
        return None
    try:
        # OpenSSL lists algorithms that its configuration may still refuse.
        hashlib.new(name, usedforsecurity=False)
    except ValueError:
        return None
    return name


def encode_manifest(lines: Iterable[tuple[str, str]]) -> bytes:
    """Write a manifest: two blanks between checksum and path, sorted by path.

    Parameters
    ----------
    lines : iterable of tuple of str
        Path and checksum.

    Source: RFC 8493 section 2.1.3; the order is the house's own, for equal bytes.
    """
    ordered = sorted(lines, key=lambda line: line[0].encode())
    return "".join(f"{checksum}  {encode_path(path)}\n" for path, checksum in ordered).encode()


def decode_manifest(
    name: str, content: bytes, declaration: Declaration
) -> tuple[Manifest, tuple[Finding, ...]]:
    """Read a manifest, with everything that is wrong with it.

    Parameters
    ----------
    name : str
        File name; it says kind and algorithm.
    content : bytes
        The file.
    declaration : Declaration
        Version and character set of the bag.

    Raises
    ------
    ValueError
        ``name`` is not the name of a manifest.

    Source: RFC 8493 sections 2.1.3, 2.2.1, 5.1 and 6.2.
    """
    named = manifest_kind(name)
    if named is None:
        raise ValueError(f"{name} is not the name of a manifest")
    kind, algorithm = named
    texts, found = lines_of(name, content, declaration)
    findings = list(found)
    reader = _LineReader(name, kind, algorithm, declaration)
    lines: dict[str, ManifestLine] = {}
    plain = _plain_line(reader.hex_length).fullmatch if kind == "payload" else None
    for number, text in enumerate(texts, 1):
        if plain is not None and (found_plain := plain(text)) is not None:
            checksum, path = found_plain.groups()
            line: ManifestLine | None = ManifestLine(
                path=path, checksum=checksum.lower(), line=number
            )
        else:
            line = reader.read(text, number)
        if line is None:
            continue
        before = lines.setdefault(line.path, line)
        if before is line:
            continue
        equal = before.checksum == line.checksum
        rule = LINE_DUPLICATE_EQUAL if equal and not declaration.strict else LINE_DUPLICATE
        findings.append(
            rule.at(
                Where(file=name, line=number),
                f"{shown(line.path)!r} stands in line {before.line} already, with "
                f"{'the same' if equal else 'another'} checksum",
                accepted="one line for each file",
            )
        )
    findings += reader.findings
    manifest = Manifest(name=name, kind=kind, algorithm=algorithm, lines=tuple(lines.values()))
    return manifest, tuple(findings)


@functools.cache
def _plain_line(hex_length: int | None) -> re.Pattern[str]:
    """Match lines of a payload manifest that are as they should be, and need no closer look."""
    digits = "+" if hex_length is None else f"{{{hex_length}}}"
    return re.compile(rf"([0-9A-Fa-f]{digits})[ \t]+(data/{_PLAIN.pattern})")


class _LineReader:
    """Reads the lines of one manifest and collects what is wrong with them."""

    def __init__(
        self, name: str, kind: ManifestKind, algorithm: str, declaration: Declaration
    ) -> None:
        self.name = name
        self.kind = kind
        self.strict = declaration.strict
        self.hex_length = _HEX_LENGTH.get(algorithm.lower())
        self.algorithm = algorithm
        self.findings: list[Finding] = []
        self.marked = False

    def read(self, text: str, number: int) -> ManifestLine | None:
        """Read one line; None if it holds nothing usable."""
        where = Where(file=self.name, line=number)
        parts = _LINE.fullmatch(text)
        if parts is None or not parts[4]:
            if text.strip(" \t") or self.strict:
                self.findings.append(
                    LINE_MALFORMED.at(
                        where,
                        f"the line says {shown(text[:80])!r}" if text else "the line is empty",
                        accepted="checksum, blanks, path",
                    )
                )
            return None
        backslash, checksum, _, literal = parts.groups()
        if not _HEX.fullmatch(checksum) or (
            self.hex_length is not None and len(checksum) != self.hex_length
        ):
            length = f"{self.hex_length} " if self.hex_length else ""
            self.findings.append(
                CHECKSUM_MALFORMED.at(
                    where,
                    f"the checksum of {shown(literal[:200])!r} is {shown(checksum[:140])!r}",
                    accepted=f"{length}hexadecimal digits ({self.algorithm})",
                )
            )
            return None
        literal = self._without_marks(literal, backslash=bool(backslash), where=where)
        path = self._path(literal, where)
        if path is None:
            return None
        return ManifestLine(
            path=path,
            checksum=checksum.lower(),
            line=number,
            literal=literal if literal != path else "",
        )

    def _without_marks(self, literal: str, *, backslash: bool, where: Where) -> str:
        """Take off what checksum programs write: RFC 8493 section 6.2."""
        starred = literal.startswith("*")
        if not (starred or backslash):
            return literal
        if not self.marked:
            # One finding for a manifest: every line of such a file has the mark.
            self.marked = True
            self.findings.append(
                LINE_MARKED.at(
                    where,
                    "the path has the mark of a checksum program"
                    f" ({'an asterisk before it' if starred else 'a backslash before the line'})",
                    accepted="checksum, blanks, path",
                )
            )
        literal = literal.removeprefix("*")
        return literal.replace("\\\\", "\\") if backslash else literal

    def _path(self, literal: str, where: Where) -> str | None:
        path = decode_path(literal) if self.strict else literal
        if not _PLAIN.fullmatch(path):
            reason = danger(path) or danger(literal) or danger(decode_path(literal))
            if reason:
                self.findings.append(
                    PATH_DANGEROUS.at(
                        where,
                        f"the path {shown(literal[:200])!r} is refused: {reason}",
                        accepted="a path inside the bag",
                    )
                )
                return None
            if self.strict and has_stray_percent(literal):
                self.findings.append(
                    PERCENT_STRAY.at(
                        where,
                        f"the path {shown(literal[:200])!r} holds a '%' that encodes nothing",
                        accepted="%0A, %0D and %25 only",
                    )
                )
            path = self._canonical(path, where)
        if self.kind == "payload":
            misplaced = not path.startswith("data/") or path == "data/"
        else:
            kind = manifest_kind(path)
            misplaced = path.startswith("data/") or (kind is not None and kind[0] == "tag")
        if misplaced:
            self.findings.append(
                PATH_MISPLACED.at(
                    where,
                    f"the {self.kind} manifest lists {shown(path[:200])!r}",
                    accepted="paths below data/"
                    if self.kind == "payload"
                    else "tag files outside data/ that are no tag manifests",
                )
            )
            return None
        return path

    def _canonical(self, path: str, where: Where) -> str:
        components = path.split("/")
        kept = [component for component in components if component not in {"", "."}]
        if len(kept) == len(components):
            return path
        self.findings.append(
            PATH_NOT_CANONICAL.at(
                where,
                f"the path is written {shown(path[:200])!r}",
                accepted=shown("/".join(kept)[:200]),
            )
        )
        return "/".join(kept)
