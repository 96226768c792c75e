"""Shapes that a ray can meet: boxes with softened edges, and turned bodies.

Rays come as arrays of origins and unit directions, shape (rays, 3). A shape answers
with the distance to the first meeting, infinite where there is none; normal and
surface coordinates are asked for later, only where the shape was nearest.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt

__all__ = ["Array", "Box", "Shape", "Surface", "Turned", "ball", "rod"]

Array = npt.NDArray[np.float64]
_NEAR = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """How a surface looks.

    Parameters
    ----------
    colour : callable
        Takes local coordinates, shape (n, 3), returns linear RGB, shape (n, 3).
    mirror : float
        Share of the light that is reflected straight on.
    metal : bool
        Whether reflections take the colour of the surface.
    gloss : float
        Strength of the highlight of the key light.
    sharpness : float
        Exponent of the highlight.
    dent : callable, optional
        Takes local coordinates and normals, returns bent normals: threads, letters.
    """

    colour: Callable[[Array], Array]
    mirror: float = 0.0
    metal: bool = False
    gloss: float = 0.2
    sharpness: float = 40.0
    dent: Callable[[Array, Array], Array] | None = None


class Shape(Protocol):
    """What the renderer asks of a shape."""

    @property
    def surface(self) -> Surface:
        """How it looks."""

    @property
    def bounds(self) -> tuple[Array, float]:
        """Centre and radius of a sphere around it."""

    def meet(self, origin: Array, direction: Array) -> Array:
        """Return the distance to the first meeting of each ray, shape (rays,)."""

    def at(self, points: Array) -> tuple[Array, Array]:
        """Return normals in the world and local coordinates of points on the shape."""


def _frame(axis: Array) -> Array:
    """Return a rotation whose third row is the axis, shape (3, 3)."""
    axis = axis / np.linalg.norm(axis)
    other = np.array([0.0, 1.0, 0.0]) if abs(axis[1]) < 0.9 else np.array([1.0, 0.0, 0.0])
    first = np.cross(other, axis)
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(axis, first), axis])


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A box, turned about the vertical, with edges that catch the light.

    Parameters
    ----------
    centre, half : tuple of float
        Middle and half sizes.
    surface : Surface
    turned_deg : float
        About the vertical axis.
    soft : float
        Width over which the normals of two sides blend.
    """

    centre: tuple[float, float, float]
    half: tuple[float, float, float]
    surface: Surface
    turned_deg: float = 0.0
    soft: float = 0.25

    def _rotation(self) -> Array:
        angle = np.radians(self.turned_deg)
        cosine, sine = np.cos(angle), np.sin(angle)
        return np.array([[cosine, 0.0, -sine], [0.0, 1.0, 0.0], [sine, 0.0, cosine]])

    @property
    def bounds(self) -> tuple[Array, float]:
        """Centre and radius of a sphere around it."""
        return np.array(self.centre), float(np.linalg.norm(self.half)) + _NEAR

    def meet(self, origin: Array, direction: Array) -> Array:
        """Return the distance to the first meeting of each ray, shape (rays,)."""
        rotation = self._rotation()
        start = (origin - np.array(self.centre)) @ rotation.T
        step = direction @ rotation.T
        step = np.where(np.abs(step) < 1e-12, 1e-12, step)
        half = np.array(self.half)
        one = (-half - start) / step
        two = (half - start) / step
        enter = np.minimum(one, two).max(axis=1)
        leave = np.maximum(one, two).min(axis=1)
        found = np.where(enter > _NEAR, enter, leave)
        return np.where((enter <= leave) & (leave > _NEAR), found, np.inf)

    def at(self, points: Array) -> tuple[Array, Array]:
        """Return normals in the world and local coordinates of points on the shape."""
        rotation = self._rotation()
        local = (points - np.array(self.centre)) @ rotation.T
        half = np.array(self.half)
        inner = half - np.minimum(self.soft, 0.5 * half)
        beyond = np.sign(local) * np.maximum(np.abs(local) - inner, 1e-9)
        normal = beyond / np.linalg.norm(beyond, axis=1, keepdims=True)
        return normal @ rotation, local


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """A body turned on a lathe, or a sheet spun like a horn.

    Parameters
    ----------
    foot : tuple of float
        Where the axis begins.
    axis : tuple of float
        Direction of the axis.
    profile : sequence of (height, radius)
        From the foot along the axis; straight between neighbours.
    surface : Surface
    smooth : bool
        Whether normals are blended from piece to piece.
    """

    foot: tuple[float, float, float]
    axis: tuple[float, float, float]
    profile: Sequence[tuple[float, float]]
    surface: Surface
    smooth: bool = True
    _rotation: Array = field(init=False)

    def __post_init__(self) -> None:
        """Keep the rotation, which every ray needs."""
        object.__setattr__(self, "_rotation", _frame(np.array(self.axis)))

    @property
    def bounds(self) -> tuple[Array, float]:
        """Centre and radius of a sphere around it."""
        heights = [height for height, _ in self.profile]
        middle = (min(heights) + max(heights)) / 2.0
        reach = max(float(np.hypot(height - middle, radius)) for height, radius in self.profile)
        return np.array(self.foot) + middle * self._rotation[2], reach + _NEAR

    def meet(self, origin: Array, direction: Array) -> Array:
        """Return the distance to the first meeting of each ray, shape (rays,)."""
        start = (origin - np.array(self.foot)) @ self._rotation.T
        step = direction @ self._rotation.T
        best = np.full(origin.shape[0], np.inf)
        for (low, wide), (high, wider) in zip(self.profile[:-1], self.profile[1:], strict=True):
            if abs(high - low) < 1e-9:
                _meet_disc(best, start, step, low, wide, wider)
            else:
                _meet_cone(best, start, step, (low, wide), (high, wider))
        return best

    def at(self, points: Array) -> tuple[Array, Array]:
        """Return normals in the world and local coordinates of points on the shape."""
        local = (points - np.array(self.foot)) @ self._rotation.T
        radius = np.hypot(local[:, 0], local[:, 1])
        outline = np.array(self.profile)
        begin, run = outline[:-1], np.diff(outline, axis=0)
        length = np.maximum(np.linalg.norm(run, axis=1), 1e-9)
        slopes = np.stack([-run[:, 1], run[:, 0]], axis=1) / length[:, None]
        place = np.stack([local[:, 2], radius], axis=1)[:, None, :] - begin[None]
        share = np.clip((place * run[None]).sum(axis=2) / length**2, 0.0, 1.0)
        off = np.linalg.norm(place - share[:, :, None] * run[None], axis=2)
        piece = off.argmin(axis=1)
        slope = slopes[piece]
        if self.smooth:
            along = share[np.arange(piece.size), piece]
            nearest = np.clip(piece + np.where(along > 0.5, 1, -1), 0, len(slopes) - 1)
            # Only pieces that meet at a shallow angle belong to one curve.
            shallow = (slopes[nearest] * slope).sum(axis=1) > 0.75
            weight = np.where(shallow, np.abs(along - 0.5), 0.0)[:, None]
            slope = slope * (1.0 - weight) + slopes[nearest] * weight
        around = local[:, :2] / np.maximum(radius, 1e-9)[:, None]
        normal = np.concatenate([around * slope[:, 1:], slope[:, :1]], axis=1)
        normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
        return normal @ self._rotation, local


def _meet_disc(
    best: Array, start: Array, step: Array, height: float, wide: float, wider: float
) -> None:
    rise = np.where(np.abs(step[:, 2]) < 1e-12, 1e-12, step[:, 2])
    away = (height - start[:, 2]) / rise
    radius = np.hypot(start[:, 0] + away * step[:, 0], start[:, 1] + away * step[:, 1])
    hit = (away > _NEAR) & (radius >= min(wide, wider)) & (radius <= max(wide, wider))
    np.minimum(best, np.where(hit, away, np.inf), out=best)


def _meet_cone(
    best: Array, start: Array, step: Array, bottom: tuple[float, float], top: tuple[float, float]
) -> None:
    (low, wide), (high, wider) = bottom, top
    slant = (wider - wide) / (high - low)
    base = wide + slant * (start[:, 2] - low)
    grow = slant * step[:, 2]
    a = step[:, 0] ** 2 + step[:, 1] ** 2 - grow**2
    b = start[:, 0] * step[:, 0] + start[:, 1] * step[:, 1] - base * grow
    c = start[:, 0] ** 2 + start[:, 1] ** 2 - base**2
    a = np.where(np.abs(a) < 1e-12, 1e-12, a)
    inside = b**2 - a * c
    root = np.sqrt(np.maximum(inside, 0.0))
    for away in ((-b - root) / a, (-b + root) / a):
        height = start[:, 2] + away * step[:, 2]
        hit = (inside >= 0.0) & (away > _NEAR) & (height >= low) & (height <= high)
        hit &= base + away * grow >= 0.0
        np.minimum(best, np.where(hit, away, np.inf), out=best)


def ball(centre: tuple[float, float, float], radius: float, surface: Surface) -> Turned:
    """Make a ball of many flat rings."""
    angle = np.linspace(0.0, np.pi, 15)
    profile = [(float(-radius * np.cos(a)), float(radius * np.sin(a))) for a in angle]
    return Turned(foot=centre, axis=(0.0, 1.0, 0.0), profile=profile, surface=surface)


def rod(
    begin: tuple[float, float, float],
    end: tuple[float, float, float],
    radius: float,
    surface: Surface,
    soft: float = 0.12,
) -> Turned:
    """Make a round rod with softened ends."""
    axis = np.array(end) - np.array(begin)
    length = float(np.linalg.norm(axis))
    edge = min(soft, 0.4 * radius, 0.4 * length)
    profile = [
        (0.0, 0.0),
        (0.0, radius - edge),
        (edge, radius),
        (length - edge, radius),
        (length, radius - edge),
        (length, 0.0),
    ]
    return Turned(
        foot=begin,
        axis=(float(axis[0]), float(axis[1]), float(axis[2])),
        profile=profile,
        surface=surface,
        smooth=False,
    )
