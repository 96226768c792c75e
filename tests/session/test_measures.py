"""Measures that can hardly be true; those of the trade's own extremes are let through."""

from __future__ import annotations

from pathlib import Path

import pytest

from archiver.findings import Severity
from archiver.session import load_session
from tests.session.folders import codes, edit, whole_session

SHEET, MACHINE = "session.yaml", "machines/example-machine.yaml"
FOIL = ("    kind: wax cylinder\n", "    kind: foil sheet\n")
THICKNESS = "thickness: 6 mm "
SIZE = "{width: 380 mm, depth: 260 mm, height: 310 mm, weight: 11.5 kg}"


@pytest.mark.parametrize(
    ("file", "old", "new", "field"),
    [
        (SHEET, "distance: 0.4 m", "distance: 400 m", "chains[0].microphones[0].distance"),
        (SHEET, "distance: 0.4 m", "distance: 0.4 mm", "chains[0].microphones[0].distance"),
        (SHEET, "nominal_speed: 100 rpm", "nominal_speed: 6000 rpm", "setups[0].nominal_speed"),
        (SHEET, "nominal_speed: 100 rpm", "nominal_speed: 2 rpm", "setups[0].nominal_speed"),
        (SHEET, "depth: 0.03 mm", "depth: 30 mm", "setups[0].stylus.depth"),
        (SHEET, "# tone: 440 Hz", "tone: 440 kHz", "takes[0].tone"),
        (SHEET, THICKNESS, "thickness: 6 cm ", "media[0].thickness"),
        (SHEET, "diameter: 2 3/8 in ", "diameter: 2 3/8 m ", "media[0].diameter"),
        (MACHINE, SIZE, SIZE.replace("380 mm", "380 m"), "dimensions.width"),
        (MACHINE, SIZE, SIZE.replace("11.5 kg", "11.5 mg"), "dimensions.weight"),
    ],
)
def test_a_slip_of_unit_or_digit_is_told(
    tmp_path: Path, file: str, old: str, new: str, field: str
) -> None:
    folder = whole_session(tmp_path)
    edit(folder, file, old, new)
    (found,) = [f for f in load_session(folder).findings if f.code == "measure-implausible"]
    assert found.where.field == field
    assert found.where.line is not None
    assert found.severity is Severity.WARNING
    assert " to " in found.accepted


def test_a_foil_is_thin_and_a_wall_is_not(tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, THICKNESS, "thickness: 40 mm ")
    assert codes(load_session(folder)) == []
    edit(folder, SHEET, *FOIL)
    assert codes(load_session(folder)) == ["measure-implausible"]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        # IASA-TC 04, 5.2.5.3: instantaneous cylinders ran at under 50 and over 300 rpm.
        ("nominal_speed: 100 rpm", "nominal_speed: 45 rpm"),
        ("nominal_speed: 100 rpm", "nominal_speed: 320 rpm"),
        # A concert cylinder of 5 in (common practice).
        ("diameter: 2 3/8 in ", "diameter: 5 in "),
        ("depth: 0.03 mm", "depth: by eye"),
        ("depth: 0.03 mm", "depth: 2 turns of the screw"),
        ("# tone: 440 Hz", "tone: 1000 Hz"),
    ],
)
def test_what_the_trade_knows_is_let_through(tmp_path: Path, old: str, new: str) -> None:
    folder = whole_session(tmp_path)
    edit(folder, SHEET, old, new)
    assert "measure-implausible" not in codes(load_session(folder))
