"""The text of tag files: version and encoding of a bag, and bytes to lines.

Source: RFC 8493 sections 2.1.1 (bagit.txt), 2.3 (text tag files).
"""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from archiver.findings import Finding, Where
from archiver.package.names import shown
from archiver.package.rules import (
    DECLARATION_MALFORMED,
    DECLARATION_VERSION,
    ENCODING,
)

__all__ = [
    "DECLARATION",
    "KNOWN_VERSIONS",
    "Declaration",
    "decode_declaration",
    "encode_declaration",
    "lines_of",
]

DECLARATION = "bagit.txt"
KNOWN_VERSIONS = frozenset({(0, 93), (0, 94), (0, 95), (0, 96), (0, 97), (1, 0)})

_LINE_END = re.compile(r"\r\n|\r|\n")
_VERSION = re.compile(r"BagIt-Version: (\d{1,4})\.(\d{1,4})", re.IGNORECASE | re.ASCII)
_VERSION_LOOSE = re.compile(
    r"BagIt-Version\s*:\s*(\d{1,4})\.(\d{1,4})\s*", re.IGNORECASE | re.ASCII
)
_CHARSET = re.compile(r"Tag-File-Character-Encoding: (\S+)", re.IGNORECASE)
_CHARSET_LOOSE = re.compile(r"Tag-File-Character-Encoding\s*:\s*(\S+)\s*", re.IGNORECASE)
# Python knows these as text encodings, but no register of character sets does.
_NOT_CHARACTER_SETS = frozenset(
    {"idna", "mbcs", "oem", "punycode", "raw_unicode_escape", "undefined", "unicode_escape"}
)
_LONGEST_LINE = 65_536


@dataclass(frozen=True, slots=True, kw_only=True)
class Declaration:
    """What ``bagit.txt`` says.

    Parameters
    ----------
    version : tuple of int
        Major and minor number, such as ``(1, 0)``.
    encoding : str
        Name of the character set of the other text tag files.
    """

    version: tuple[int, int]
    encoding: str

    @property
    def version_text(self) -> str:
        """The version as it is written."""
        return f"{self.version[0]}.{self.version[1]}"

    @property
    def strict(self) -> bool:
        """Whether the rules of RFC 8493 apply, not those of the drafts before it."""
        return self.version >= (1, 0)


def encode_declaration() -> bytes:
    """Write ``bagit.txt`` of a BagIt 1.0 bag in UTF-8."""
    return b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def decode_declaration(content: bytes) -> tuple[Declaration, tuple[Finding, ...]]:
    """Read ``bagit.txt``.

    Returns
    -------
    declaration : Declaration
        Where the file says nothing usable, BagIt 1.0 in UTF-8 is assumed, so that the
        rest of the bag can still be examined.
    findings : tuple of Finding

    Source: RFC 8493 sections 2.1.1 and 7.1.
    """
    findings: list[Finding] = []

    def wrong(line: int, message: str, accepted: str) -> None:
        findings.append(
            DECLARATION_MALFORMED.at(Where(file=DECLARATION, line=line), message, accepted=accepted)
        )

    if content.startswith(codecs.BOM_UTF8):
        wrong(1, "the file begins with a byte order mark", "UTF-8 without a byte order mark")
        content = content.removeprefix(codecs.BOM_UTF8)
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        wrong(1, f"the file is not UTF-8 text (byte {error.start})", "UTF-8 text")
        text = content.decode("latin-1")
    lines = _LINE_END.split(text)
    if lines[-1] == "":
        lines.pop()
    if len(lines) != 2:
        wrong(1, f"the file has {len(lines)} lines", "exactly two lines")
    lines += [""] * (2 - len(lines))

    version = _VERSION.fullmatch(lines[0])
    charset = _CHARSET.fullmatch(lines[1])
    loose_version = version or _VERSION_LOOSE.fullmatch(lines[0])
    number = (int(loose_version[1]), int(loose_version[2])) if loose_version else (1, 0)
    if version is None and (loose_version is None or number >= (1, 0)):
        wrong(1, f"the line says {shown(lines[0][:80])!r}", "'BagIt-Version: 1.0'")
    if loose_version is not None and number not in KNOWN_VERSIONS:
        findings.append(
            DECLARATION_VERSION.at(
                Where(file=DECLARATION, line=1),
                f"the version is {number[0]}.{number[1]}",
                accepted="0.93 to 0.97 and 1.0",
            )
        )
    loose_charset = charset or _CHARSET_LOOSE.fullmatch(lines[1])
    if charset is None and (loose_charset is None or number >= (1, 0)):
        wrong(
            2,
            f"the line says {shown(lines[1][:80])!r}",
            "'Tag-File-Character-Encoding: UTF-8'",
        )
    encoding = loose_charset[1] if loose_charset else "UTF-8"
    if not _known(encoding):
        findings.append(
            ENCODING.at(
                Where(file=DECLARATION, line=2),
                f"the character set {shown(encoding[:80])!r} is not known",
                accepted="a name from the IANA register of character sets, best UTF-8",
            )
        )
        encoding = "UTF-8"
    return Declaration(version=number, encoding=encoding), tuple(findings)


def _known(encoding: str) -> bool:
    try:
        canonical = codecs.lookup(encoding).name
        # Not of nothing: only then is it checked that the codec is one for text.
        b"A".decode(encoding, "replace")
    except (LookupError, ValueError):
        return False
    return canonical.replace("-", "_") not in _NOT_CHARACTER_SETS


def lines_of(
    name: str, content: bytes, declaration: Declaration
) -> tuple[list[str], tuple[Finding, ...]]:
    """Decode a text tag file and take it apart at LF, CR and CRLF, and nowhere else.

    Returns
    -------
    lines : list of str
        Without their ends; empty if the text cannot be decoded.
    findings : tuple of Finding

    Source: RFC 8493 section 2.3.
    """
    findings: list[Finding] = []
    encoding = declaration.encoding
    if codecs.lookup(encoding).name in {"utf-8", "utf-8-sig"}:
        encoding = "utf-8"
        if content.startswith(codecs.BOM_UTF8):
            content = content.removeprefix(codecs.BOM_UTF8)
            findings.append(
                ENCODING.at(
                    Where(file=name, line=1),
                    "the file begins with a byte order mark",
                    accepted="UTF-8 without a byte order mark",
                )
            )
    try:
        text = content.decode(encoding)
    except UnicodeError as error:
        offset = error.start if isinstance(error, UnicodeDecodeError) else 0
        findings.append(
            ENCODING.at(
                Where(file=name, offset_bytes=offset),
                f"the file is not text in {declaration.encoding}",
                accepted=f"text in {declaration.encoding}, as bagit.txt says",
            )
        )
        return [], tuple(findings)
    lines = _LINE_END.split(text) if "\r" in text else text.split("\n")
    if lines[-1] == "":
        lines.pop()
    if max(map(len, lines), default=0) <= _LONGEST_LINE:
        return lines, tuple(findings)
    for number, line in enumerate(lines, 1):
        if len(line) > _LONGEST_LINE:
            findings.append(
                ENCODING.at(
                    Where(file=name, line=number),
                    f"the line has {len(line)} characters",
                    accepted=f"at most {_LONGEST_LINE} characters",
                )
            )
            lines[number - 1] = ""
    return lines, tuple(findings)
