"""Text that XML can hold, and URIs that ``xs:anyURI`` can hold.

XML 1.0 (fifth edition), production 2, leaves out most control characters, lone
surrogates and U+FFFE and U+FFFF; none of them can be escaped. Each is replaced by
U+FFFD, and :func:`illegal_characters` says which they were.
"""

from __future__ import annotations

import re
from urllib.parse import quote

__all__ = ["encodable", "illegal_characters", "legal", "legal_uri", "path_reference"]

_ILLEGAL = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_SURROGATE = re.compile("[\ud800-\udfff]")
_REPLACEMENT = "\ufffd"
# RFC 3986, 2.2 and 2.3: reserved and unreserved characters, and the percent sign.
_URI_CHARACTERS = "!#$%&'()*+,/:;=?@[]-._~"
_STRAY_PERCENT = re.compile(r"%(?![0-9A-Fa-f]{2})")


def legal(text: str) -> str:
    """Return the text with a replacement character for each one that XML cannot hold."""
    # Whatever Python calls printable is legal; this spares the search nearly always.
    return text if text.isprintable() else _ILLEGAL.sub(_REPLACEMENT, text)


def illegal_characters(text: str) -> tuple[str, ...]:
    """Return the characters that XML cannot hold, each once, as ``U+0000``."""
    return tuple(sorted({f"U+{ord(character):04X}" for character in _ILLEGAL.findall(text)}))


def encodable(text: str) -> str:
    """Return the text with U+FFFD for each lone surrogate, which UTF-8 cannot hold.

    For JSON, where every other character can be written (RFC 8259, 7 and 8.1).
    """
    return _SURROGATE.sub(_REPLACEMENT, text)


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
