"""Reads a page as a strict parser sees it: lxml's XML parser, which forgives nothing."""

from __future__ import annotations

import re

from lxml import etree

XHTML = "{http://www.w3.org/1999/xhtml}"


class Page:
    """A parsed page."""

    def __init__(self, content: bytes) -> None:
        parser = etree.XMLParser(resolve_entities=False, no_network=True, recover=False)
        self.root = etree.fromstring(content, parser)

    def all(self, *names: str) -> list[etree._Element]:
        """Return the elements of these names, in order."""
        return list(self.root.iter(*(f"{XHTML}{name}" for name in names)))

    def by_id(self, id_: str) -> etree._Element:
        """Return the element of an id."""
        (found,) = (one for one in self.root.iter() if one.get("id") == id_)
        return found

    def text(self, element: etree._Element | None = None) -> str:
        """Return the text of an element without the style sheet, blanks made one."""
        element = self.root if element is None else element
        texts = [
            text
            for one in element.iter(etree.Element)
            if one.tag != f"{XHTML}style"
            for text in (one.text, *(child.tail for child in one))
            if text
        ]
        return " ".join(" ".join(texts).split())

    def facts(self, id_: str) -> dict[str, list[tuple[str, str]]]:
        """Return the facts of a part by label: values with what each rests on."""
        found: dict[str, list[tuple[str, str]]] = {}
        for row in self.by_id(id_).iter(f"{XHTML}dl"):
            for pair in row:
                label, value = self.text(pair[0]), self.text(pair[1][0])
                basis = self.text(pair[1][1]) if len(pair[1]) > 1 else ""
                found.setdefault(label, []).append((value, basis))
        return found

    @property
    def style(self) -> str:
        """The style sheet."""
        (style,) = self.all("style")
        return style.text or ""

    def addresses(self) -> list[str]:
        """Return every address that a browser would fetch or lead to."""
        names = ("href", "src", "poster", "data", "action", "srcset")
        found = [one.get(name) for one in self.root.iter(etree.Element) for name in names]
        return [*(text for text in found if text), *re.findall(r"url\(([^)]*)\)", self.style)]
