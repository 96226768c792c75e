"""Where a field stands: paths such as ``takes[2].file`` to file, line and column."""

from __future__ import annotations

import re
from dataclasses import dataclass

from archiver.findings import Where
from archiver.session.tree import Entry, Group, Listing, Node

__all__ = ["Places"]

_STEP = re.compile(r"\[(\d+)\]|\.?([^.\[\]]+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """The tree of one file, to find the line of a field; empty for a record made by code."""

    file: str = ""
    root: Group | None = None

    def locate(self, path: str) -> Where:
        """Return the place of a field, or of the nearest field around it that is there.

        Parameters
        ----------
        path : str
            Names joined by full stops, list positions from 0 in brackets.
        """
        node: Node | None = self.root
        line, column = (node.line, node.column) if node is not None else (None, None)
        for index, name in _STEP.findall(path):
            step: Node | Entry | None = None
            if index and isinstance(node, Listing) and int(index) < len(node.items):
                step = node = node.items[int(index)]
            elif name and isinstance(node, Group) and name in node.entries:
                step = node.entries[name]
                node = step.value
            if step is None:
                break
            line, column = step.line, step.column
        return Where(file=self.file, line=line, column=column, field=path)
