"""Plots and time lines as SVG with labels of plain text, so that they stay legible."""

from __future__ import annotations

from collections.abc import Iterable

from markupsafe import Markup

from archiver.pages.content import Plot, Spans, Stretch, Tick
from archiver.pages.fragments import escaped
from archiver.pages.plots import HEIGHT, WIDTH

__all__ = ["plot_drawing", "time_line"]

_SAMPLE = {True: "M0 5H24", False: "M0 0H24V10H0Z"}


def plot_drawing(plot: Plot) -> Markup:
    """Return the field of a plot with its axes, and the key below it."""
    grid = "".join(f"M0 {tick.at * HEIGHT / 100:.1f}H{WIDTH}" for tick in plot.y_ticks)
    label = f"{plot.title}, {plot.y_name} over {plot.x_name}. {plot.told}"
    shapes = [f'<path class="{one.style}" d="{one.path}"/>' for one in plot.bands]
    shapes += [f'<path class="line {one.style}" d="{one.path}"/>' for one in plot.curves]
    entries = [(f"line {one.style}", True, one.name) for one in plot.curves]
    entries += [(one.style, False, one.name) for one in plot.bands]
    key = "".join(
        f'<span class="entry"><svg viewBox="0 0 24 10" aria-hidden="true">'
        f'<path class="{style}" d="{_SAMPLE[is_line]}"/></svg>{escaped(name)}</span>'
        for style, is_line, name in entries
        if name
    )
    return Markup(  # noqa: S704 - its texts are escaped; paths and styles are ours
        f'<div class="field"><span class="unit" aria-hidden="true">{escaped(plot.y_name)}</span>'
        f'<div class="ys" aria-hidden="true">{_ticks(plot.y_ticks, "top")}</div>'
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" preserveAspectRatio="none" role="img" '
        f'aria-label="{escaped(label)}"><path class="grid" d="{grid}"/>{"".join(shapes)}</svg>'
        f'<div class="xs" aria-hidden="true">{_ticks(plot.x_ticks, "left")}</div></div>'
        f'<p class="key"><span class="unit">{escaped(plot.x_name)}</span>{key}</p>'
    )


def time_line(spans: Spans) -> Markup:
    """Return the lanes of a time line and its years."""
    common = "".join(_bar(one, top=0, height=10) for one in spans.common)
    lanes = "".join(
        f'<div class="lane"><span class="who">{escaped(row.label)} <em>{escaped(row.note)}</em>'
        f'</span><svg viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true">{common}'
        f"{''.join(_bar(one, top=2, height=6) for one in row.stretches)}</svg></div>"
        for row in spans.rows
    )
    return Markup(  # noqa: S704 - its texts are escaped; paths and styles are ours
        f'{lanes}<div class="lane years" aria-hidden="true"><span class="who"></span>'
        f'<div class="xs">{_ticks(spans.ticks, "left")}</div></div>'
    )


def _ticks(ticks: Iterable[Tick], side: str) -> str:
    return "".join(
        f'<span style="{side}:{tick.at:g}%">{escaped(tick.label)}</span>' for tick in ticks
    )


def _bar(stretch: Stretch, *, top: int, height: int) -> str:
    return (
        f'<rect class="{stretch.style}" x="{stretch.start:g}" y="{top}" '
        f'width="{stretch.width:g}" height="{height}"/>'
    )
