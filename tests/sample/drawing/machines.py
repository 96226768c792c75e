"""The two machines and the plate, built of shapes. Measures in centimetres."""

from __future__ import annotations

import numpy as np

from tests.sample.drawing.lettering import Lettering
from tests.sample.drawing.render import Scene
from tests.sample.drawing.shapes import Array, Box, Shape, Surface, Turned, ball, rod
from tests.sample.drawing.surfaces import (
    BRASS,
    ENAMEL,
    NICKEL,
    STEEL,
    THREAD,
    TIN,
    WAX,
    japan,
    oak,
)

__all__ = ["SCENES"]

_AXIS_Y = 22.6
_MANDREL_Z = -1.0
_SCREW_Y, _SCREW_Z = 20.2, 4.6


def _linen(local: Array) -> Array:
    weave = 0.5 + 0.5 * np.sin(local[:, 0] * 0.35) * np.sin(local[:, 2] * 0.35)
    return np.array([0.235, 0.215, 0.185]) * (0.97 + 0.03 * weave)[:, None]


def _table() -> Box:
    cloth = Surface(colour=_linen, gloss=0.0)
    return Box(centre=(0.0, -1.0, 0.0), half=(400.0, 1.0, 160.0), surface=cloth, soft=0.01)


def _case(
    width: float, depth: float, height: float, surface: Surface, foot: Surface
) -> list[Shape]:
    half_w, half_d = width / 2.0, depth / 2.0
    return [
        Box(
            centre=(0.0, 1.3, 0.0),
            half=(half_w + 1.0, 1.3, half_d + 1.0),
            surface=foot,
            soft=0.7,
        ),
        Box(
            centre=(0.0, 2.6 + (height - 3.8) / 2.0, 0.0),
            half=(half_w, (height - 3.8) / 2.0, half_d),
            surface=surface,
            soft=0.25,
        ),
        Box(
            centre=(0.0, height - 0.6, 0.0),
            half=(half_w + 0.6, 0.6, half_d + 0.6),
            surface=foot,
            soft=0.5,
        ),
    ]


def _bed(top: float, half: tuple[float, float, float]) -> list[Shape]:
    screws: list[Shape] = [
        ball((sx * (half[0] - 2.0), top + 2.0 * half[1] + 0.02, sz * (half[2] - 2.0)), 0.45, STEEL)
        for sx in (-1, 1)
        for sz in (-1, 1)
    ]
    bed = Box(centre=(0.0, top + half[1], 0.0), half=half, surface=japan(half), soft=0.35)
    return [bed, *screws]


def _pedestal(x: float, foot: float, with_screw: bool) -> list[Shape]:
    black = japan()
    height = _AXIS_Y - foot
    shapes: list[Shape] = [
        Box(
            centre=(x, foot + 0.5, _MANDREL_Z + 1.6),
            half=(1.1, 0.5, 5.4),
            surface=black,
            soft=0.3,
        ),
        Box(
            centre=(x, foot + height / 2.0, _MANDREL_Z),
            half=(0.75, height / 2.0, 1.7),
            surface=black,
            soft=0.35,
        ),
        Turned(
            foot=(x - 1.05, _AXIS_Y, _MANDREL_Z),
            axis=(1.0, 0.0, 0.0),
            profile=((0.0, 0.0), (0.0, 1.75), (0.2, 1.95), (1.9, 1.95), (2.1, 1.75), (2.1, 0.0)),
            surface=black,
        ),
        rod((x, _AXIS_Y + 1.8, _MANDREL_Z), (x, _AXIS_Y + 2.9, _MANDREL_Z), 0.42, BRASS),
    ]
    if with_screw:
        shapes += [
            Box(
                centre=(x, (foot + _SCREW_Y) / 2.0, _SCREW_Z),
                half=(0.6, (_SCREW_Y - foot) / 2.0 + 0.7, 0.9),
                surface=black,
                soft=0.3,
            ),
            rod((x - 0.9, _SCREW_Y, _SCREW_Z), (x + 0.9, _SCREW_Y, _SCREW_Z), 0.62, BRASS),
        ]
    return shapes


def _mandrel_with_cylinder(left: float, right: float, start: float) -> list[Shape]:
    return [
        rod((left - 2.6, _AXIS_Y, _MANDREL_Z), (right + 3.2, _AXIS_Y, _MANDREL_Z), 0.55, STEEL),
        Turned(
            foot=(left + 1.2, _AXIS_Y, _MANDREL_Z),
            axis=(1.0, 0.0, 0.0),
            profile=(
                (0.0, 0.0),
                (0.0, 2.02),
                (0.25, 2.22),
                (right - left - 2.6, 2.38),
                (right - left - 2.4, 2.2),
                (right - left - 2.4, 0.0),
            ),
            surface=NICKEL,
        ),
        Turned(
            foot=(start, _AXIS_Y, _MANDREL_Z),
            axis=(1.0, 0.0, 0.0),
            profile=(
                (0.0, 2.35),
                (0.0, 2.72),
                (0.14, 2.86),
                (15.74, 2.86),
                (15.88, 2.72),
                (15.88, 2.4),
            ),
            surface=WAX,
        ),
    ]


def _pulley(x: float, y: float, z: float, radius: float, surface: Surface) -> list[Shape]:
    return [
        Turned(
            foot=(x - 0.8, y, z),
            axis=(1.0, 0.0, 0.0),
            profile=(
                (0.0, 0.0),
                (0.0, radius - 1.1),
                (0.25, radius - 0.9),
                (0.25, radius - 0.2),
                (0.0, radius),
                (0.8, radius - 0.45),
                (1.6, radius),
                (1.35, radius - 0.2),
                (1.35, radius - 0.9),
                (1.6, radius - 1.1),
                (1.6, 0.0),
            ),
            surface=surface,
            smooth=False,
        ),
        Turned(
            foot=(x + 0.7, y, z),
            axis=(1.0, 0.0, 0.0),
            profile=((0.0, 1.2), (0.5, 1.1), (0.7, 0.8), (0.7, 0.0)),
            surface=BRASS,
        ),
    ]


def _head(x: float, lean: float) -> list[Shape]:
    """Build carriage, arm and sound box over the cylinder."""
    black = japan()
    top = _AXIS_Y + 2.86
    axis = (0.0, float(np.cos(lean)), float(np.sin(lean)))
    box_foot = (x, top + 0.75, _MANDREL_Z - 0.1)
    return [
        Box(centre=(x, _SCREW_Y + 0.2, _SCREW_Z), half=(1.7, 1.1, 1.0), surface=NICKEL, soft=0.3),
        rod(
            (x - 1.0, _SCREW_Y + 1.0, _SCREW_Z), (x - 1.0, top + 0.9, _SCREW_Z - 0.3), 0.42, NICKEL
        ),
        rod(
            (x + 1.0, _SCREW_Y + 1.0, _SCREW_Z), (x + 1.0, top + 0.9, _SCREW_Z - 0.3), 0.42, NICKEL
        ),
        Box(
            centre=(x, top + 1.0, _SCREW_Z - 2.2),
            half=(1.6, 0.35, 2.6),
            surface=NICKEL,
            soft=0.25,
        ),
        rod((x, _SCREW_Y - 0.6, _SCREW_Z + 0.6), (x, _SCREW_Y - 1.6, _SCREW_Z + 3.6), 0.32, STEEL),
        ball((x, _SCREW_Y - 1.7, _SCREW_Z + 3.9), 0.75, black),
        Turned(
            foot=box_foot,
            axis=axis,
            profile=(
                (0.0, 0.0),
                (0.0, 1.9),
                (0.25, 2.15),
                (0.95, 2.15),
                (1.2, 1.95),
                (1.35, 1.2),
                (1.75, 0.95),
                (2.5, 0.9),
                (2.5, 0.0),
            ),
            surface=NICKEL,
        ),
        rod((x, top - 0.05, _MANDREL_Z), (x, top + 0.9, _MANDREL_Z), 0.12, STEEL),
    ]


def _horn(
    foot: tuple[float, float, float],
    axis: tuple[float, float, float],
    profile: list[tuple[float, float]],
    surface: Surface,
    rim: Surface,
) -> list[Shape]:
    length, mouth = profile[-1]
    turn = np.linspace(0.0, 2.0 * np.pi, 13)
    bead = [(float(length + 0.28 * np.sin(a)), float(mouth + 0.28 * np.cos(a))) for a in turn]
    return [
        Turned(foot=foot, axis=axis, profile=profile, surface=surface),
        Turned(foot=foot, axis=axis, profile=bead, surface=rim),
        Turned(
            foot=foot,
            axis=axis,
            profile=((-0.2, 1.05), (0.0, 1.25), (1.3, 1.25), (1.5, 1.0)),
            surface=rim,
        ),
    ]


def _plate_surface(lettering: Lettering, half: tuple[float, float]) -> Surface:
    def colour(local: Array) -> Array:
        front = local[:, 2] > 0.0
        depth = np.where(front, lettering.cut(local[:, 0], local[:, 1]), 0.0)[:, None]
        brushed = 1.0 + 0.05 * np.sin(local[:, 1:2] * 61.0 + np.sin(local[:, :1] * 3.0))
        edge = np.minimum(half[0] - np.abs(local[:, 0]), half[1] - np.abs(local[:, 1]))
        stain = 1.0 - 0.30 * np.exp(-np.maximum(edge, 0.0) / (0.09 * half[1]))[:, None]
        bare = np.array([0.80, 0.58, 0.24]) * brushed * stain
        return np.asarray(bare * (1.0 - depth) + np.array([0.018, 0.014, 0.010]) * depth)

    def dent(local: Array, normal: Array) -> Array:
        step = 0.02
        x, y = local[:, 0], local[:, 1]
        slope_x = lettering.cut(x + step, y) - lettering.cut(x - step, y)
        slope_y = lettering.cut(x, y + step) - lettering.cut(x, y - step)
        return normal + 0.7 * np.stack([slope_x, slope_y, np.zeros(x.size)], axis=1)

    return Surface(colour=colour, mirror=0.42, metal=True, gloss=0.5, sharpness=40, dent=dent)


def _small_plate(x: float, y: float, z: float, last_line: str) -> list[Shape]:
    half = (5.2, 2.3)
    lettering = Lettering(
        (
            ("VESTERHOLM & SØN", 0.0, 0.72, 0.70),
            ("KANALGADE 11 RAVNSØ", 0.0, -0.35, 0.50),
            (last_line, 0.0, -1.55, 0.62),
        ),
        half=half,
        frame=(4.95, 2.05),
        width=0.06,
    )
    shapes: list[Shape] = [
        Box(
            centre=(x, y, z),
            half=(*half, 0.15),
            surface=_plate_surface(lettering, half),
            soft=0.1,
        )
    ]
    shapes += [
        ball((x + sx * 4.7, y + sy * 1.8, z + 0.10), 0.22, STEEL)
        for sx in (-1, 1)
        for sy in (-1, 1)
    ]
    return shapes


def _dictating_machine() -> Scene:
    top = 15.4
    groups: list[list[Shape]] = [
        _case(39.0, 24.0, top, oak(0), oak(0, 3.7)),
        _bed(top, (17.6, 0.7, 10.2)),
        _pedestal(-14.6, top + 1.4, with_screw=True),
        _pedestal(9.4, top + 1.4, with_screw=True),
        _mandrel_with_cylinder(-13.6, 8.4, -10.9),
        [rod((-15.4, _SCREW_Y, _SCREW_Z), (10.2, _SCREW_Y, _SCREW_Z), 0.48, THREAD)],
        _pulley(12.6, _AXIS_Y, _MANDREL_Z, 4.6, japan()),
        _head(-4.4, 0.55),
        _horn(
            (-4.4, _AXIS_Y + 5.6, _MANDREL_Z + 1.2),
            (-0.52, 0.50, 0.69),
            [(0.0, 0.9), (10.0, 1.9), (20.0, 3.1), (29.0, 4.55), (33.5, 5.6), (35.6, 6.35)],
            TIN,
            BRASS,
        ),
        _small_plate(0.0, 8.4, 12.1, "STEMMEBOG B"),
        _governor(14.6, top + 1.4, 6.0),
        _winding_key(20.6, 8.2, 2.0),
        [_table()],
    ]
    return Scene(groups=groups, eye=(26.0, 50.0, 112.0), target=(-5.0, 24.0, 0.0), view_deg=31.0)


def _governor(x: float, foot: float, z: float) -> list[Shape]:
    shapes: list[Shape] = [
        Box(centre=(x, foot + 0.3, z), half=(1.6, 0.3, 1.6), surface=BRASS, soft=0.2),
        rod((x, foot + 0.4, z), (x, foot + 7.4, z), 0.26, STEEL),
        rod((x, foot + 1.0, z), (x, foot + 1.7, z), 0.85, BRASS),
        rod((x, foot + 6.0, z), (x, foot + 6.6, z), 0.85, BRASS),
        Turned(
            foot=(x, foot + 1.7, z),
            axis=(0.0, 1.0, 0.0),
            profile=((0.0, 0.0), (0.0, 1.7), (0.3, 1.7), (0.3, 0.0)),
            surface=STEEL,
        ),
    ]
    for turn in (0.5, 2.594, 4.689):
        out = (x + 1.9 * float(np.cos(turn)), foot + 4.1, z + 1.9 * float(np.sin(turn)))
        near = (float(np.cos(turn)) * 0.6, float(np.sin(turn)) * 0.6)
        shapes += [
            ball(out, 0.72, BRASS),
            rod((x + near[0], foot + 6.2, z + near[1]), out, 0.11, STEEL),
            rod((x + near[0], foot + 1.9, z + near[1]), out, 0.11, STEEL),
        ]
    return shapes


def _winding_key(x: float, y: float, z: float) -> list[Shape]:
    return [
        Turned(
            foot=(x - 1.2, y, z),
            axis=(1.0, 0.0, 0.0),
            profile=((0.0, 1.9), (0.35, 1.8), (0.5, 1.3), (0.5, 0.0)),
            surface=BRASS,
        ),
        rod((x - 0.8, y, z), (x + 3.0, y, z), 0.5, STEEL),
        rod((x + 2.6, y + 0.4, z), (x + 2.6, y - 5.2, z), 0.5, STEEL),
        rod((x + 2.4, y - 4.9, z), (x + 7.0, y - 4.9, z), 0.85, oak(2, 1.3), soft=0.35),
    ]


def _transcribing_machine() -> Scene:
    top = 13.2
    groups: list[list[Shape]] = [
        _case(41.5, 25.0, top, japan(), japan((21.35, 0.6, 13.1), 0.8)),
        _bed(top, (18.4, 0.7, 10.4)),
        _pedestal(-16.2, top + 1.4, with_screw=True),
        _pedestal(7.6, top + 1.4, with_screw=True),
        _mandrel_with_cylinder(-15.2, 6.6, -12.4),
        [rod((-17.0, _SCREW_Y, _SCREW_Z), (8.4, _SCREW_Y, _SCREW_Z), 0.48, THREAD)],
        _pulley(10.4, _AXIS_Y, _MANDREL_Z, 4.9, japan()),
        _head(-2.6, 0.35),
        _horn(
            (-2.6, _AXIS_Y + 5.9, _MANDREL_Z + 0.8),
            (-0.35, 0.78, 0.52),
            [
                (0.0, 0.9),
                (7.0, 1.3),
                (14.0, 1.85),
                (20.0, 2.55),
                (24.0, 3.35),
                (26.5, 4.2),
                (28.0, 5.1),
            ],
            japan(),
            BRASS,
        ),
        _small_plate(-3.0, 7.4, 12.6, "AFSKRIVER C"),
        _motor(15.2, top + 1.4, -3.2),
        _keys(12.6, 5.8, 12.4),
        _lever(6.6, 6.2, 12.5),
        [_table()],
    ]
    return Scene(
        groups=groups,
        eye=(36.0, 46.0, 106.0),
        target=(0.5, 24.2, 0.0),
        view_deg=32.5,
        backdrop=(0.275, 0.285, 0.285),
    )


def _motor(x: float, foot: float, z: float) -> list[Shape]:
    black = japan()
    y = foot + 4.3
    return [
        Box(centre=(x + 0.6, foot + 0.5, z), half=(3.6, 0.5, 3.4), surface=black, soft=0.3),
        Box(centre=(x + 0.6, foot + 1.8, z), half=(2.2, 1.2, 2.4), surface=black, soft=0.4),
        Turned(
            foot=(x - 2.6, y, z),
            axis=(1.0, 0.0, 0.0),
            profile=(
                (0.0, 0.0),
                (0.0, 1.4),
                (0.5, 2.6),
                (1.1, 3.3),
                (1.5, 3.75),
                (5.5, 3.75),
                (5.9, 3.3),
                (6.5, 2.6),
                (7.0, 1.4),
                (7.0, 0.0),
            ),
            surface=black,
        ),
        Turned(
            foot=(x - 0.7, y, z),
            axis=(1.0, 0.0, 0.0),
            profile=((0.0, 3.7), (0.0, 3.95), (0.35, 3.95), (0.35, 3.7)),
            surface=BRASS,
            smooth=False,
        ),
        Turned(
            foot=(x + 2.0, y, z),
            axis=(1.0, 0.0, 0.0),
            profile=((0.0, 3.7), (0.0, 3.95), (0.35, 3.95), (0.35, 3.7)),
            surface=BRASS,
            smooth=False,
        ),
        rod((x - 5.4, y, z), (x - 2.4, y, z), 0.45, STEEL),
        *_pulley(x - 4.5, y, z, 1.9, STEEL),
        rod((x + 0.9, y + 3.5, z), (x + 0.9, y + 5.0, z), 0.55, BRASS),
    ]


def _keys(x: float, y: float, z: float) -> list[Shape]:
    shapes: list[Shape] = [
        Box(centre=(x + 1.9, y, z), half=(4.3, 2.2, 0.25), surface=BRASS, soft=0.2)
    ]
    for step in (0.0, 3.8):
        shapes += [
            rod((x + step, y, z), (x + step, y, z + 1.6), 0.4, STEEL),
            rod((x + step, y, z + 1.4), (x + step, y, z + 2.0), 1.25, ENAMEL),
            rod((x + step, y, z + 1.2), (x + step, y, z + 1.7), 1.4, NICKEL),
        ]
    return shapes


def _lever(x: float, y: float, z: float) -> list[Shape]:
    return [
        rod((x, y, z), (x, y, z + 0.6), 1.2, BRASS),
        rod((x, y, z + 0.8), (x + 1.5, y + 3.6, z + 1.2), 0.3, STEEL),
        ball((x + 1.6, y + 3.9, z + 1.25), 0.65, japan()),
    ]


def _plate() -> Scene:
    half = (10.0, 4.6)
    lettering = Lettering(
        (
            ("VESTERHOLM & SØN", 0.0, 1.35, 1.24),
            ("KANALGADE 11   RAVNSØ", 0.0, -0.65, 0.86),
            ("STEMMEBOG B", 0.0, -2.75, 1.1),
        ),
        half=half,
        frame=(9.3, 3.95),
        width=0.11,
    )
    shapes: list[Shape] = [
        Box(centre=(0.0, 0.0, 0.0), half=(*half, 0.3), surface=_plate_surface(lettering, half)),
        Box(centre=(0.0, 0.0, -2.3), half=(60.0, 40.0, 2.0), surface=oak(0, 8.1), soft=0.01),
    ]
    for number, (sx, sy) in enumerate(((-1, -1), (1, -1), (-1, 1), (1, 1))):
        shapes.append(_screw(sx * 8.75, sy * 3.4, 0.28, 0.5 + 1.1 * number))
    return Scene(
        groups=[shapes],
        eye=(3.0, -3.5, 34.0),
        target=(0.0, 0.0, 0.0),
        view_deg=24.5,
        lamp=(-42.0, 46.0, 52.0),
        lamp_size=9.0,
    )


def _screw(x: float, y: float, z: float, turn: float) -> Turned:
    across = np.array([np.cos(turn), np.sin(turn)])

    def colour(local: Array) -> Array:
        slot = np.abs(local[:, :2] @ across) < 0.085
        bare = np.where(slot[:, None], 0.012, np.array([0.62, 0.46, 0.21]))
        return np.asarray(bare)

    head = Surface(colour=colour, mirror=0.4, metal=True, gloss=0.7, sharpness=50)
    profile = [(0.0, 0.62), (0.1, 0.60), (0.2, 0.5), (0.28, 0.3), (0.3, 0.0)]
    return Turned(foot=(x, y, z), axis=(0.0, 0.0, 1.0), profile=profile, surface=head)


SCENES = {
    "photographs/vesterholm-b.png": _dictating_machine,
    "photographs/vesterholm-c.png": _transcribing_machine,
    "photographs/vesterholm-b-plate.png": _plate,
}
"""What each picture shows, by its path in the session folder."""
