"""Reading a sheet: bytes to a tree of texts, with findings instead of failures.

Covers the character encoding, what an editor may have left (byte order mark,
UTF-16, tabs), and broken YAML. Where one section of a sheet is broken the others
are still read, so that one run shows all there is to correct.
"""

from __future__ import annotations

import codecs
import re
from dataclasses import dataclass

from archiver.findings import Finding, Where
from archiver.session import rules
from archiver.session.tree import Group, Node, grow
from archiver.session.trouble import cut_texts, explained

__all__ = ["MAX_SHEET_BYTES", "Sheet", "read_sheet"]

MAX_SHEET_BYTES = 16 * 1024 * 1024
"""Size beyond which a sheet is not read: 10,000 takes need about 3 MiB."""

_MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32-le", "UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32-be", "UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "UTF-16"),
)
# YAML 1.2.2, 5.1: printable characters. NEL and the two separators are printable but
# end lines in some readers and not in others, so the person's text would be changed.
_UNPRINTABLE = re.compile(
    "[^\\t\\n\\r\\x20-\\x7e\\xa0-\\u2027\\u202a-\\ud7ff\\ue000-\\ufefe\\uff00-\\ufffd\\U00010000-\\U0010ffff]"
)
_REPORTED = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A sheet as far as it could be read.

    ``root`` is None when there is no group of fields to read; ``damaged`` names the
    top-level fields whose text is not YAML, each with a finding.
    """

    file: str
    root: Group | None
    findings: tuple[Finding, ...]
    damaged: frozenset[str]


def read_sheet(content: bytes, file: str) -> Sheet:
    """Read the bytes of a sheet or a machine file.

    Parameters
    ----------
    content : bytes
        The whole file.
    file : str
        Path relative to the session folder, for the findings.

    Returns
    -------
    Sheet
        Never raises for what stands in the file.
    """
    findings: list[Finding] = []
    damaged: frozenset[str] = frozenset()
    root: Node | None = None
    if len(content) > MAX_SHEET_BYTES:
        findings.append(
            rules.SHEET_TOO_LARGE.at(
                Where(file=file),
                f"is {len(content)} bytes long",
                accepted=f"at most {MAX_SHEET_BYTES} bytes (16 MiB)",
            )
        )
        return Sheet(file=file, root=None, findings=tuple(findings), damaged=damaged)
    text = _printable(_decoded(content, file, findings), file, findings)
    root, damaged = _rooted(text, file, findings)
    if not isinstance(root, Group):
        if root is not None:
            found = "holds a list or a single text where fields are expected"
        else:
            found = "holds no fields"
        if root is not None or not findings:
            findings.append(
                rules.SHEET_EMPTY.at(
                    Where(file=file, line=1),
                    found,
                    accepted="lines such as `schema: session 1`, each a name, a colon and a value",
                )
            )
        return Sheet(file=file, root=None, findings=tuple(findings), damaged=damaged)
    findings += cut_texts(root, text, file)
    return Sheet(file=file, root=root, findings=tuple(findings), damaged=damaged)


def _decoded(content: bytes, file: str, findings: list[Finding]) -> str:
    for mark, codec, name in _MARKS:
        if content.startswith(mark):
            return _foreign(content[len(mark) :], codec, name, file, findings)
    if content.startswith(codecs.BOM_UTF8):
        content = content[len(codecs.BOM_UTF8) :]
        findings.append(
            rules.SHEET_BYTE_ORDER_MARK.at(
                Where(file=file, line=1, column=1), "begins with a UTF-8 byte order mark"
            )
        )
    head = content[:200]
    for offset, codec in ((1, "utf-16-le"), (0, "utf-16-be")):
        high, low = head[offset::2], head[1 - offset :: 2]
        if len(head) >= 8 and high.count(0) * 3 >= len(high) * 2 and low.count(0) * 3 < len(low):
            return _foreign(content, codec, "UTF-16", file, findings)
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        _undecodable(content, error, file, findings)
        return content.decode("utf-8", errors="replace")


def _foreign(content: bytes, codec: str, name: str, file: str, findings: list[Finding]) -> str:
    findings.append(
        rules.SHEET_ENCODING.at(Where(file=file, line=1), f"is encoded in {name}", accepted="UTF-8")
    )
    return content.decode(codec, errors="replace").removeprefix("\ufeff")


def _undecodable(
    content: bytes, error: UnicodeDecodeError, file: str, findings: list[Finding]
) -> None:
    reported = 0
    start = error.start
    while True:
        before = content[:start]
        line = before.count(b"\n") + 1
        column = len(before[before.rfind(b"\n") + 1 :].decode("utf-8", errors="replace")) + 1
        byte = content[start]
        guess = bytes([byte]).decode("cp1252", errors="replace")
        hint = "" if guess == "\ufffd" else f", which is {guess!r} in Windows-1252"
        findings.append(
            rules.SHEET_ENCODING.at(
                Where(file=file, line=line, column=column, offset_bytes=start),
                f"holds a byte that is not UTF-8: 0x{byte:02X}{hint}",
                accepted="UTF-8",
            )
        )
        reported += 1
        # One finding a line: a text in another encoding has many such bytes.
        end = content.find(b"\n", start)
        if end < 0 or reported >= _REPORTED:
            return
        try:
            content[end:].decode("utf-8")
        except UnicodeDecodeError as later:
            start = end + later.start
        else:
            return


def _printable(text: str, file: str, findings: list[Finding]) -> str:
    found = _UNPRINTABLE.finditer(text)
    for count, match in enumerate(found):
        if count == _REPORTED:
            break
        line, column = _position(text, match.start())
        findings.append(
            rules.SHEET_CONTROL_CHARACTER.at(
                Where(file=file, line=line, column=column),
                f"holds the invisible character U+{ord(match[0]):04X}",
                accepted="letters, digits, punctuation, blanks and line ends",
            )
        )
    return _UNPRINTABLE.sub("\ufffd", text)


def _position(text: str, index: int) -> tuple[int, int]:
    line = text.count("\n", 0, index) + 1
    return line, index - (text.rfind("\n", 0, index) + 1) + 1


_TABBED = re.compile(r"^[ ]*\t", re.MULTILINE)


def _rooted(text: str, file: str, findings: list[Finding]) -> tuple[Node | None, frozenset[str]]:
    """Grow the tree; blank out a section that is not YAML and go on with the rest."""
    lines = text.splitlines(keepends=True)
    damaged: set[str] = set()
    tabs_told = False
    while True:
        root, met, error = grow("".join(lines), file)
        if error is None:
            findings += met
            return root, frozenset(damaged)
        if not tabs_told and _at_tab(lines, error):
            tabs_told = True
            _tell_tabs(lines, file, findings)
            lines = [_untabbed(line) for line in lines]
            continue
        finding, line = explained(error, lines, file)
        findings.append(finding)
        section = _section(lines, line)
        if section is None or section[0] in damaged or len(damaged) >= _REPORTED:
            return None, frozenset(damaged)
        name, first, last = section
        damaged.add(name)
        lines[first:last] = ["\n"] * (last - first)


def _at_tab(lines: list[str], error: object) -> bool:
    mark = getattr(error, "problem_mark", None)
    if mark is None or mark.line >= len(lines):
        return False
    near = lines[max(0, mark.line - 1) : mark.line + 1]
    return any(_TABBED.match(line) for line in near)


def _tell_tabs(lines: list[str], file: str, findings: list[Finding]) -> None:
    tabbed = [number for number, line in enumerate(lines, start=1) if _TABBED.match(line)]
    first, rest = tabbed[0], len(tabbed) - 1
    more = f", and so do {rest} more lines" if rest else ""
    findings.append(
        rules.SHEET_TAB.at(
            Where(file=file, line=first, column=lines[first - 1].index("\t") + 1),
            f"begins with a tab{more}"
            if rest != 1
            else "begins with a tab, and so does 1 more line",
            accepted="spaces, two a level",
        )
    )


def _untabbed(line: str) -> str:
    match = _TABBED.match(line)
    if not match:
        return line
    body = line.lstrip(" \t")
    return line[: len(line) - len(body)].replace("\t", "  ") + body


_TOP_FIELD = re.compile(r"([A-Za-z_][\w ]*?)[ ]*:(?:\s|$)")


def _section(lines: list[str], line: int) -> tuple[str, int, int] | None:
    """Find the top-level field that a line lies in: its name, first line and end, from 0."""
    first = min(line, len(lines)) - 1
    while first >= 0:
        match = _TOP_FIELD.match(lines[first])
        if match:
            break
        first -= 1
    else:
        return None
    last = first + 1
    while last < len(lines) and not _TOP_FIELD.match(lines[last]):
        last += 1
    return match[1], first, last
