"""Rays from an eye into a scene: key light, open sky, mirrors, soft shadows.

Every pixel takes a fixed set of sub-pixel places, each with its own place on the lamp
and its own direction of the sky. Nothing is random, so that a part of a picture can be
rendered again by itself and the picture compresses well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.sample.drawing.shapes import Array, Shape

__all__ = ["Scene", "render"]

_SIDE = 4
_LIFT = 2e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What there is to see, and from where.

    Parameters
    ----------
    groups : sequence of sequence of Shape
        Shapes that lie together stand in one group, so that most rays can pass a group
        by without asking each of its shapes.
    eye, target : tuple of float
    view_deg : float
        Height of the view.
    lamp : tuple of float
        Middle of the key light.
    lamp_size : float
        Its half width.
    backdrop : tuple of float
        Linear RGB of the wall at the height of the eye.
    """

    groups: Sequence[Sequence[Shape]]
    eye: tuple[float, float, float]
    target: tuple[float, float, float]
    view_deg: float
    lamp: tuple[float, float, float] = (-55.0, 95.0, 70.0)
    lamp_size: float = 14.0
    backdrop: tuple[float, float, float] = (0.30, 0.295, 0.28)


def render(
    scene: Scene, columns: int, rows: int, only: range | None = None
) -> npt.NDArray[np.uint8]:
    """Render a picture or some of its rows.

    Parameters
    ----------
    scene : Scene
    columns, rows : int
        Of the whole picture.
    only : range, optional
        The rows wanted.

    Returns
    -------
    ndarray, shape (rows wanted, columns, 3), uint8
        sRGB.
    """
    wanted = range(rows) if only is None else only
    groups = _grouped(scene)
    eye = np.array(scene.eye)
    forward = np.array(scene.target) - eye
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, (0.0, 1.0, 0.0))
    right /= np.linalg.norm(right)
    up = np.cross(right, forward)
    reach = np.tan(np.radians(scene.view_deg) / 2.0)
    picture = np.empty((len(wanted), columns, 3), dtype=np.uint8)
    count = _SIDE * _SIDE
    number = np.arange(count)
    # The lamp and the sky are visited in another order than the pixel.
    order = (number * 7 + 3) % count
    for index, row in enumerate(wanted):
        across = (np.arange(columns)[:, None] + (number % _SIDE + 0.5) / _SIDE).ravel()
        down = np.tile(row + (number // _SIDE + 0.5) / _SIDE, columns)
        x = (2.0 * across - columns) / rows * reach
        y = (rows - 2.0 * down) / rows * reach
        direction = forward + x[:, None] * right + y[:, None] * up
        direction /= np.linalg.norm(direction, axis=1, keepdims=True)
        origin = np.tile(eye, (direction.shape[0], 1))
        light = _seen(scene, groups, origin, direction, np.tile(order, columns), 2)
        light = light.reshape(columns, count, 3).mean(axis=1)
        picture[index] = _srgb(light)
    return picture


Numbers = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """Shapes with their bounds, and a sphere around them all."""

    first: int
    members: tuple[tuple[Shape, Array, float], ...]
    centre: Array
    radius: float


def _grouped(scene: Scene) -> tuple[_Group, ...]:
    groups: list[_Group] = []
    first = 0
    for shapes in scene.groups:
        members = tuple((shape, *shape.bounds) for shape in shapes)
        centre = np.mean([place for _, place, _ in members], axis=0)
        reach = max(float(np.linalg.norm(place - centre)) + size for _, place, size in members)
        groups.append(_Group(first=first, members=members, centre=centre, radius=reach))
        first += len(members)
    return tuple(groups)


def _nearest(groups: Sequence[_Group], origin: Array, direction: Array) -> tuple[Array, Numbers]:
    best = np.full(origin.shape[0], np.inf)
    which = np.full(origin.shape[0], -1)
    for group in groups:
        rays = _close(origin, direction, group.centre, group.radius, best)
        for index, (shape, centre, radius) in enumerate(group.members):
            some = _close(origin[rays], direction[rays], centre, radius, best[rays])
            if some.size:
                near = rays[some]
                away = shape.meet(origin[near], direction[near])
                closer = away < best[near]
                best[near[closer]] = away[closer]
                which[near[closer]] = group.first + index
    return best, which


def _close(
    origin: Array, direction: Array, centre: Array, radius: float, limit: Array
) -> npt.NDArray[np.intp]:
    """Return the rays that pass a sphere before they meet something nearer."""
    to = centre - origin
    along = np.einsum("ij,ij->i", to, direction)
    off = np.einsum("ij,ij->i", to, to) - along**2
    return np.flatnonzero((off < radius**2) & (along > -radius) & (along - radius < limit))


def _blocked(
    groups: Sequence[_Group], origin: Array, direction: Array, limit: Array
) -> npt.NDArray[np.bool_]:
    dark = np.zeros(origin.shape[0], dtype=np.bool_)
    for group in groups:
        rays = _close(origin, direction, group.centre, group.radius, np.where(dark, -np.inf, limit))
        for shape, centre, radius in group.members:
            some = _close(origin[rays], direction[rays], centre, radius, limit[rays])
            near = rays[some]
            near = near[~dark[near]]
            if near.size:
                dark[near] |= shape.meet(origin[near], direction[near]) < limit[near]
    return dark


def _sky(scene: Scene, direction: Array) -> Array:
    """Return the light of the room: a pale wall, a bright window, a dark floor."""
    height = direction[:, 1]
    wall = np.array(scene.backdrop)
    shade = 0.75 + 0.45 * np.clip(height, -0.6, 0.9)
    colour = wall[None, :] * shade[:, None]
    lamp = np.array(scene.lamp)
    lamp = lamp / np.linalg.norm(lamp)
    window = np.clip((direction @ lamp - 0.90) / 0.03, 0.0, 1.0)
    strip = np.clip(1.0 - np.abs(direction[:, 0] - 0.78) / 0.10, 0.0, 1.0) * (height > 0.05)
    colour += window[:, None] * np.array([2.3, 2.2, 2.0]) + strip[:, None] * 0.55
    return np.asarray(colour)


def _wall(scene: Scene, direction: Array) -> Array:
    """Return what the eye sees of the wall: no window in it, darker to the corners."""
    height = np.clip(direction[:, 1] + 0.25, -0.5, 0.6)
    side = 1.0 - 0.5 * direction[:, 0] ** 2
    tint = (0.8 + 0.75 * height) * side
    return np.array(scene.backdrop)[None, :] * tint[:, None]


def _seen(
    scene: Scene,
    groups: Sequence[_Group],
    origin: Array,
    direction: Array,
    number: Numbers,
    depth: int,
) -> Array:
    away, which = _nearest(groups, origin, direction)
    colour = _wall(scene, direction) if depth == 2 else _sky(scene, direction)
    shapes = [shape for group in groups for shape, _, _ in group.members]
    for index in np.unique(which[which >= 0]):
        rays = np.flatnonzero(which == index)
        shape = shapes[index]
        points = origin[rays] + away[rays, None] * direction[rays]
        colour[rays] = _lit(scene, groups, shape, points, direction[rays], number[rays], depth)
    return colour


def _lit(
    scene: Scene,
    groups: Sequence[_Group],
    shape: Shape,
    points: Array,
    direction: Array,
    number: Numbers,
    depth: int,
) -> Array:
    surface = shape.surface
    normal, local = shape.at(points)
    normal = np.where((normal * direction).sum(axis=1, keepdims=True) > 0.0, -normal, normal)
    outward = normal
    if surface.dent is not None:
        normal = surface.dent(local, normal)
        normal = normal / np.linalg.norm(normal, axis=1, keepdims=True)
    lifted = points + _LIFT * outward
    base = surface.colour(local)

    lamp = np.array(scene.lamp)
    side = scene.lamp_size * (2.0 * (number // _SIDE + 0.5) / _SIDE - 1.0)
    deep = scene.lamp_size * (2.0 * (number % _SIDE + 0.5) / _SIDE - 1.0)
    to_lamp = lamp + np.stack([side, 0.3 * deep, deep], axis=1) - lifted
    distance = np.linalg.norm(to_lamp, axis=1)
    to_lamp /= distance[:, None]
    facing = np.clip((normal * to_lamp).sum(axis=1), 0.0, 1.0)
    facing *= ~_blocked(groups, lifted, to_lamp, distance)

    open_sky = _sky_direction(outward, number)
    free = 1.0 - _blocked(groups, lifted, open_sky, np.full(points.shape[0], 45.0))
    ambient = free * (0.34 + 0.16 * normal[:, 1])

    half = to_lamp - direction
    half /= np.linalg.norm(half, axis=1, keepdims=True)
    shine = np.clip((normal * half).sum(axis=1), 0.0, 1.0) ** surface.sharpness
    highlight = surface.gloss * shine * (facing > 0.0)

    matt = 1.0 - (surface.mirror if surface.metal else 0.0)
    colour = base * (matt * (1.9 * facing + ambient))[:, None]
    tint = base if surface.metal else np.ones_like(base)
    colour += tint * highlight[:, None]
    if surface.mirror > 0.0:
        cosine = np.clip(-(normal * direction).sum(axis=1), 0.0, 1.0)
        share = surface.mirror + (1.0 - surface.mirror) * 0.6 * (1.0 - cosine) ** 5
        back = direction + 2.0 * cosine[:, None] * normal
        if depth > 0:
            seen = _seen(scene, groups, lifted, back, number, depth - 2)
        else:
            seen = _sky(scene, back)
        colour += tint * share[:, None] * seen
    return np.asarray(colour)


def _sky_direction(normal: Array, number: Numbers) -> Array:
    """Return one of the fixed directions over a surface, denser towards its normal."""
    count = _SIDE * _SIDE
    height = np.sqrt(1.0 - (number + 0.5) / count)
    turn = 2.399963 * number
    flat = np.sqrt(1.0 - height**2)[:, None]
    height = height[:, None]
    other = np.where(np.abs(normal[:, :1]) < 0.8, (1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
    first = np.cross(normal, other)
    first /= np.linalg.norm(first, axis=1, keepdims=True)
    second = np.cross(normal, first)
    return np.asarray(
        height * normal + flat * (np.cos(turn)[:, None] * first + np.sin(turn)[:, None] * second)
    )


def _srgb(light: Array) -> npt.NDArray[np.uint8]:
    """Bend the brightest parts down, then encode as IEC 61966-2-1 asks."""
    light = np.clip(light, 0.0, None)
    light = light * (1.0 + light / 9.0) / (1.0 + 0.55 * light)
    light = np.clip(light * 1.25, 0.0, 1.0)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055)
    return np.asarray(np.rint(255.0 * coded), dtype=np.uint8)
