"""The colours of the page, by light and by dark, and which of them meet.

``MEETINGS`` names every pair of a colour and its ground with the contrast that it must
have: 4.5 to 1 for text and 3 to 1 for lines that carry meaning (WCAG 2.2, 1.4.3 and
1.4.11). Hairlines between rows carry none.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

__all__ = ["DARK", "LIGHT", "MEETINGS", "Palette"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """Colours as ``#rrggbb``.

    Parameters
    ----------
    paper, panel : str
        Grounds: of the page, and of what is set apart on it.
    ink, quiet : str
        Text, and text that stands back.
    accent : str
        Links and headings of sections.
    hairline : str
        Between rows.
    warning_ground, warning : str
        Of the cautions: ground, and edge and heading.
    measured, stated, noise : str
        Lines of drawings.
    spread : str
        Fill of intervals and levels.
    """

    paper: str
    panel: str
    ink: str
    quiet: str
    accent: str
    hairline: str
    warning_ground: str
    warning: str
    measured: str
    stated: str
    noise: str
    spread: str

    def as_style(self) -> str:
        """Return the colours as custom properties of CSS."""
        return ";".join(
            f"--{field.name.replace('_', '-')}:{getattr(self, field.name)}"
            for field in dataclasses.fields(self)
        )


LIGHT = Palette(
    paper="#fcfbf7",
    panel="#f3f0e8",
    ink="#1f1d1a",
    quiet="#5f584d",
    accent="#6e3a14",
    hairline="#d9d3c5",
    warning_ground="#fbf0d3",
    warning="#8a3a00",
    measured="#1d5466",
    stated="#a03c2a",
    noise="#74664f",
    spread="#c6d6da",
)
DARK = Palette(
    paper="#181613",
    panel="#23201b",
    ink="#ece6da",
    quiet="#b5ab9b",
    accent="#e0a574",
    hairline="#3d382f",
    warning_ground="#33260f",
    warning="#f0b86a",
    measured="#86c3d6",
    stated="#f09a86",
    noise="#b39f7d",
    spread="#2f4a53",
)

_TEXT = 4.5
_LINE = 3.0
MEETINGS: tuple[tuple[str, str, float], ...] = (
    ("ink", "paper", _TEXT),
    ("ink", "panel", _TEXT),
    ("ink", "warning_ground", _TEXT),
    ("quiet", "paper", _TEXT),
    ("quiet", "panel", _TEXT),
    ("quiet", "warning_ground", _TEXT),
    ("accent", "paper", _TEXT),
    ("accent", "panel", _TEXT),
    ("warning", "warning_ground", _TEXT),
    ("warning", "paper", _TEXT),
    ("measured", "paper", _LINE),
    ("measured", "spread", _LINE),
    ("stated", "paper", _LINE),
    ("noise", "paper", _LINE),
)
