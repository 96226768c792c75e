"""A sheet with values replaced, every other byte as it was.

What is not public is taken out of the copy of a sheet that everybody may read. Comments,
order and line numbers stay, so that findings still name the right line.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping

from archiver.errors import DefectError
from archiver.session.sheet import read_sheet
from archiver.session.tree import Group, Listing, Node, Scalar

__all__ = ["redacted", "scalars"]

_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n|$)")
_BREAK = re.compile(r"\r\n|\r|\n")


def scalars(node: Node, field: str = "") -> Iterator[tuple[str, Scalar]]:
    """Yield every value of a sheet with the path of its field."""
    if isinstance(node, Scalar):
        yield field, node
    elif isinstance(node, Group):
        for name, entry in node.entries.items():
            yield from scalars(entry.value, f"{field}.{name}" if field else name)
    elif isinstance(node, Listing):
        for number, item in enumerate(node.items):
            yield from scalars(item, f"{field}[{number}]")


def redacted(content: bytes, file: str, replacements: Mapping[str, str]) -> bytes:
    """Replace values of a sheet.

    Parameters
    ----------
    content : bytes
        The whole file, in UTF-8, without error findings.
    file : str
        Its name, for the error.
    replacements : mapping of str to str
        New text by the path of the field, such as ``operators[2].phone``.

    Raises
    ------
    DefectError
        The result does not read as the same sheet with these values.
    """
    text = content.decode("utf-8-sig")
    before = _values(content, file)
    starts = _line_starts(text)
    for field, value in sorted(
        ((field, before[field]) for field in replacements if field in before),
        key=lambda pair: (pair[1].line, pair[1].column),
        reverse=True,
    ):
        start = starts[value.line - 1] + value.column - 1
        end = starts[value.end_line - 1] + value.end_column - 1
        old = text[start:end]
        kept = len(old.rstrip())
        # As many lines as before, so that what follows keeps its number.
        breaks = "".join(_BREAK.findall(old[:kept]))
        new = json.dumps(replacements[field], ensure_ascii=False)
        text = text[:start] + new + breaks + old[kept:] + text[end:]
    mark = b"\xef\xbb\xbf" if content.startswith(b"\xef\xbb\xbf") else b""
    result = mark + text.encode()
    _confirm(before, _values(result, file), file, replacements)
    return result


def _line_starts(text: str) -> list[int]:
    return [match.start() for match in _LINE.finditer(text)]


def _values(content: bytes, file: str) -> dict[str, Scalar]:
    root = read_sheet(content, file).root
    return {} if root is None else dict(scalars(root))


def _confirm(
    before: Mapping[str, Scalar],
    after: Mapping[str, Scalar],
    file: str,
    replacements: Mapping[str, str],
) -> None:
    expected = {field: replacements.get(field, value.text) for field, value in before.items()}
    found = {field: value.text for field, value in after.items()}
    if found != expected:
        wrong = sorted(f for f in expected.keys() | found.keys() if expected.get(f) != found.get(f))
        raise DefectError(
            f"values could not be taken out of the sheet: {', '.join(wrong[:5])}",
            where=file,
            remedy="Write each value on a line of its own; please report the sheet",
        )
