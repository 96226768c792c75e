"""Explaining broken YAML in the words of the person who wrote it.

Maps what the YAML scanner and parser stumble over to the usual cause in a sheet.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

from ruamel.yaml.error import MarkedYAMLError

from archiver.findings import Finding, Where
from archiver.session import rules
from archiver.session.slips import find_slip
from archiver.session.tree import Entry, Group, Listing, Node, Scalar, grow

__all__ = ["cut_texts", "explained"]

_QUOTE = "Put the text into single quotes."


def explained(error: MarkedYAMLError, lines: list[str], file: str) -> tuple[Finding, int]:
    """Turn a YAML error into a finding.

    Parameters
    ----------
    error : MarkedYAMLError
        As raised by the scanner, parser or reader.
    lines : list of str
        The text, to show what stands there.
    file : str
        Name for the finding.

    Returns
    -------
    finding : Finding
        With line and column.
    line : int
        Line of the section to blame, counted from 1.
    """
    mark = error.problem_mark or error.context_mark
    line = min(mark.line + 1, max(1, len(lines))) if mark is not None else 1
    column = mark.column + 1 if mark is not None else 1
    begun = error.context_mark.line + 1 if error.context_mark is not None else line
    slip = find_slip(lines, line, begun, _reads)
    if slip is not None:
        return (
            rules.SHEET_SYNTAX.at(
                Where(file=file, line=slip.line, column=slip.column),
                f"{slip.found}: `{_shown(lines, slip.line)}`",
                accepted=slip.accepted,
                remedy=slip.remedy,
            ),
            slip.line,
        )
    found, accepted, remedy, blame = _cause(error, line, begun)
    shown = _shown(lines, line) if line <= len(lines) else ""
    if shown and blame == line:
        found = f"{found}: `{shown}`"
    finding = rules.SHEET_SYNTAX.at(
        Where(file=file, line=blame, column=column if blame == line else None),
        found,
        accepted=accepted,
        remedy=remedy,
    )
    return finding, blame


def _reads(text: str) -> bool:
    return grow(text, "")[2] is None


def _shown(lines: list[str], line: int) -> str:
    """Show a line, with a tab as what a person can see."""
    return lines[line - 1].strip()[:60].replace("\t", "→")


def _cause(error: MarkedYAMLError, line: int, begun: int) -> tuple[str, str, str, int]:
    problem = error.problem or ""
    context = error.context or ""
    if "mapping values are not allowed" in problem:
        return (
            "a colon and a blank stand inside a text without quotes, or the line is indented wrongly",
            "a name, a colon, a blank and the value: `title: 'Letter: to the harbour'`",
            _QUOTE,
            line,
        )
    if "quoted scalar" in context and "end of stream" in problem:
        return (
            f"the quotation mark opened in line {begun} is never closed",
            "a text that ends with the same mark",
            "Close the quotation mark.",
            begun,
        )
    if "unknown escape" in problem or "escape sequence" in problem:
        return (
            "a backslash in double quotes begins a special character that YAML does not know",
            "single quotes, in which a backslash is a backslash",
            "Use single quotes.",
            line,
        )
    if "flow" in context:
        return (
            f"the bracket opened in line {begun} is not closed, or a comma is missing",
            "[first, second] or {name: value, name: value}",
            "Close the bracket, and put texts that hold brackets, commas or colons into quotes.",
            begun,
        )
    if "cannot start any token" in problem:
        return (
            "a text cannot begin with this character unless it is in quotes",
            "the text in single quotes",
            _QUOTE,
            line,
        )
    if "could not find expected ':'" in problem:
        return (
            f"a line without a colon stands where a field is expected (from line {begun})",
            "a name, a colon, a blank and the value",
            "Add the colon, or indent the line so that it belongs to the text above.",
            begun,
        )
    if "expected <block end>" in problem or "block" in context:
        return (
            "the indentation does not fit the lines above, or a closed quotation is followed by more text",
            "the fields of one group exactly below each other",
            "Align the line with the fields that it belongs to.",
            line,
        )
    return (
        f"this is not YAML ({problem or context})",
        "a name, a colon, a blank and the value",
        "Correct the line, and look at the line above it.",
        line,
    )


# A comment usually has a blank after #; `No #7` and `#7` do not.
_CUT = re.compile(r"[ \t]+#[^\s#]")


def cut_texts(root: Group, text: str, file: str) -> list[Finding]:
    """Report texts that seem to go on after a ``#``, which YAML takes for a comment.

    Parameters
    ----------
    root : Group
        The tree of the text.
    text : str
        The whole file.
    file : str
        Name for the findings.
    """
    if not _CUT.search(text):
        return []
    lines = text.splitlines()
    findings: list[Finding] = []
    for scalar, entry, path in _scalars(root, None, ""):
        line, column = scalar.end_line, scalar.end_column - 1
        if not scalar.text and entry is not None:
            line = entry.line
            column = lines[line - 1].find(":", entry.column) + 1
        if not scalar.plain or line > len(lines):
            continue
        rest = lines[line - 1][column:]
        if _CUT.match(rest):
            cut = re.split(r"[ \t]+#[ \t]", rest, maxsplit=1)[0].rstrip()[:60]
            whole = (scalar.text + cut).strip()
            findings.append(
                rules.SHEET_COMMENT_CUTS_TEXT.at(
                    Where(file=file, line=line, column=column + 1, field=path),
                    f"`{cut.strip()}` is read as a comment, not as part of the text",
                    accepted=f"'{whole}' in quotes",
                )
            )
    return findings


def _scalars(
    node: Node, entry: Entry | None, path: str
) -> Iterator[tuple[Scalar, Entry | None, str]]:
    if isinstance(node, Scalar):
        yield node, entry, path
    elif isinstance(node, Group):
        for name, each in node.entries.items():
            yield from _scalars(each.value, each, f"{path}.{name}" if path else name)
    elif isinstance(node, Listing):
        for index, item in enumerate(node.items):
            yield from _scalars(item, None, f"{path}[{index}]")
