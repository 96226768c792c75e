"""Turns facts into pages and lines, the same bytes for the same facts.

Templates lie in the package, escape everything by default, and refuse a fact that is not
there instead of leaving a gap.
"""

from __future__ import annotations

import functools
import textwrap
from importlib import resources
from typing import TYPE_CHECKING, Any

from archiver.telling import byte_size as bytes_text
from archiver.telling import count

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["bytes_text", "count_text", "line_of", "lines_of_text", "page", "paragraph"]

_COLUMNS = 72


@functools.cache
def _environment() -> Environment:
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    place = resources.files(__package__).joinpath("templates")

    def load(name: str) -> str:
        return place.joinpath(name).read_text(encoding="utf-8")

    environment = Environment(
        loader=FunctionLoader(load),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["bytes"] = bytes_text
    environment.filters["count"] = count_text
    environment.filters["exact"] = exact_text
    environment.filters["line"] = line_of
    return environment


def page(name: str, **facts: Any) -> bytes:
    """Render a page.

    Parameters
    ----------
    name : str
        Of the template, without ``.html``.
    **facts
        What it shows; texts are escaped there.

    Returns
    -------
    bytes
        HTML in UTF-8.
    """
    return _environment().get_template(f"{name}.html").render(**facts).encode()


def line_of(text: str) -> str:
    """Bring a text of a person onto one line, without characters that steer a screen."""
    return "".join(c if c.isprintable() else " " for c in " ".join(text.split()))


def lines_of_text(text: str) -> list[str]:
    """Keep the paragraphs of a text, each on a line of its own."""
    return [line for part in text.splitlines() if (line := line_of(part))]


def paragraph(text: str, indent: str = "", first: str | None = None) -> str:
    """Wrap a text for a plain-text letter; a long word, such as a digest, stays whole."""
    return textwrap.fill(
        line_of(text),
        width=_COLUMNS,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def count_text(number: int, word: str, words: str = "") -> str:
    """Say a number of things, the thousands apart."""
    return count(number, word, words).replace(str(number), exact_text(number), 1)


def exact_text(number: int) -> str:
    """Write a whole number with its thousands apart (ISO 80000-1: by a blank)."""
    return f"{number:,}".replace(",", "\u00a0")
