"""The colours of the page against the contrast that WCAG asks for."""

from __future__ import annotations

import dataclasses
import re

import pytest

from archiver.pages.colours import DARK, LIGHT, MEETINGS, Palette
from tests.conftest import REPOSITORY


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, definition of relative luminance, sRGB)."""
    channels = []
    for at in (1, 3, 5):
        share = int(colour[at : at + 2], 16) / 255
        channels.append(share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4)
    red, green, blue = channels
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, definition of contrast ratio)."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_formula_gives_the_known_ends() -> None:
    # WCAG 2.2: ratios range from 1 to 21; #767676 on white is the lightest grey at 4.54.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#123456", "#123456") == 1.0
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("colour", "ground", "least"), MEETINGS)
def test_contrast_is_enough(palette: Palette, colour: str, ground: str, least: float) -> None:
    assert contrast(getattr(palette, colour), getattr(palette, ground)) >= least


def test_the_style_uses_the_palette_and_no_other_colour() -> None:
    style = (REPOSITORY / "archiver/pages/templates/page.css").read_text(encoding="utf-8")
    used = set(re.findall(r"var\(--([a-z-]+)\)", style))
    assert used == {field.name.replace("_", "-") for field in dataclasses.fields(Palette)}
    assert not re.findall(r"#[0-9a-f]{3,8}\b|\brgba?\(|\bhsl\(", style)


def test_every_colour_of_a_text_is_judged() -> None:
    style = (REPOSITORY / "archiver/pages/templates/page.css").read_text(encoding="utf-8")
    texts = {name.replace("-", "_") for name in re.findall(r"[;{]color:var\(--([a-z-]+)\)", style)}
    assert texts <= {colour for colour, _, _ in MEETINGS}
    grounds = set(re.findall(r"background:var\(--([a-z-]+)\)", style))
    assert {name.replace("-", "_") for name in grounds} <= {ground for _, ground, _ in MEETINGS}
