"""Reading a document back, and collecting what is wrong with it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, cast

from lxml import etree

from archiver.describe import rules
from archiver.describe.facts import Archive, FileFacts
from archiver.findings import Finding, Rule, Where

__all__ = ["Desk", "children", "local_name", "parsed", "text_of"]


class Desk:
    """The archive, the files that may be named, and the findings so far.

    Parameters
    ----------
    archive : Archive
    described : dict of str to FileFacts
        The documents themselves, by path.
    """

    def __init__(self, archive: Archive, described: dict[str, FileFacts]) -> None:
        self.archive = archive
        self.files: dict[str, FileFacts] = {**archive.by_path, **described}
        self.findings: list[Finding] = []
        self._file = ""

    def open(self, path: str) -> None:
        """Begin with a document; findings are placed in it from now on."""
        self._file = path

    def report(
        self,
        rule: Rule,
        found: str,
        *,
        at: etree._Element | None = None,
        field: str = "",
        accepted: str = "",
    ) -> None:
        """Write down what is wrong, at an element or at a field."""
        # The stubs of lxml say that a line may be an ellipsis.
        line = cast("int | None", at.sourceline) if at is not None else None
        where = Where(
            file=self._file,
            line=line,
            field=field or (local_name(at) if at is not None else ""),
        )
        self.findings.append(rule.at(where, found, accepted=accepted))


def parsed(content: bytes, desk: Desk) -> etree._Element | None:
    """Parse an XML document of this program; None, with a finding, when it cannot be."""
    # No entities and no network; huge_tree, since a session of many takes is long.
    parser = etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=True)
    try:
        root = etree.fromstring(content, parser)
    except etree.XMLSyntaxError as error:
        desk.report(rules.MALFORMED, f"the document is not well-formed: {error}")
        return None
    # The stubs of lxml know no doctype.
    if cast("Any", root.getroottree().docinfo).doctype:
        desk.report(rules.MALFORMED, "the document has a DOCTYPE", accepted="none")
        return None
    return root


def local_name(element: etree._Element) -> str:
    """Return the name of an element without its namespace."""
    return str(element.tag).rpartition("}")[2]


def text_of(parent: etree._Element, *names: str) -> str | None:
    """Return the text at the end of a path of child names, in any namespace; None if absent."""
    element: etree._Element | None = parent
    for name in names:
        element = next(children(element, name), None) if element is not None else None
    return (element.text or "") if element is not None else None


def children(parent: etree._Element, name: str) -> Iterator[etree._Element]:
    """Yield the children of a name, in any namespace."""
    return (child for child in parent if local_name(child) == name)
