"""What a bag records of the motion of its machines, read back from ``metadata/motion.json``.

Source of the form: ``schemas/motion.schema.json``.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from archiver.errors import InputError
from archiver.signal.estimate import Estimate

__all__ = [
    "Course",
    "MediumOutlook",
    "MotionRecord",
    "TakeMovement",
    "WaveringRecord",
    "motion_record",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """A quantity over the time of a take: three lists of one length.

    Parameters
    ----------
    time_s : tuple of float
        From the first sample of the take.
    values, uncertainties : tuple of float
        Uncertainty is the half-width of the 95 % interval.
    """

    time_s: tuple[float, ...]
    values: tuple[float, ...]
    uncertainties: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaveringRecord:
    """How steadily a machine turned, read from one kind of curve (``carrier``)."""

    carrier: str
    highest_hz: float
    drift: Estimate
    wow_rms: Estimate
    wow_peak: Estimate
    flutter_rms: Estimate
    weighted: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeMovement:
    """What was measured on one take; None where it does not apply.

    Parameters
    ----------
    take, kind : str
        Id; ``performance``, ``reproduction`` or ``other``.
    stated_rpm : float, optional
    speed : Estimate
        Measured speed of rotation in this take.
    recording_speed : Estimate
        Of the machine that recorded what is played.
    turns : Course
        Speed in rpm, turn by turn; empty if no turns were heard.
    tone : Estimate, optional
        Measured frequency of the stated tone.
    tone_interval : Estimate, optional
        Between the tone as measured and as stated.
    ratio : Estimate, optional
        Speed of a reproduction against its performance.
    ratio_course : Course
        The same over time.
    usable_low, usable_high : Estimate, optional
        Band in which the performance came through.
    band_index : Estimate, optional
        Share of the bands of speech that came through, by importance.
    wavering : tuple of WaveringRecord
    surface_speed : Estimate, optional
        Of the groove, at its first stated diameter.
    capacity : Estimate
        Playing time that the medium holds at the measured speed.
    """

    take: str
    kind: str
    stated_rpm: float | None
    speed: Estimate
    recording_speed: Estimate
    turns: Course
    tone: Estimate | None
    tone_interval: Estimate | None
    ratio: Estimate | None
    ratio_course: Course
    usable_low: Estimate | None
    usable_high: Estimate | None
    band_index: Estimate | None
    wavering: tuple[WaveringRecord, ...]
    surface_speed: Estimate | None
    capacity: Estimate

    @property
    def steadiest(self) -> WaveringRecord | None:
        """The curve that shows the fastest wavering and tells a weighted figure."""
        told = [one for one in self.wavering if one.weighted.value is not None]
        return max(told, key=lambda one: one.highest_hz, default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class MediumOutlook:
    """How a medium wore from playing to playing, and how many playings may be left."""

    medium: str
    takes: tuple[str, ...]
    snr_per_playing: Estimate
    playings_left: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionRecord:
    """The motion of a session: takes by id, and media."""

    takes: Mapping[str, TakeMovement]
    media: tuple[MediumOutlook, ...]


def motion_record(document: Mapping[str, Any], where: str) -> MotionRecord:
    """Read a report of motion back.

    Parameters
    ----------
    document : mapping
        As :func:`archiver.signal.motion_json.motion_as_json` makes it.
    where : str
        Its path, for the error.

    Raises
    ------
    InputError
        It is no such document.
    """
    try:
        takes = [_take(one) for one in document["takes"]]
        media = tuple(_medium(one) for one in document["media"])
    except (AttributeError, LookupError, TypeError, ValueError) as error:
        raise InputError(
            f"is no report of motion ({error!r})",
            where=where,
            accepted="a document of motion.schema.json",
            remedy="The report was changed after it was written, or by another version",
        ) from error
    return MotionRecord(takes={take.take: take for take in takes}, media=media)


def _estimate(found: Mapping[str, Any]) -> Estimate:
    value, uncertainty = found.get("value"), found.get("uncertainty")
    return Estimate(
        unit=str(found["unit"]),
        value=None if value is None else float(value),
        uncertainty=None if uncertainty is None else float(uncertainty),
        reason=str(found.get("reason", "")),
    )


def _optional(group: Mapping[str, Any] | None, name: str) -> Estimate | None:
    return None if group is None else _estimate(group[name])


def _course(
    time_s: Sequence[Any], values: Sequence[Any], widths: Sequence[Any], kept: Sequence[Any]
) -> Course:
    """Keep the points that were really heard or told."""
    points = [
        (float(at), float(value), float(width))
        for at, value, width, keep in zip(time_s, values, widths, kept, strict=True)
        if keep
    ]
    return Course(
        time_s=tuple(point[0] for point in points),
        values=tuple(point[1] for point in points),
        uncertainties=tuple(point[2] for point in points),
    )


def _take(one: Mapping[str, Any]) -> TakeMovement:
    rotation, curve, transfer = one["rotation"], one.get("speed_curve"), one.get("transfer")
    tone, stated = one.get("tone"), one.get("stated_rpm")
    surfaces = one["geometry"]["at"]
    return TakeMovement(
        take=str(one["take"]),
        kind=str(one["kind"]),
        stated_rpm=None if stated is None else float(stated),
        speed=_estimate(rotation["mean_rpm"]),
        recording_speed=_estimate(one["recording_rpm"]),
        turns=_turns(rotation),
        tone=_optional(tone, "frequency"),
        tone_interval=_optional(tone, "interval"),
        ratio=_optional(curve, "mean_ratio"),
        ratio_course=Course(time_s=(), values=(), uncertainties=())
        if curve is None
        else _course(
            curve["time_s"], curve["ratio"], curve["ratio_uncertainty"], curve["told"]
        ),
        usable_low=_optional(transfer, "usable_low"),
        usable_high=_optional(transfer, "usable_high"),
        band_index=_optional(transfer, "band_index"),
        wavering=tuple(_wavering(found) for found in one["wavering"]),
        surface_speed=_estimate(surfaces[0]["surface_speed"]) if surfaces else None,
        capacity=_estimate(one["geometry"]["capacity"]),
    )  # fmt: skip


def _turns(rotation: Mapping[str, Any]) -> Course:
    """Put the speed of each turn at its middle: it lies between two marks."""
    marks, heard = rotation["event_s"], rotation["heard"]
    middles = [(a + b) / 2 for a, b in itertools.pairwise(marks)]
    both = [a and b for a, b in itertools.pairwise(heard)]
    return _course(middles, rotation["rpm"], rotation["rpm_uncertainty"], both)


def _wavering(found: Mapping[str, Any]) -> WaveringRecord:
    return WaveringRecord(
        carrier=str(found["carrier"]),
        highest_hz=float(found["highest_hz"]),
        drift=_estimate(found["drift"]),
        wow_rms=_estimate(found["wow_rms"]),
        wow_peak=_estimate(found["wow_peak"]),
        flutter_rms=_estimate(found["flutter_rms"]),
        weighted=_estimate(found["weighted"]),
    )


def _medium(one: Mapping[str, Any]) -> MediumOutlook:
    return MediumOutlook(
        medium=str(one["medium"]),
        takes=tuple(str(take) for take in one["takes"]),
        snr_per_playing=_estimate(one["snr"]["per_playing"]),
        playings_left=_estimate(one["snr"]["playings_left"]),
    )
