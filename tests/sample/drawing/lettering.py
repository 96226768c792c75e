"""Letters of single strokes, as an engraver draws them, and their depth on a plate."""

from __future__ import annotations

import functools
import itertools

import numpy as np

from tests.sample.drawing.shapes import Array

__all__ = ["Lettering"]

# Strokes on a grid of 0..6 across and 0..10 up; runs of points joined by lines.
_STROKES: dict[str, tuple[tuple[tuple[float, float], ...], ...]] = {
    "A": (((0, 0), (3, 10), (6, 0)), ((1.1, 3.6), (4.9, 3.6))),
    "B": (
        ((0, 0), (0, 10), (3.6, 10), (5.2, 9.2), (5.4, 7.6), (4.8, 6.0), (3.6, 5.4), (0, 5.4)),
        ((3.6, 5.4), (5.4, 4.6), (6, 2.8), (5.4, 0.9), (3.8, 0), (0, 0)),
    ),
    "C": (
        ((6, 8.2), (4.9, 9.5), (3.2, 10), (1.3, 9.2), (0.2, 7.2), (0, 5), (0.2, 2.8), (1.3, 0.8)),
        ((1.3, 0.8), (3.2, 0), (4.9, 0.5), (6, 1.8)),
    ),
    "D": (
        ((0, 0), (0, 10), (3, 10), (4.9, 9.1), (5.9, 7.1), (6, 5)),
        ((6, 5), (5.9, 2.9), (4.9, 0.9), (3, 0), (0, 0)),
    ),
    "E": (((5.4, 0), (0, 0), (0, 10), (5.4, 10)), ((0, 5.3), (4.4, 5.3))),
    "F": (((0, 0), (0, 10), (5.4, 10)), ((0, 5.3), (4.4, 5.3))),
    "G": (
        ((6, 8.2), (4.9, 9.5), (3.2, 10), (1.3, 9.2), (0.2, 7.2), (0, 5), (0.2, 2.8), (1.3, 0.8)),
        ((1.3, 0.8), (3.2, 0), (5, 0.7), (6, 2.2), (6, 4.4), (3.6, 4.4)),
    ),
    "H": (((0, 0), (0, 10)), ((6, 0), (6, 10)), ((0, 5.2), (6, 5.2))),
    "I": (((3, 0), (3, 10)),),
    "K": (((0, 0), (0, 10)), ((5.6, 10), (0, 4.2)), ((1.9, 6.1), (6, 0))),
    "L": (((0, 10), (0, 0), (5.2, 0)),),
    "M": (((0, 0), (0, 10), (3, 3), (6, 10), (6, 0)),),
    "N": (((0, 0), (0, 10), (6, 0), (6, 10)),),
    "O": (
        ((3, 10), (1.2, 9.2), (0.1, 7.1), (0, 5), (0.1, 2.9), (1.2, 0.8), (3, 0)),
        ((3, 0), (4.8, 0.8), (5.9, 2.9), (6, 5), (5.9, 7.1), (4.8, 9.2), (3, 10)),
    ),
    "R": (
        ((0, 0), (0, 10), (3.6, 10), (5.3, 9.2), (5.8, 7.5), (5.3, 5.7), (3.6, 4.9), (0, 4.9)),
        ((3.2, 4.9), (6, 0)),
    ),
    "S": (
        ((5.7, 8.3), (4.8, 9.5), (3, 10), (1.2, 9.5), (0.4, 7.9), (1.0, 6.2), (3, 5.2)),
        ((3, 5.2), (5.1, 4.2), (5.8, 2.4), (5, 0.6), (3, 0), (1.1, 0.5), (0.2, 1.8)),
    ),
    "T": (((0, 10), (6, 10)), ((3, 10), (3, 0))),
    "V": (((0, 10), (3, 0), (6, 10)),),
    "&": (
        ((6, 0), (1.6, 7.2), (1.6, 9), (2.8, 10), (4, 9), (3.8, 7.4), (1.4, 5.2), (0.3, 3.4)),
        ((0.3, 3.4), (0.4, 1.3), (1.8, 0), (3.6, 0.3), (5, 1.8), (5.9, 4.2)),
    ),
    "0": (
        ((3, 10), (1.4, 9.2), (0.5, 7.1), (0.4, 5), (0.5, 2.9), (1.4, 0.8), (3, 0)),
        ((3, 0), (4.6, 0.8), (5.5, 2.9), (5.6, 5), (5.5, 7.1), (4.6, 9.2), (3, 10)),
    ),
    "1": (((1.6, 8.2), (3.4, 10), (3.4, 0)),),
}
_STROKES["Ø"] = (*_STROKES["O"], ((0.2, -0.8), (5.8, 10.8)))


class Lettering:
    """Lines of letters cut into a plate.

    Parameters
    ----------
    lines : sequence of (text, middle across, foot up, height)
        In the plate's own measure.
    frame : tuple of float
        Half sizes of an engraved border; zeros for none.
    half : tuple of float
        Half sizes of the plate.
    width : float
        Of the burin.
    """

    _CELLS = 40

    def __init__(
        self,
        lines: tuple[tuple[str, float, float, float], ...],
        *,
        half: tuple[float, float],
        frame: tuple[float, float] = (0.0, 0.0),
        width: float = 0.09,
    ) -> None:
        self._lines = lines
        self._half = half
        self._frame = frame
        self._width = width
        self._cached = functools.cache(self._field)

    def _segments(self) -> list[tuple[float, float, float, float]]:
        found: list[tuple[float, float, float, float]] = []
        for text, middle, foot, height in self._lines:
            scale = height / 10.0
            advance = 8.4 * scale
            begin = middle - (len(text) * advance - 2.4 * scale) / 2.0
            for place, letter in enumerate(text):
                for stroke in _STROKES.get(letter, ()):
                    points = [
                        (begin + place * advance + x * scale, foot + y * scale) for x, y in stroke
                    ]
                    found += [(*a, *b) for a, b in itertools.pairwise(points)]
        across, up = self._frame
        if across:
            corners = [(-across, -up), (across, -up), (across, up), (-across, up), (-across, -up)]
            found += [(*a, *b) for a, b in itertools.pairwise(corners)]
        return found

    def _field(self) -> Array:
        """Return the distance to the nearest stroke on a fine grid."""
        columns = round(2.0 * self._half[0] * self._CELLS) + 1
        rows = round(2.0 * self._half[1] * self._CELLS) + 1
        x = np.linspace(-self._half[0], self._half[0], columns)[None, :]
        y = np.linspace(-self._half[1], self._half[1], rows)[:, None]
        nearest = np.full((rows, columns), 9.0)
        for x0, y0, x1, y1 in self._segments():
            run, rise = x1 - x0, y1 - y0
            share = ((x - x0) * run + (y - y0) * rise) / (run**2 + rise**2)
            share = np.clip(share, 0.0, 1.0)
            away = np.hypot(x - x0 - share * run, y - y0 - share * rise)
            np.minimum(nearest, away, out=nearest)
        return nearest

    def distance(self, across: Array, up: Array) -> Array:
        """Return the distance to the nearest stroke, shape (n,)."""
        grid = self._cached()
        x = np.clip((across + self._half[0]) * self._CELLS, 0.0, grid.shape[1] - 1.001)
        y = np.clip((up + self._half[1]) * self._CELLS, 0.0, grid.shape[0] - 1.001)
        column, row = x.astype(np.int64), y.astype(np.int64)
        p, q = x - column, y - row
        low = grid[row, column] * (1.0 - p) + grid[row, column + 1] * p
        high = grid[row + 1, column] * (1.0 - p) + grid[row + 1, column + 1] * p
        return np.asarray(low * (1.0 - q) + high * q)

    def cut(self, across: Array, up: Array) -> Array:
        """Return how deep the burin went, 0 to 1, shape (n,)."""
        soft = 0.4 * self._width
        return np.clip((self._width + soft - self.distance(across, up)) / (2.0 * soft), 0.0, 1.0)
