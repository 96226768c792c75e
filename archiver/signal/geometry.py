"""Geometry of a turning medium: surface speed, wavelength, capacity, pitch.

Plain mechanics of a groove at a radius; inches are 25.4 mm exactly (international
inch, 1959). A cylinder or foil drum has one diameter, on a disc the diameter under
the stylus changes from the first groove to the last.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from archiver.signal.estimate import Estimate, cannot_tell, estimate

__all__ = [
    "MM_PER_INCH",
    "Groove",
    "GrooveGeometry",
    "SpeedFigures",
    "capacity_s",
    "eccentric_swing",
    "groove_geometry",
    "highest_traceable_hz",
    "pitch_mm",
    "pitch_offset_cents",
    "speed_figures",
    "stroboscope_rpm",
    "surface_speed_mm_s",
    "wavelength_mm",
]

MM_PER_INCH = 25.4


def _positive(name: str, value: float) -> float:
    if not (value > 0.0 and math.isfinite(value)):
        raise ValueError(f"{name} is {value!r}; it must be a finite number above 0")
    return value


def surface_speed_mm_s(diameter_mm: float, rpm: float) -> float:
    """Return the speed of the groove under the stylus in mm/s: pi x diameter x turns a second.

    Raises
    ------
    ValueError
        Diameter or speed is not above 0.
    """
    return math.pi * _positive("diameter_mm", diameter_mm) * _positive("rpm", rpm) / 60.0


def wavelength_mm(speed_mm_s: float, frequency_hz: float) -> float:
    """Return the length in the groove, in mm, of one period."""
    return _positive("speed_mm_s", speed_mm_s) / _positive("frequency_hz", frequency_hz)


def pitch_mm(threads_per_inch: float) -> float:
    """Return the distance from groove to groove in mm."""
    return MM_PER_INCH / _positive("threads_per_inch", threads_per_inch)


def capacity_s(length_mm: float, groove_pitch_mm: float, rpm: float) -> float:
    """Return for how long a medium lasts, in s.

    Parameters
    ----------
    length_mm : float
        Along the axis of a cylinder or the radius of a disc.
    groove_pitch_mm : float
    rpm : float
    """
    turns = _positive("length_mm", length_mm) / _positive("groove_pitch_mm", groove_pitch_mm)
    return 60.0 * turns / _positive("rpm", rpm)


def pitch_offset_cents(played_rpm: float, recorded_rpm: float) -> float:
    """Return by how many cents sound is too high when played at another speed."""
    ratio = _positive("played_rpm", played_rpm) / _positive("recorded_rpm", recorded_rpm)
    return 1200.0 * math.log2(ratio)


def eccentric_swing(off_centre_mm: float, radius_mm: float) -> float:
    """Return the relative peak swing of speed, once a turn, of a groove off its centre."""
    if off_centre_mm < 0.0:
        raise ValueError(f"off_centre_mm is {off_centre_mm!r}; it must not be below 0")
    return off_centre_mm / _positive("radius_mm", radius_mm)


def stroboscope_rpm(bars: int, mains_hz: float) -> float:
    """Return the speed at which a disc of bars stands still in lamplight.

    A lamp flashes twice in each period of the mains.
    """
    return 120.0 * _positive("mains_hz", mains_hz) / _positive("bars", bars)


def highest_traceable_hz(speed_mm_s: float, tip_radius_mm: float, amplitude_mm: float) -> float:
    """Return the frequency above which a round tip no longer fits into the groove, in Hz.

    The tightest bend of a sine of amplitude A and wavelength L has the radius
    L^2 / (4 pi^2 A); a tip of that radius still touches its bottom.
    """
    product = _positive("tip_radius_mm", tip_radius_mm) * _positive("amplitude_mm", amplitude_mm)
    return _positive("speed_mm_s", speed_mm_s) / (2.0 * math.pi * math.sqrt(product))


@dataclass(frozen=True, slots=True, kw_only=True)
class Groove:
    """What is known of a medium and its groove; None where it is not known.

    Parameters
    ----------
    outer_diameter_mm : float, optional
        Of a cylinder or foil drum, or of a disc at its first groove.
    inner_diameter_mm : float, optional
        Of a disc at its last groove; None for a cylinder or drum.
    pitch_mm : float, optional
        From groove to groove.
    length_mm : float, optional
        Recordable length along the axis; on a disc the radii say it.
    tip_radius_mm, amplitude_mm : float, optional
        Of the stylus and of a loud groove.
    """

    outer_diameter_mm: float | None = None
    inner_diameter_mm: float | None = None
    pitch_mm: float | None = None
    length_mm: float | None = None
    tip_radius_mm: float | None = None
    amplitude_mm: float | None = None

    def __post_init__(self) -> None:
        """Check that every dimension is above 0 and that a disc shrinks inwards."""
        for name in Groove.__dataclass_fields__:
            value = getattr(self, name)
            if value is not None:
                _positive(name, value)
        inner, outer = self.inner_diameter_mm, self.outer_diameter_mm
        if inner is not None and (outer is None or inner >= outer):
            raise ValueError(f"inner_diameter_mm {inner!r} is not under the outer, {outer!r}")

    @property
    def recordable_mm(self) -> float | None:
        """Width of the grooved band across the grooves."""
        if self.length_mm is not None:
            return self.length_mm
        if self.outer_diameter_mm is not None and self.inner_diameter_mm is not None:
            return (self.outer_diameter_mm - self.inner_diameter_mm) / 2.0
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedFigures:
    """What follows from the speed of the surface at one diameter.

    ``wavelength_um`` is that of the highest frequency found in the take, the shortest
    wave that this medium was shown to hold.
    """

    diameter_mm: float
    surface_speed_mm_s: Estimate
    wavelength_1_khz_um: Estimate
    wavelength_um: Estimate
    traceable_hz: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class GrooveGeometry:
    """What follows from a measured rotation and a known groove.

    ``at`` holds the first groove, and for a disc the last one too.
    """

    at: tuple[SpeedFigures, ...]
    capacity_s: Estimate
    capacity_used: Estimate
    length_used_mm: Estimate
    replay_offset_cents: Estimate


def _scaled(rpm: Estimate, factor: float, unit: str) -> Estimate:
    if rpm.value is None or rpm.uncertainty is None:
        return cannot_tell(rpm.reason, unit)
    return estimate(rpm.value * factor, rpm.uncertainty * factor, unit)


def speed_figures(
    rpm: Estimate, diameter_mm: float, groove: Groove, top_hz: Estimate
) -> SpeedFigures:
    """Derive what one diameter gives.

    Parameters
    ----------
    rpm : Estimate
        Speed of rotation.
    diameter_mm : float
    groove : Groove
    top_hz : Estimate
        The highest frequency that was found to be recorded.
    """
    speed = _scaled(rpm, surface_speed_mm_s(diameter_mm, 1.0), "mm/s")
    shortest = cannot_tell(rpm.reason or top_hz.reason or "no speed", "um")
    if speed.value is not None and speed.uncertainty is not None and top_hz.value is not None:
        length_um = 1000.0 * wavelength_mm(speed.value, top_hz.value)
        relative = math.hypot(
            speed.uncertainty / speed.value, (top_hz.uncertainty or 0.0) / top_hz.value
        )
        shortest = estimate(length_um, length_um * relative, "um")
    if groove.tip_radius_mm is None or groove.amplitude_mm is None:
        traceable = cannot_tell(
            "the radius of the stylus or the depth of the groove is unknown", "Hz"
        )
    else:
        per_speed = highest_traceable_hz(1.0, groove.tip_radius_mm, groove.amplitude_mm)
        traceable = _scaled(speed, per_speed, "Hz")
    return SpeedFigures(
        diameter_mm=diameter_mm,
        surface_speed_mm_s=speed,
        wavelength_1_khz_um=_scaled(speed, 1.0, "um"),
        wavelength_um=shortest,
        traceable_hz=traceable,
    )


def groove_geometry(
    rpm: Estimate,
    groove: Groove,
    *,
    duration_s: float,
    nominal_rpm: float | None,
    top_hz: Estimate,
) -> GrooveGeometry:
    """Derive what rotation and groove give together.

    Parameters
    ----------
    rpm : Estimate
        Measured speed of rotation.
    groove : Groove
    duration_s : float
        For how long the medium turned under the stylus.
    nominal_rpm : float, optional
        Stated speed, at which the record might be replayed.
    top_hz : Estimate
        The highest frequency that was found to be recorded.
    """
    diameters = [d for d in (groove.outer_diameter_mm, groove.inner_diameter_mm) if d is not None]
    band_mm = groove.recordable_mm
    capacity = cannot_tell("the recordable length or the pitch of the groove is unknown", "s")
    used = cannot_tell(capacity.reason, "1")
    length = cannot_tell("the pitch of the groove is unknown", "mm")
    offset = cannot_tell("no nominal speed is stated", "cents")
    if rpm.value is None or rpm.uncertainty is None:
        capacity, used, length, offset = (
            cannot_tell(rpm.reason, unit) for unit in ("s", "1", "mm", "cents")
        )
    else:
        relative = rpm.uncertainty / rpm.value
        if groove.pitch_mm is not None:
            millimetres = groove.pitch_mm * rpm.value * duration_s / 60.0
            length = estimate(millimetres, millimetres * relative, "mm")
            if band_mm is not None:
                seconds = capacity_s(band_mm, groove.pitch_mm, rpm.value)
                capacity = estimate(seconds, seconds * relative, "s")
                share = duration_s / seconds
                used = estimate(share, share * relative, "1")
        if nominal_rpm is not None:
            cents = pitch_offset_cents(nominal_rpm, rpm.value)
            offset = estimate(cents, 1200.0 / math.log(2.0) * relative, "cents")
    return GrooveGeometry(
        at=tuple(speed_figures(rpm, diameter, groove, top_hz) for diameter in diameters),
        capacity_s=capacity,
        capacity_used=used,
        length_used_mm=length,
        replay_offset_cents=offset,
    )
