"""The motion report as JSON: stable order, rounded to what is known, no NaN.

The form is that of ``schemas/motion.schema.json``. Curves are kept as lists of equal
length; times to a millisecond, values to six digits.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

from archiver.signal.correction import from_reproduction, nothing_to_correct
from archiver.signal.estimate import Estimate
from archiver.signal.geometry import GrooveGeometry
from archiver.signal.motion import MediumWear, Motion, TakeMotion
from archiver.signal.rotation import Rotation
from archiver.signal.speedcurve import RESOLUTION_S, SpeedCurve
from archiver.signal.tone import Tone
from archiver.signal.transfer import Transfer
from archiver.signal.wavering import Wavering
from archiver.signal.wear import Wear

__all__ = ["motion_as_json"]


def motion_as_json(motion: Motion) -> dict[str, Any]:
    """Return the report as plain JSON values."""
    return {
        "schema": "motion 1",
        "takes": [_take(take) for take in motion.takes],
        "media": [_medium(medium) for medium in motion.media],
        "findings": [finding.as_json() for finding in motion.findings],
    }


def _digits(value: float, digits: int = 6) -> float:
    """Round to significant digits; what is not finite must not come here."""
    if value == 0.0 or not math.isfinite(value):
        return 0.0 if value == 0.0 else math.copysign(1e308, value)
    return float(f"{value:.{digits}g}")


def _estimate(found: Estimate) -> dict[str, Any]:
    if found.value is None or found.uncertainty is None:
        return {"unit": found.unit, "reason": found.reason}
    return {
        "unit": found.unit,
        "value": _digits(found.value),
        "uncertainty": _digits(found.uncertainty, 3),
    }


def _values(values: Iterable[float], digits: int = 6) -> list[float]:
    return [_digits(float(value), digits) for value in values]


def _times(values: Iterable[float]) -> list[float]:
    return [round(float(value), 4) for value in values]


def _take(take: TakeMotion) -> dict[str, Any]:
    document: dict[str, Any] = {"take": take.identifier, "kind": str(take.kind)}
    if take.nominal_rpm is not None:
        document["stated_rpm"] = take.nominal_rpm
    document["rotation"] = _rotation(take.rotation)
    document["recording_rpm"] = _estimate(take.recording_rpm)
    if take.tone is not None:
        document["tone"] = _tone(take.tone)
    if take.curve is not None:
        document["speed_curve"] = _curve(take.curve)
    if take.transfer is not None:
        document["transfer"] = _transfer(take.transfer)
    document["wavering"] = [_wavering(wavering) for wavering in take.wavering]
    document["geometry"] = _geometry(take.geometry)
    return document


def _rotation(found: Rotation) -> dict[str, Any]:
    return {
        "mean_rpm": _estimate(found.mean_rpm),
        "confidence": _digits(found.confidence, 3),
        "octave_doubtful": found.octave_doubtful,
        "event_s": _times(found.event_s),
        "heard": [bool(heard) for heard in found.heard],
        "rpm": _values(found.rpm),
        "rpm_uncertainty": _values(found.rpm_uncertainty, 3),
    }


def _tone(found: Tone) -> dict[str, Any]:
    document: dict[str, Any] = {
        "frequency": _estimate(found.frequency_hz),
        "speed": _estimate(found.speed),
        "interval": _estimate(found.cents),
    }
    if found.start_s is not None and found.end_s is not None:
        document["start_s"] = round(found.start_s, 4)
        document["end_s"] = round(found.end_s, 4)
    return document


def _curve(found: SpeedCurve) -> dict[str, Any]:
    document = _course(found)
    if from_reproduction(found) is not None:
        reason = nothing_to_correct(found)
        document["correction"] = {"needed": not reason} | ({"reason": reason} if reason else {})
    return document


def _course(found: SpeedCurve) -> dict[str, Any]:
    return {
        "mean_ratio": _estimate(found.mean_ratio),
        "resolution_s": RESOLUTION_S,
        "alignment_score": _digits(found.score, 3),
        "alignment_contrast": _digits(found.contrast, 3),
        "time_s": _times(found.time_s),
        "source_s": _times(found.source_s),
        "ratio": _values(found.ratio),
        "ratio_uncertainty": _values(found.uncertainty, 3),
        "told": [bool(told) for told in found.told],
    }


def _transfer(found: Transfer) -> dict[str, Any]:
    document: dict[str, Any] = {
        "bands": [
            {
                "nominal_hz": band.nominal_hz,
                "centre_hz": _digits(band.centre_hz),
                "gain": _estimate(band.gain_db),
                "snr": _estimate(band.snr_db),
                "method": str(band.method),
            }
            for band in found.bands
        ],
        "usable_low": _estimate(found.low_hz),
        "usable_high": _estimate(found.high_hz),
        "response_low": _estimate(found.response_low_hz),
        "response_high": _estimate(found.response_high_hz),
        "band_index": _estimate(found.index),
        "band_index_ceiling": _digits(found.ceiling),
    }
    return document


def _wavering(found: Wavering) -> dict[str, Any]:
    return {
        "carrier": found.carrier,
        "highest_hz": _digits(found.highest_hz, 4),
        "drift": _estimate(found.drift_percent_per_minute),
        "wow_rms": _estimate(found.wow_rms_percent),
        "wow_peak": _estimate(found.wow_peak_percent),
        "flutter_rms": _estimate(found.flutter_rms_percent),
        "flutter_peak": _estimate(found.flutter_peak_percent),
        "weighted": _estimate(found.weighted_percent),
        "dominant": {
            "rate": _estimate(found.dominant.rate_hz),
            "peak": _estimate(found.dominant.peak_percent),
            "locked": str(found.dominant.locked),
        },
        "harmonics": [
            {
                "per_turn": harmonic.per_turn,
                "peak": _estimate(harmonic.peak_percent),
                **(
                    {}
                    if harmonic.phase_turns is None
                    else {"phase_turns": _digits(harmonic.phase_turns, 4)}
                ),
            }
            for harmonic in found.harmonics
        ],
    }


def _geometry(found: GrooveGeometry) -> dict[str, Any]:
    return {
        "at": [
            {
                "diameter_mm": _digits(at.diameter_mm),
                "surface_speed": _estimate(at.surface_speed_mm_s),
                "wavelength_1_khz": _estimate(at.wavelength_1_khz_um),
                "shortest_wavelength": _estimate(at.wavelength_um),
                "highest_traceable": _estimate(at.traceable_hz),
            }
            for at in found.at
        ],
        "capacity": _estimate(found.capacity_s),
        "capacity_used": _estimate(found.capacity_used),
        "length_used": _estimate(found.length_used_mm),
        "replay_offset": _estimate(found.replay_offset_cents),
    }


def _wear(found: Wear) -> dict[str, Any]:
    document: dict[str, Any] = {
        "per_playing": _estimate(found.per_playing),
        "threshold": found.threshold,
        "playings_left": _estimate(found.left),
        "playings": found.playings,
    }
    if found.left_low is not None:
        document["left_low"] = _digits(found.left_low, 4)
    if found.left_high is not None:
        document["left_high"] = _digits(found.left_high, 4)
    return document


def _medium(found: MediumWear) -> dict[str, Any]:
    return {
        "medium": found.medium,
        "performance": found.performance,
        "takes": list(found.takes),
        "snr": _wear(found.snr),
        "band_index": _wear(found.index),
    }
