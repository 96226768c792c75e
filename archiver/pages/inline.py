"""Runs of text as HTML: links, code, the language of the session, what a value rests on."""

from __future__ import annotations

import re

from markupsafe import Markup, escape

from archiver.describe.xmltext import legal
from archiver.pages.content import Basis, Line, Text

__all__ = ["Inline"]

_OWN = "en"
# RFC 3986, 3.1; what has no scheme leads to a place on the page or to a file beside it.
_SCHEME = re.compile(r"\s*([A-Za-z][A-Za-z0-9+.-]*):")
_FOLLOWED = frozenset({"http", "https"})


class Inline:
    """Writes lines for a session in some language; the words of the program are English.

    Parameters
    ----------
    language : str
        Of the session, as a tag of BCP 47.
    """

    def __init__(self, language: str) -> None:
        self._mark = "" if language == _OWN else f' lang="{escape(language)}"'

    def line(self, texts: Line) -> Markup:
        """Return texts one after another."""
        return Markup("").join(map(self._text, texts))

    def attribute(self) -> Markup:
        """Return the language of the session as an attribute; empty for English."""
        return Markup(self._mark)  # noqa: S704 - the tag in it is escaped

    def basis(self, basis: Basis | None) -> Markup:
        """Say what a value rests on."""
        return Markup("" if basis is None else f' <span class="basis">{basis}</span>')  # noqa: S704 - a word of ours

    def _text(self, one: Text) -> Markup:
        text = escape(legal(one.text))
        mark = self._mark if one.foreign else ""
        if one.code:
            text = Markup("<code>{}</code>").format(text)
        if one.href and _may_be_followed(one.href):
            return Markup('<a href="{}"{}>{}</a>').format(one.href, Markup(mark), text)  # noqa: S704 - see attribute
        if mark:
            return Markup("<span{}>{}</span>").format(Markup(mark), text)  # noqa: S704 - see attribute
        return text


def _may_be_followed(address: str) -> bool:
    """Say whether a link is safe: a sheet may name an address that runs something."""
    scheme = _SCHEME.match(address)
    return scheme is None or scheme[1].lower() in _FOLLOWED
