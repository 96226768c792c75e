"""What stands on a page, free of any markup: sections made of blocks made of texts.

``blocks.py`` knows how each kind of block looks; who fills one says what it means.
Every value says what it rests on, and a text from the sheet keeps the language of the
session.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field
from typing import TypeAlias

__all__ = [
    "Band",
    "Basis",
    "Block",
    "Bullets",
    "CautionNote",
    "Cautions",
    "Cell",
    "Column",
    "Commands",
    "Content",
    "Curve",
    "Fact",
    "Facts",
    "Line",
    "Listen",
    "Paragraph",
    "Picture",
    "Pictures",
    "Plot",
    "Row",
    "Section",
    "Sheet",
    "Source",
    "SpanRow",
    "Spans",
    "Stretch",
    "Subsection",
    "Table",
    "Text",
    "Tick",
    "own",
    "said",
]  # fmt: skip


class Basis(enum.StrEnum):
    """What a value rests on."""

    STATED = "stated"
    MEASURED = "measured"
    DERIVED = "derived"


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A run of text.

    Parameters
    ----------
    text : str
    foreign : bool
        It comes from the sheet, so it is in the language of the session.
    href : str
        Where it leads; empty if nowhere.
    code : bool
        It is a path, digest or code, letter by letter.
    """

    text: str
    foreign: bool = False
    href: str = ""
    code: bool = False


Line: TypeAlias = tuple[Text, ...]


def own(text: str, *, href: str = "", code: bool = False) -> Line:
    """Return a text in the words of the program, in English."""
    return (Text(text=text, href=href, code=code),)


def said(text: str, *, href: str = "") -> Line:
    """Return a text in the words of the session."""
    return (Text(text=text, foreign=True, href=href),)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """A label and its value; ``basis`` is None where the value is no statement on the session."""

    label: str
    value: Line
    basis: Basis | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """Labels and values below each other; ``name`` is read out before them."""

    rows: tuple[Fact, ...]
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """A paragraph; ``basis`` as for a fact."""

    text: Line
    basis: Basis | None = None
    style: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list under a few words."""

    name: str
    items: tuple[Line, ...]
    basis: Basis | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """The head of a column; ``style`` is ``code``, ``number`` or empty."""

    head: str
    style: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """A cell of a table."""

    text: Line
    head: str = ""
    style: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A row; the first cell names it."""

    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with a caption; empty columns are left out where it is made."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    basis: Basis | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A photograph; ``source`` is empty where no browser can show it."""

    source: str
    href: str
    caption: Line
    credit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """Photographs side by side."""

    pictures: tuple[Picture, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A sound file that a browser may play."""

    href: str
    media_type: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Listen:
    """A player; ``label`` says what is heard, ``note`` from which file."""

    label: str
    sources: tuple[Source, ...]
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A mark on an axis: place in percent from its beginning, and its label."""

    at: float
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A line of a drawing, as a path; ``style`` names its look, ``name`` its meaning."""

    path: str
    style: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A filled stretch of a drawing, as a path."""

    path: str
    style: str
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """A drawing of a measured course in a field of 1000 by 240.

    Parameters
    ----------
    title : str
        What is drawn over what, with units.
    told : str
        The same in words, for those who do not see it.
    x_ticks, y_ticks : tuple of Tick
        y counts from above.
    curves, bands : tuple
    """

    title: str
    told: str
    x_name: str
    y_name: str
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    curves: tuple[Curve, ...]
    bands: tuple[Band, ...] = ()
    basis: Basis = Basis.MEASURED


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Part of a time line, in percent; open ends run off the field."""

    start: float
    width: float
    style: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SpanRow:
    """What one piece of evidence allows on the time line."""

    label: str
    note: str
    stretches: tuple[Stretch, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spans:
    """Time lines below each other, with common ticks; ``common`` is what all leave."""

    title: str
    told: str
    rows: tuple[SpanRow, ...]
    ticks: tuple[Tick, ...]
    common: tuple[Stretch, ...] = ()
    basis: Basis = Basis.DERIVED


@dataclass(frozen=True, slots=True, kw_only=True)
class CautionNote:
    """A caution, what raises it, and its source."""

    subject: str
    text: str
    because: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cautions:
    """All cautions, and what they defer to."""

    notes: tuple[CautionNote, ...]
    deferring: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Commands:
    """Lines to type, for one system."""

    system: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Subsection:
    """A part of a section with a heading of its own; ``flow`` sets its blocks in columns."""

    id: str
    title: Line
    blocks: tuple[Block, ...] = ()
    note: Line = ()
    flow: bool = False


Block: TypeAlias = (
    Facts
    | Paragraph
    | Bullets
    | Table
    | Pictures
    | Listen
    | Plot
    | Spans
    | Cautions
    | Commands
    | Subsection
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A section of the page; ``short`` is its name in the list of contents."""

    id: str
    title: str
    blocks: tuple[Block, ...]
    short: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The head of the page."""

    title: str
    organisation: str
    identifier: str
    when: str
    where: str
    summary: str
    picture: Picture | None = None
    facts: tuple[Fact, ...] = field(default=())


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """A whole page; ``language`` is that of the session."""

    language: str
    sheet: Sheet
    sections: tuple[Section, ...]
    colophon: Line
