"""Geometry against values worked by hand from pi, the inch and the second."""

from __future__ import annotations

import math

import pytest

from archiver.signal.estimate import Estimate, cannot_tell, estimate
from archiver.signal.geometry import (
    MM_PER_INCH,
    Groove,
    capacity_s,
    eccentric_swing,
    groove_geometry,
    highest_traceable_hz,
    pitch_mm,
    pitch_offset_cents,
    stroboscope_rpm,
    surface_speed_mm_s,
    wavelength_mm,
)

# Common practice: a standard cylinder is 2 1/4 inch outside and turns at 160 rpm.
STANDARD_MM = 2.25 * MM_PER_INCH


@pytest.mark.parametrize(
    ("diameter_mm", "rpm", "expected_mm_s"),
    [
        (STANDARD_MM, 160.0, 478.78),
        (STANDARD_MM, 120.0, 359.08),
        (STANDARD_MM, 144.0, 430.90),
        (2.1875 * MM_PER_INCH, 160.0, 465.48),
        (4.0 * MM_PER_INCH, 60.0, 319.19),
        # A 3 1/2 inch mandrel: pi x 88.9 mm x 160/60.
        (3.5 * MM_PER_INCH, 160.0, 744.77),
        (3.5 * MM_PER_INCH, 100.0, 465.48),
        # A 10 inch disc at 78.26 rpm at its rim, and where its grooves end.
        (254.0, 78.26, 1040.81),
        (241.0, 78.26, 987.54),
        (95.0, 78.26, 389.28),
    ],
)
def test_surface_speed_is_circumference_times_turns(
    diameter_mm: float, rpm: float, expected_mm_s: float
) -> None:
    assert surface_speed_mm_s(diameter_mm, rpm) == pytest.approx(expected_mm_s, abs=0.01)


@pytest.mark.parametrize(("tpi", "expected"), [(100, 0.254), (160, 0.15875), (200, 0.127)])
def test_pitch_is_the_inch_over_the_threads(tpi: float, expected: float) -> None:
    assert pitch_mm(tpi) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("length_in", "tpi", "rpm", "expected_s"),
    [(4, 100, 160, 150.0), (4, 200, 160, 300.0), (4, 100, 120, 200.0), (4.25, 10, 60, 42.5)],
)
def test_capacity_is_turns_over_speed(
    length_in: float, tpi: float, rpm: float, expected_s: float
) -> None:
    assert capacity_s(length_in * MM_PER_INCH, pitch_mm(tpi), rpm) == pytest.approx(
        expected_s, rel=1e-12
    )


@pytest.mark.parametrize(
    ("played", "recorded", "cents"),
    [(160, 144, 182.404), (160, 120, 498.045), (80, 78.26, 38.070), (100, 100, 0.0)],
)
def test_pitch_offset_is_the_ratio_of_speeds_in_cents(
    played: float, recorded: float, cents: float
) -> None:
    # 160/120 is a just fourth, 498.045 cents in any table of intervals; 80/78.26 worked
    # with the stroboscope's 78.2609 gives 38.05, with 78.26 itself 38.07.
    assert pitch_offset_cents(played, recorded) == pytest.approx(cents, abs=0.005)


def test_wavelength_at_one_kilohertz_has_the_digits_of_the_speed() -> None:
    speed = surface_speed_mm_s(STANDARD_MM, 160.0)
    assert wavelength_mm(speed, 1000.0) == pytest.approx(0.47878, abs=1e-5)
    assert wavelength_mm(speed, 3000.0) == pytest.approx(0.15959, abs=1e-5)


def test_stroboscope_bars_stand_still_at_the_speeds_of_the_trade() -> None:
    assert stroboscope_rpm(92, 60.0) == pytest.approx(78.2609, abs=1e-4)
    assert stroboscope_rpm(77, 50.0) == pytest.approx(77.9221, abs=1e-4)
    assert stroboscope_rpm(180, 50.0) == pytest.approx(100.0 / 3.0)


def test_half_a_millimetre_off_centre_at_60_mm_swings_by_five_sixths_of_a_percent() -> None:
    assert eccentric_swing(0.5, 60.0) == pytest.approx(0.0083333, abs=1e-7)


def test_a_tip_traces_up_to_the_frequency_at_which_the_bend_has_its_radius() -> None:
    speed = surface_speed_mm_s(STANDARD_MM, 160.0)
    top_hz = highest_traceable_hz(speed, 0.25, 0.005)
    length_mm = speed / top_hz
    assert length_mm**2 / (4.0 * math.pi**2 * 0.005) == pytest.approx(0.25, rel=1e-12)
    assert top_hz == pytest.approx(2155.0, abs=1.0)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_a_dimension_must_be_a_finite_number_above_zero(bad: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        surface_speed_mm_s(bad, 160.0)
    with pytest.raises(ValueError, match="above 0"):
        Groove(pitch_mm=bad)


def test_a_disc_must_shrink_inwards() -> None:
    with pytest.raises(ValueError, match="not under the outer"):
        Groove(outer_diameter_mm=95.0, inner_diameter_mm=241.0)


def test_uncertainty_of_the_speed_goes_into_everything_derived_from_it() -> None:
    groove = Groove(outer_diameter_mm=STANDARD_MM, pitch_mm=0.254, length_mm=101.6)
    found = groove_geometry(
        estimate(148.0, 1.48, "rpm"),
        groove,
        duration_s=120.0,
        nominal_rpm=160.0,
        top_hz=estimate(3000.0, 0.0, "Hz"),
    )
    for value in (
        found.capacity_s,
        found.capacity_used,
        found.length_used_mm,
        found.at[0].surface_speed_mm_s,
        found.at[0].wavelength_um,
    ):
        assert value.value is not None
        assert value.uncertainty == pytest.approx(0.01 * value.value, rel=1e-9)
    assert found.capacity_s.value == pytest.approx(60.0 * 400.0 / 148.0)
    assert found.length_used_mm.value == pytest.approx(0.254 * 148.0 * 2.0)
    # 1 % of speed is 17.3 cents near enough (1200/ln 2 x 0.01).
    assert found.replay_offset_cents.value == pytest.approx(134.97, abs=0.01)
    assert found.replay_offset_cents.uncertainty == pytest.approx(17.31, abs=0.01)


def test_a_disc_gives_both_its_first_and_its_last_groove() -> None:
    found = groove_geometry(
        estimate(78.26, 0.1, "rpm"),
        Groove(outer_diameter_mm=241.0, inner_diameter_mm=95.0, pitch_mm=0.254),
        duration_s=180.0,
        nominal_rpm=None,
        top_hz=cannot_tell("no reproduction", "Hz"),
    )
    assert [round(at.surface_speed_mm_s.value or 0.0, 1) for at in found.at] == [987.5, 389.3]
    # 73 mm of radius at 100 to the inch: 287.4 turns.
    assert found.capacity_s.value == pytest.approx(220.34, abs=0.01)
    assert found.replay_offset_cents.reason == "no nominal speed is stated"
    assert found.at[0].wavelength_um.reason == "no reproduction"


def test_without_a_speed_every_figure_gives_the_reason_of_the_speed() -> None:
    found = groove_geometry(
        cannot_tell("no mark returns", "rpm"),
        Groove(outer_diameter_mm=57.15, pitch_mm=0.254, length_mm=101.6),
        duration_s=60.0,
        nominal_rpm=160.0,
        top_hz=cannot_tell("no reproduction", "Hz"),
    )
    reasons = {found.capacity_s.reason, found.length_used_mm.reason}
    assert reasons == {"no mark returns"}
    assert found.at[0].surface_speed_mm_s.reason == "no mark returns"


def test_an_estimate_has_either_a_value_with_uncertainty_or_a_reason() -> None:
    with pytest.raises(ValueError, match="value or a reason"):
        Estimate(unit="rpm")
    with pytest.raises(ValueError, match="value or a reason"):
        Estimate(unit="rpm", value=1.0, uncertainty=0.1, reason="both")
    with pytest.raises(ValueError, match="uncertainty"):
        Estimate(unit="rpm", value=1.0)
    with pytest.raises(ValueError, match="not a width"):
        Estimate(unit="rpm", value=1.0, uncertainty=-0.1)


def test_a_stated_value_is_excluded_only_beyond_the_uncertainty() -> None:
    measured = estimate(148.0, 1.0, "rpm")
    assert measured.excludes(160.0)
    assert not measured.excludes(148.9)
    assert not measured.excludes(149.5, tolerance=1.0)
    assert not cannot_tell("noise", "rpm").excludes(160.0)
