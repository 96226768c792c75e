"""What a page holds hundreds of, as HTML: runs of text, facts, the rows of tables.

Written here and not in the template, which would spend more on them than on all the rest.
Every text is escaped; what HTML and XML cannot hold is replaced.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from markupsafe import Markup, escape

from archiver.describe.xmltext import legal
from archiver.pages.content import Basis, Cell, Fact, Line, Row, Table, Text

__all__ = ["Fragments", "escaped"]

_OWN = "en"
# RFC 3986, 3.1; what has no scheme leads to a place on the page or to a file beside it.
_SCHEME = re.compile(r"\s*([A-Za-z][A-Za-z0-9+.-]*):")
_FOLLOWED = frozenset({"http", "https"})


def escaped(text: str) -> Markup:
    """Return a text as HTML and XML can hold it."""
    return escape(legal(text))


class Fragments:
    """Writes fragments for a session in some language; the words of the program are English.

    Parameters
    ----------
    language : str
        Of the session, as a tag of BCP 47.
    """

    def __init__(self, language: str) -> None:
        self._mark = "" if language == _OWN else f' lang="{escaped(language)}"'

    @property
    def attribute(self) -> Markup:
        """The language of the session as an attribute; empty for English."""
        return _safe(self._mark)

    def line(self, texts: Line) -> Markup:
        """Return texts one after another."""
        return _safe(self._line(texts))

    def basis(self, basis: Basis | None) -> Markup:
        """Say what a value rests on."""
        return _safe(_basis(basis))

    def facts(self, rows: Iterable[Fact]) -> Markup:
        """Return a list of labels and values."""
        pairs = "".join(
            f'<div><dt>{escaped(row.label)}</dt><dd><span class="value">{self._line(row.value)}'
            f"</span>{_basis(row.basis)}</dd></div>\n"
            for row in rows
        )
        return _safe(f"<dl>\n{pairs}</dl>")

    def table(self, table: Table) -> Markup:
        """Return a table; each cell names its column for where columns have no room."""
        heads = "".join(
            f'<th scope="col" role="columnheader"{_style(column.style)}>{escaped(column.head)}</th>'
            for column in table.columns
        )
        rows = "".join(self._row(row) for row in table.rows)
        return _safe(
            f'<table role="table">\n<caption>{escaped(table.caption)}{_basis(table.basis)}</caption>'
            f'\n<thead role="rowgroup"><tr role="row">{heads}</tr></thead>\n'
            f'<tbody role="rowgroup">\n{rows}</tbody>\n</table>'
        )

    def _row(self, row: Row) -> str:
        first, *others = row.cells
        cells = "".join(self._cell(cell) for cell in others)
        return (
            f'<tr role="row"><th scope="row" role="rowheader"{_style(first.style)}>'
            f"{self._line(first.text)}</th>{cells}</tr>\n"
        )

    def _cell(self, cell: Cell) -> str:
        is_empty = not any(one.text for one in cell.text)
        style = f"{cell.style} none".strip() if is_empty else cell.style
        return (
            f'<td role="cell"{_style(style)} data-head="{escaped(cell.head)}">'
            f"{self._line(cell.text)}</td>"
        )

    def _line(self, texts: Line) -> str:
        return "".join([self._text(one) for one in texts])

    def _text(self, one: Text) -> str:
        text: str = escaped(one.text)
        if one.code:
            text = f"<code>{text}</code>"
        mark = self._mark if one.foreign else ""
        if one.href and _may_be_followed(one.href):
            return f'<a href="{escaped(one.href)}"{mark}>{text}</a>'
        return f"<span{mark}>{text}</span>" if mark else text


def _safe(html: str) -> Markup:
    return Markup(html)  # noqa: S704 - the texts in it are escaped where it is put together


def _basis(basis: Basis | None) -> str:
    return "" if basis is None else f' <span class="basis">{basis}</span>'


def _style(style: str) -> str:
    return f' class="{style}"' if style else ""


def _may_be_followed(address: str) -> bool:
    """Say whether a link is safe: a sheet may name an address that runs something."""
    scheme = _SCHEME.match(address)
    return scheme is None or scheme[1].lower() in _FOLLOWED
