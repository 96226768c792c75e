"""Writing a sheet: a tree of texts as YAML that reads back as the same tree.

Source: YAML 1.2.2, 7.3 (scalars), 8.1.2 (literal blocks). Every scalar is a text; one
that could be taken for anything else in YAML stands in double quotes or as a block.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator

from archiver.session.tree import Group, Listing, Node, Scalar, Unread

__all__ = ["as_yaml"]

_PLAIN = re.compile(r"[^\W_](?:[\w .,;/()+~°%'*=-]|:(?=[^\s]))*", re.UNICODE)
# What the reading takes, YAML 1.2.2, 5.1; line separators are left to quotes.
_BEYOND = re.compile(
    "[^\\x20-\\x7e\\xa0-\\u2027\\u202a-\\ud7ff\\ue000-\\ufefe\\uff00-\\ufffd\\U00010000-\\U0010ffff]"
)


def as_yaml(root: Group, *, heading: str = "") -> str:
    """Write a tree as a YAML document.

    Parameters
    ----------
    root : Group
        Of texts; comments are no part of it.
    heading : str
        Lines of a comment at the top, without ``#``.
    """
    lines = [f"# {line}".rstrip() for line in heading.splitlines()]
    lines += _group(root, "")
    return "\n".join(lines) + "\n"


def _group(group: Group, indent: str) -> Iterator[str]:
    for name, entry in group.entries.items():
        yield from _member(f"{indent}{_text(name)}:", entry.value, indent)


def _member(head: str, value: Node, indent: str) -> Iterator[str]:
    match value:
        case Scalar():
            yield from _scalar(head, value.text, indent)
        case Group() if value.entries:
            yield head
            yield from _group(value, indent + "  ")
        case Listing() if value.items:
            yield head
            for item in value.items:
                yield from _item(item, indent + "  ")
        case Group():
            yield f"{head} {{}}"
        case Listing():
            yield f"{head} []"
        case Unread():
            yield head


def _item(item: Node, indent: str) -> Iterator[str]:
    if not isinstance(item, Group) or not item.entries:
        yield from _member(f"{indent}-", item, indent)
        return
    lines = list(_group(item, indent + "  "))
    yield f"{indent}- {lines[0].lstrip()}"
    yield from lines[1:]


def _scalar(head: str, text: str, indent: str) -> Iterator[str]:
    lines = text.split("\n")
    if len(lines) > 1 and _fits_block(text, lines):
        yield f"{head} {'|' if text.endswith(chr(10)) else '|-'}"
        for line in lines[:-1] if text.endswith("\n") else lines:
            yield f"{indent}  {line}" if line else ""
    else:
        yield f"{head} {_text(text)}"


def _fits_block(text: str, lines: list[str]) -> bool:
    return (
        not _BEYOND.search(text.replace("\n", " "))
        and lines[0] != ""
        and not lines[0].startswith(" ")
        and not text.endswith("\n\n")
        and all(line == line.rstrip() for line in lines)
        # A first line deeper than the next would be read as the indentation.
        and all(not line.startswith((" ", "\t")) for line in lines)
    )


def _text(text: str) -> str:
    if _PLAIN.fullmatch(text) and not text.endswith((" ", ":")) and not _BEYOND.search(text):
        return text
    quoted = json.dumps(text, ensure_ascii=False)
    return _BEYOND.sub(_escaped, quoted)


def _escaped(match: re.Match[str]) -> str:
    number = ord(match[0])
    return f"\\u{number:04X}" if number <= 0xFFFF else f"\\U{number:08X}"
