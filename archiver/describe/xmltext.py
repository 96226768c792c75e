"""Text that XML can hold, URIs that ``xs:anyURI`` can hold, and small trees of elements.

XML 1.0 (fifth edition), production 2, leaves out most control characters, lone
surrogates and U+FFFE and U+FFFF; none of them can be escaped. Each is replaced by
U+FFFD, and :func:`illegal_characters` says which they were.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from urllib.parse import quote

from lxml import etree

__all__ = [
    "XML_LANG",
    "Namespace",
    "illegal_characters",
    "legal",
    "legal_uri",
    "path_reference",
    "serialised",
]

XML_LANG = "{http://www.w3.org/XML/1998/namespace}lang"

_ILLEGAL = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_REPLACEMENT = "\ufffd"
# RFC 3986, 2.2 and 2.3: reserved and unreserved characters, and the percent sign.
_URI_CHARACTERS = "!#$%&'()*+,/:;=?@[]-._~"
_STRAY_PERCENT = re.compile(r"%(?![0-9A-Fa-f]{2})")


def legal(text: str) -> str:
    """Return the text with a replacement character for each one that XML cannot hold."""
    return _ILLEGAL.sub(_REPLACEMENT, text)


def illegal_characters(text: str) -> tuple[str, ...]:
    """Return the characters that XML cannot hold, each once, as ``U+0000``."""
    return tuple(sorted({f"U+{ord(character):04X}" for character in _ILLEGAL.findall(text)}))


def legal_uri(text: str) -> str:
    """Percent-encode what may not stand in a URI; a legal URI comes back unchanged.

    A path with a blank or a letter outside ASCII becomes a relative reference (RFC
    3986, 2.1 and 4.2). A ``#`` or ``?`` keeps its meaning: see :func:`path_reference`
    for names of files.
    """
    encoded = quote(text.encode("utf-8", "replace"), safe=_URI_CHARACTERS)
    encoded = _STRAY_PERCENT.sub("%25", encoded)
    head, hash_, fragment = encoded.partition("#")
    fragment = fragment.replace("#", "%23")
    scheme, slashes, rest = head.partition("://")
    if slashes:
        # Brackets stand only around an address in the host (RFC 3986, 3.2.2).
        host, slash, path = rest.partition("/")
        return scheme + slashes + host + slash + _without_brackets(path + hash_ + fragment)
    return _without_brackets(head + hash_ + fragment)


def path_reference(path: str) -> str:
    """Return a path, with ``/``, as a relative reference of RFC 3986, 4.2.

    Everything but letters, digits and ``-._~/`` is percent-encoded, so that a colon in
    a first segment is no scheme and ``#`` no fragment.
    """
    return quote(path.encode("utf-8", "replace"), safe="/")


def _without_brackets(text: str) -> str:
    return text.replace("[", "%5B").replace("]", "%5D")


class Namespace:
    """Makes elements of one namespace.

    Parameters
    ----------
    uri : str
        Namespace of the elements.
    prefixes : mapping
        Namespaces by prefix, for the root element.
    """

    def __init__(self, uri: str, prefixes: Mapping[str, str]) -> None:
        self._start = f"{{{uri}}}"
        self._prefixes = dict(prefixes)

    def root(self, name: str, attributes: Mapping[str, str | None] | None = None) -> etree._Element:
        """Make a root element; attributes that are None are left out."""
        root = etree.Element(self._start + name, nsmap=self._prefixes)
        _set(root, attributes)
        return root

    def add(
        self,
        parent: etree._Element,
        name: str,
        text: str | None = None,
        attributes: Mapping[str, str | None] | None = None,
    ) -> etree._Element:
        """Append an element; attributes that are None are left out."""
        child = etree.SubElement(parent, self._start + name)
        if text is not None:
            child.text = legal(text)
        _set(child, attributes)
        return child


def _set(element: etree._Element, attributes: Mapping[str, str | None] | None) -> None:
    for key, value in (attributes or {}).items():
        if value is not None:
            element.set(key, legal(value))


def serialised(root: etree._Element) -> bytes:
    """Write a tree as indented UTF-8 with an XML declaration; no text is changed."""
    etree.indent(root, space="  ")
    written: bytes = etree.tostring(root, xml_declaration=True, encoding="UTF-8")
    return written + b"\n"
