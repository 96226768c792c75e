"""A small tree of elements, written as indented UTF-8.

Written by hand because a session of 500 takes has 160,000 elements, which take a
general library longer than all other work together. It knows elements, attributes and
text, and no mixed content. What it writes is read back by lxml in the tests.
"""

from __future__ import annotations

from collections.abc import Mapping

from archiver.describe.xmltext import legal

__all__ = ["XML_LANG", "Element", "Namespace", "serialised"]

XML_LANG = "xml:lang"


class Element:
    """An element with text or with children, not both; names carry their prefix."""

    __slots__ = ("attributes", "children", "name", "text")

    def __init__(
        self, name: str, text: str | None, attributes: Mapping[str, str | None] | None
    ) -> None:
        self.name = name
        self.text = text
        self.attributes = attributes
        self.children: list[Element] = []


class Namespace:
    """Makes elements of one namespace.

    Parameters
    ----------
    uri : str
        Namespace of the elements.
    prefixes : mapping
        Namespaces by prefix, for the root element; the elements' own is among them.
    """

    def __init__(self, uri: str, prefixes: Mapping[str, str]) -> None:
        self._prefix = next(prefix for prefix, known in prefixes.items() if known == uri)
        self._declared = {f"xmlns:{prefix}": known for prefix, known in prefixes.items()}

    def root(self, name: str, attributes: Mapping[str, str | None] | None = None) -> Element:
        """Make a root element; attributes that are None are left out."""
        return Element(f"{self._prefix}:{name}", None, {**self._declared, **(attributes or {})})

    def add(
        self,
        parent: Element,
        name: str,
        text: str | None = None,
        attributes: Mapping[str, str | None] | None = None,
    ) -> Element:
        """Append an element; attributes that are None are left out."""
        child = Element(f"{self._prefix}:{name}", text, attributes)
        parent.children.append(child)
        return child


def serialised(root: Element) -> bytes:
    """Write a tree with an XML declaration.

    Characters that XML cannot hold are replaced, see :func:`archiver.describe.xmltext.legal`;
    all other text comes back from a parser as it was, line ends included.
    """
    out = ['<?xml version="1.0" encoding="UTF-8"?>\n']
    _write(root, "", out)
    return "".join(out).encode()


def _write(element: Element, indent: str, out: list[str]) -> None:
    start = f"{indent}<{element.name}"
    if element.attributes:
        for key, value in element.attributes.items():
            if value is not None:
                start += f' {key}="{_quoted(value)}"'
    if element.children:
        out.append(start + ">\n")
        deeper = indent + "  "
        for child in element.children:
            _write(child, deeper, out)
        out.append(f"{indent}</{element.name}>\n")
    elif element.text:
        out.append(f"{start}>{_escaped(element.text)}</{element.name}>\n")
    else:
        out.append(start + "/>\n")


def _escaped(text: str) -> str:
    if not text.isprintable():
        # A parser turns a lone carriage return into a line feed (XML 1.0, 2.11).
        text = legal(text).replace("&", "&amp;").replace("\r", "&#13;")
    else:
        text = text.replace("&", "&amp;")
    return text.replace("<", "&lt;").replace(">", "&gt;")


def _quoted(text: str) -> str:
    escaped = _escaped(text).replace('"', "&quot;")
    if not text.isprintable():
        # A parser turns these into blanks (XML 1.0, 3.3.3).
        escaped = escaped.replace("\t", "&#9;").replace("\n", "&#10;")
    return escaped
