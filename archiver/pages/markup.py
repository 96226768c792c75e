"""Content into HTML: the template of the page, and the blocks put into it.

Text from a sheet can hold characters that HTML and XML cannot; they are replaced as in
the other documents.
"""

from __future__ import annotations

import functools
from importlib import resources
from typing import TYPE_CHECKING, Any

from archiver.describe.xmltext import legal
from archiver.pages.blocks import Blocks
from archiver.pages.colours import DARK, LIGHT
from archiver.pages.content import Content
from archiver.pages.fragments import Fragments

if TYPE_CHECKING:
    from jinja2 import Template

__all__ = ["html", "template_and_style"]


def html(content: Content) -> str:
    """Return the page as text."""
    template, style = template_and_style()
    fragments = Fragments(content.language)
    blocks = Blocks(fragments)
    return template.render(
        content=content,
        style=style,
        light=LIGHT.as_style(),
        dark=DARK.as_style(),
        line=fragments.line,
        facts=fragments.facts,
        lang=fragments.attribute,
        body=blocks.body,
        picture=blocks.picture,
    )


@functools.cache
def template_and_style() -> tuple[Template, str]:
    """Compile the template, once in a run and only where a page is written."""
    from jinja2 import Environment, StrictUndefined

    folder = resources.files("archiver.pages") / "templates"
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalized,
        # Folding constants costs more than it saves in a page that is written once.
        optimized=False,
    )
    source = (folder / "page.html").read_text(encoding="utf-8")
    style = (folder / "page.css").read_text(encoding="utf-8")
    return environment.from_string(source), style


def _finalized(value: Any) -> Any:
    return legal(value) if type(value) is str else value
