"""What the machines are made of: oak, japan, nickel, brass, wax, tin."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.sample.drawing.shapes import Array, Surface

__all__ = [
    "BRASS",
    "ENAMEL",
    "NICKEL",
    "STEEL",
    "THREAD",
    "TIN",
    "WAX",
    "japan",
    "oak",
    "plain",
]


def plain(red: float, green: float, blue: float) -> Callable[[Array], Array]:
    """Return one colour everywhere."""

    def colour(local: Array) -> Array:
        return np.tile(np.array([red, green, blue]), (local.shape[0], 1))

    return colour


def lattice_noise(places: Array) -> Array:
    """Return smooth noise of -1 to 1 over a lattice of unit cells, shape (n,)."""
    cell = np.floor(places).astype(np.int64)
    inside = places - cell
    ease = inside * inside * (3.0 - 2.0 * inside)
    total = np.zeros(places.shape[0])
    for corner in range(8):
        step = np.array([corner & 1, (corner >> 1) & 1, corner >> 2])
        weight = np.prod(np.where(step == 1, ease, 1.0 - ease), axis=1)
        total += weight * _scattered(cell + step)
    return total


def _scattered(cell: np.ndarray[tuple[int, ...], np.dtype[np.int64]]) -> Array:
    mixed = (cell[:, 0] * 73_856_093) ^ (cell[:, 1] * 19_349_663) ^ (cell[:, 2] * 83_492_791)
    word = (mixed & 0xFFFFFFFF).astype(np.uint64)
    for shift, factor in ((16, 0x7FEB352D), (15, 0x846CA68B)):
        word ^= word >> np.uint64(shift)
        word = (word * np.uint64(factor)) & np.uint64(0xFFFFFFFF)
    word ^= word >> np.uint64(16)
    return word.astype(np.float64) / 2147483647.5 - 1.0


def oak(along: int, seed: float = 0.0) -> Surface:
    """Make quarter-sawn oak whose grain runs along one axis (0, 1 or 2)."""
    stretch = np.array([0.9, 0.9, 0.9])
    stretch[along] = 0.045

    def colour(local: Array) -> Array:
        place = local * stretch + seed
        bend = 0.7 * lattice_noise(place * 0.6)
        rings = 0.5 + 0.5 * np.sin(9.0 * (place.sum(axis=1) + bend))
        pores = lattice_noise(local * np.where(stretch < 0.1, 0.35, 7.0) + seed)
        dark = np.clip(0.55 * rings**2 + 0.35 * np.clip(pores, 0.0, 1.0), 0.0, 1.0)[:, None]
        pale, deep = np.array([0.36, 0.185, 0.075]), np.array([0.17, 0.075, 0.028])
        return np.asarray((1.0 - dark) * pale + dark * deep)

    return Surface(colour=colour, mirror=0.05, gloss=0.35, sharpness=55.0)


def japan(half: tuple[float, float, float] | None = None, inset: float = 0.9) -> Surface:
    """Make black japan; with the half sizes of a box, a gilt line runs round its top."""

    def colour(local: Array) -> Array:
        base = np.tile(np.array([0.012, 0.011, 0.012]), (local.shape[0], 1))
        if half is None:
            return base
        to_edge = np.minimum(half[0] - np.abs(local[:, 0]), half[2] - np.abs(local[:, 2]))
        top = local[:, 1] > half[1] - 0.02
        line = top & (np.abs(to_edge - inset) < 0.09)
        base[line] = (0.62, 0.42, 0.13)
        return base

    return Surface(colour=colour, mirror=0.07, gloss=0.7, sharpness=90.0)


def _threads(local: Array, normal: Array) -> Array:
    slope = 0.55 * np.sin(2.0 * np.pi * local[:, 2] / 0.42)
    return np.asarray(normal + slope[:, None] * np.array([0.0, 0.0, 1.0]))


def _grooves(local: Array) -> Array:
    cut = (local[:, 2] > 1.1) & (local[:, 2] < 6.4)
    shade = np.where(cut, 0.86 + 0.14 * np.sin(2.0 * np.pi * local[:, 2] / 0.16), 1.0)
    crack = np.abs(np.arctan2(local[:, 1], local[:, 0]) - 1.25) < 0.012
    shade = np.where(crack, 0.35, shade)
    return np.array([0.185, 0.085, 0.038])[None, :] * shade[:, None]


NICKEL = Surface(colour=plain(0.74, 0.71, 0.66), mirror=0.72, metal=True, gloss=0.9, sharpness=120)
STEEL = Surface(colour=plain(0.42, 0.42, 0.43), mirror=0.5, metal=True, gloss=0.7, sharpness=70)
BRASS = Surface(colour=plain(0.78, 0.55, 0.20), mirror=0.6, metal=True, gloss=0.9, sharpness=90)
TIN = Surface(colour=plain(0.50, 0.49, 0.46), mirror=0.33, metal=True, gloss=0.55, sharpness=24)
WAX = Surface(colour=_grooves, mirror=0.06, gloss=0.55, sharpness=28)
ENAMEL = Surface(colour=plain(0.78, 0.76, 0.70), mirror=0.06, gloss=0.6, sharpness=80)
THREAD = Surface(
    colour=plain(0.55, 0.54, 0.52),
    mirror=0.5,
    metal=True,
    gloss=0.7,
    sharpness=60,
    dent=_threads,
)
