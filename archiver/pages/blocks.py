"""Blocks as HTML: how each kind of block looks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import assert_never

from markupsafe import Markup

from archiver.pages.content import (
    Block,
    Bullets,
    CautionNote,
    Cautions,
    Commands,
    Facts,
    Listen,
    Paragraph,
    Picture,
    Pictures,
    Plot,
    Spans,
    Subsection,
    Table,
)
from archiver.pages.drawing import plot_drawing, time_line
from archiver.pages.fragments import Fragments, escaped
from archiver.telling import sentence

__all__ = ["Blocks"]


class Blocks:
    """Writes blocks for a session in some language."""

    def __init__(self, fragments: Fragments) -> None:
        self._fragments = fragments
        self._line = fragments.line
        self._basis = fragments.basis

    def body(self, blocks: Sequence[Block]) -> Markup:
        """Return the blocks of a section; facts that are alone in it may take two columns."""
        is_lone = sum(isinstance(block, Facts) for block in blocks) == 1
        written = "\n".join(self._block(block, is_lone=is_lone) for block in blocks)
        return _safe(f'<div class="body">\n{written}\n</div>')

    def _block(self, block: Block, *, is_lone: bool) -> str:
        match block:
            case Facts():
                caption = f'<p class="caption">{escaped(block.name)}</p>' if block.name else ""
                style = "facts lone" if is_lone else "facts"
                return f'<div class="{style}">{caption}{self._fragments.facts(block.rows)}</div>'
            case Paragraph():
                text = f"{self._line(block.text)}{self._basis(block.basis)}"
                return f'<p class="text {block.style}">{text}</p>'
            case Table():
                return self._fragments.table(block)
            case Bullets():
                items = "".join(f"<li>{self._line(item)}</li>" for item in block.items)
                caption = f"{escaped(block.name)}{self._basis(block.basis)}"
                return (
                    f'<div class="bullets"><p class="caption">{caption}</p><ul>{items}</ul></div>'
                )
            case Pictures():
                pictures = "\n".join(self.picture(picture) for picture in block.pictures)
                return f'<div class="pictures">\n{pictures}\n</div>'
            case Listen():
                return _player(block)
            case Plot():
                return self._figure("plot", block, plot_drawing(block))
            case Spans():
                return self._figure("spans", block, time_line(block))
            case Cautions():
                notes = "\n".join(self._caution(note) for note in block.notes)
                return (
                    f'<div class="cautions">\n<p class="deferring">{escaped(block.deferring)}</p>'
                    f"\n<ul>\n{notes}\n</ul>\n</div>"
                )
            case Commands():
                lines = escaped("\n".join(block.lines))
                return (
                    f'<div class="commands"><p class="caption">{escaped(block.system)}</p>'
                    f'<pre tabindex="0"><code>{lines}</code></pre></div>'
                )
            case Subsection():
                return self._subsection(block)
            case _:
                assert_never(block)

    def picture(self, picture: Picture) -> Markup:
        """Return a photograph; the caption is read out in its place."""
        caption = "".join(text.text for text in picture.caption)
        image = (
            f'<img src="{escaped(picture.source)}" alt="{escaped(caption)}" loading="lazy"/>'
            if picture.source
            else ""
        )
        link, said = escaped(picture.href), self._line(picture.caption)
        if picture.credit:
            said += _safe(f' <span class="credit">{escaped(picture.credit)}</span>')
        if image and link:
            image = f'<a href="{link}">{image}</a>'
        elif link:
            said += _safe(f' <a href="{link}">Open the picture</a>')
        return _safe(f'<figure class="picture">{image}<figcaption>{said}</figcaption></figure>')

    def _figure(self, style: str, block: Plot | Spans, drawing: Markup) -> str:
        return (
            f'<figure class="{style}">\n<figcaption>{escaped(block.title)}'
            f"{self._basis(block.basis)}</figcaption>\n{drawing}\n"
            f'<p class="told">{escaped(block.told)}</p>\n</figure>'
        )

    def _caution(self, note: CautionNote) -> str:
        reasons = "; ".join(note.because)
        # The full stop is no part of what is quoted, and its language is another.
        because, stop = escaped(reasons), sentence(reasons)[len(reasons) :]
        return (
            f"<li><strong>{escaped(note.subject)}</strong> {escaped(note.text)} "
            f'<span class="because">Because of: <span{self._fragments.attribute}>{because}</span>{stop} '
            f"Source: {escaped(sentence(note.source))}</span></li>"
        )

    def _subsection(self, block: Subsection) -> str:
        style = "sub flow" if block.flow else "sub"
        note = f' <span class="note">{self._line(block.note)}</span>' if block.note else ""
        place = escaped(block.id)
        return (
            f'<section class="{style}" id="{place}" aria-labelledby="title.{place}">\n'
            f'<h3 id="title.{place}">{self._line(block.title)}{note}</h3>\n'
            f"{self.body(block.blocks)}\n</section>"
        )


def _player(block: Listen) -> str:
    sources = "".join(
        f'<source src="{escaped(one.href)}" type="{escaped(one.media_type)}"/>'
        for one in block.sources
    )
    label = escaped(block.label)
    note = f' <span class="credit">{escaped(block.note)}</span>' if block.note else ""
    return (
        f'<div class="listen"><audio controls="controls" preload="none" aria-label="{label}">'
        f"{sources}</audio><p>{label}{note}</p></div>"
    )


def _safe(html: str) -> Markup:
    return Markup(html)  # noqa: S704 - the texts in it are escaped where it is put together
