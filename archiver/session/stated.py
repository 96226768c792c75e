"""What a sheet states, read from its tree rather than from its records.

A take whose kind is mistyped makes no record, but it still has an id and a file;
checks of references and files use these, so that one mistake makes one finding.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from archiver.session.tree import Group, Listing, Node, Scalar

__all__ = ["Stated", "stated"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """One text of the sheet and its field, such as ``takes[2].file``."""

    text: str
    field: str
    line: int
    column: int


def stated(root: Group, section: str, name: str) -> Iterator[Stated]:
    """Yield the texts of one field of every group in a list; members of a list singly.

    Parameters
    ----------
    root : Group
        The file.
    section : str
        A top-level list, such as ``takes``.
    name : str
        The field, such as ``file`` or ``operators``.
    """
    entry = root.entries.get(section)
    if entry is None or not isinstance(entry.value, Listing):
        return
    for index, item in enumerate(entry.value.items):
        if not isinstance(item, Group) or name not in item.entries:
            continue
        yield from _texts(item.entries[name].value, f"{section}[{index}].{name}")


def _texts(node: Node, path: str) -> Iterator[Stated]:
    if isinstance(node, Scalar):
        if node.text.strip():
            yield Stated(text=node.text, field=path, line=node.line, column=node.column)
    elif isinstance(node, Listing):
        for index, item in enumerate(node.items):
            yield from _texts(item, f"{path}[{index}]")
