"""What a bag records of the sound of a master, read back from its report of measurements.

Source of the form: ``schemas/measurement.schema.json``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from archiver.errors import InputError
from archiver.findings import clock

__all__ = ["BandLevels", "ChannelSound", "SoundRecord", "sound_record"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BandLevels:
    """Levels in one third-octave band; None where there is nothing to measure."""

    nominal_hz: float
    programme_dbfs: float | None
    noise_dbfs: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelSound:
    """What was measured on one channel; None where it could not be measured.

    ``noise_source`` says where the noise was measured and ``no_noise_reason`` why nowhere;
    both are empty where the report does not say. ``clipped``, ``dropouts`` and ``still`` say
    where the sound was found faulty, in words.
    """

    rms_dbfs: float | None
    noise_floor_dbfs: float | None
    signal_to_noise_db: float | None
    bandwidth_hz: tuple[float, float] | None
    hum_hz: float | None
    hum_dbfs: float | None
    clicks: int
    clipped: tuple[str, ...]
    dropouts: tuple[str, ...]
    still: tuple[str, ...]
    bands: tuple[BandLevels, ...]
    noise_source: str = ""
    no_noise_reason: str = ""
    room_tone_dbfs: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundRecord:
    """What was measured on a master.

    Parameters
    ----------
    duration_s : float
    integrated_lufs, range_lu, true_peak_dbtp : float or None
    course_step_s : float
        Step of ``course_lufs``; 0 where no course is recorded.
    course_lufs : tuple of float or None
        Greatest momentary loudness in each step; None below what can be measured.
    channels : tuple of ChannelSound
    """

    duration_s: float
    integrated_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    course_step_s: float
    course_lufs: tuple[float | None, ...]
    channels: tuple[ChannelSound, ...]


def sound_record(document: Mapping[str, Any], where: str) -> SoundRecord:
    """Read a report of measurements back.

    Parameters
    ----------
    document : mapping
        As :func:`archiver.signal.report.measurements_as_json` makes it.
    where : str
        Its path in the bag, for the error.

    Raises
    ------
    InputError
        It is no such document.
    """
    try:
        loudness = document["loudness"]
        course = loudness.get("course") or {"step_s": 0.0, "momentary_lufs": []}
        return SoundRecord(
            duration_s=float(document["duration_s"]),
            integrated_lufs=_figure(loudness["integrated_lufs"]),
            range_lu=_figure(loudness["range_lu"]),
            true_peak_dbtp=_figure(document["true_peak_dbtp"]),
            course_step_s=float(course["step_s"]),
            course_lufs=tuple(_figure(value) for value in course["momentary_lufs"]),
            channels=tuple(_channel(one) for one in document["channels"]),
        )
    except (AttributeError, LookupError, TypeError, ValueError) as error:
        raise InputError(
            f"is no report of measurements ({error!r})",
            where=where,
            accepted="a document of measurement.schema.json",
            remedy="The report was changed after it was written, or by another version",
        ) from error


def _figure(value: Any) -> float | None:
    return None if value is None else float(value)


def _channel(one: Mapping[str, Any]) -> ChannelSound:
    noise, hum, width = one["noise"], one["hum"], one["noise"]["bandwidth_hz"]
    return ChannelSound(
        rms_dbfs=_figure(one["rms_dbfs"]),
        noise_floor_dbfs=_figure(noise["noise_floor_dbfs"]),
        signal_to_noise_db=_figure(noise["signal_to_noise_db"]),
        bandwidth_hz=None if width is None else (float(width[0]), float(width[1])),
        hum_hz=None if hum is None else float(hum["frequency_hz"]),
        hum_dbfs=None if hum is None else _figure(hum["level_dbfs"]),
        clicks=int(one["clicks"]["count"]),
        clipped=_spans(one["clipped"]),
        dropouts=_spans(one["dropouts"]),
        still=_spans(one["still"]),
        bands=tuple(
            BandLevels(
                nominal_hz=float(band["nominal_hz"]),
                programme_dbfs=_figure(band["programme_dbfs"]),
                noise_dbfs=_figure(band["noise_dbfs"]),
            )
            for band in noise["third_octaves"]
        ),
        noise_source=str(noise["source"] or ""),
        # Reports of earlier versions have neither.
        no_noise_reason=str(noise.get("reason") or ""),
        room_tone_dbfs=_figure(noise.get("room_tone_dbfs")),
    )


def _spans(spans: Any) -> tuple[str, ...]:
    return tuple(f"{clock(float(s['start_s']))} to {clock(float(s['end_s']))}" for s in spans)
