"""What is known of a simulated demonstration, for judging what is measured."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass

__all__ = ["ReproductionTruth", "RotationTruth", "as_json_text"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RotationTruth:
    """How a machine turned during one capture.

    Parameters
    ----------
    mean_rpm : float
        Turns over time, from ``start_s`` to ``end_s`` of the capture.
    start_s, end_s : float
        While the medium was cut or played.
    time_s, rpm : tuple of float
        The curve, for the whole capture.
    turn_times_s : tuple of float
        When the once-a-turn event falls; in a performance the thump of the machine,
        in a reproduction the seam of the medium, while the stylus rests on it. Times are
        those at the machine: the microphone hears them later by the way through the air
        and the delay of the horn, a millisecond or two, always the same.
    """

    mean_rpm: float
    start_s: float
    end_s: float
    time_s: tuple[float, ...]
    rpm: tuple[float, ...]
    turn_times_s: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReproductionTruth:
    """What a reproduction is of its performance.

    Parameters
    ----------
    rotation : RotationTruth
        Of the machine that plays.
    recording : RotationTruth
        Of the machine that recorded, in times of the performance.
    playings_before : int
    mean_ratio : float
        Performance time played over time taken: 1.03 is 3 % fast.
    time_s, performance_time_s, ratio : tuple of float
        For times of the reproduction, the time of the performance that sounds and the
        momentary ratio of speeds; only while the record sounds.
    band_low_hz, band_high_hz : float
        Where the response from mouth to mouth of the horns is 10 dB under its mean
        over 500-1500 Hz, in frequencies of the performance.
    snr_db : float
        Programme over all else at the microphone, both in 200-3000 Hz, while it plays.
    level_db, hiss_db : float
        Programme and hiss relative to the first playing.
    """

    rotation: RotationTruth
    recording: RotationTruth
    playings_before: int
    mean_ratio: float
    time_s: tuple[float, ...]
    performance_time_s: tuple[float, ...]
    ratio: tuple[float, ...]
    band_low_hz: float
    band_high_hz: float
    snr_db: float
    level_db: float
    hiss_db: float


def as_json_text(record: object) -> str:
    """Write records, or mappings of records, as JSON: rounded to a millionth, in order."""
    return json.dumps(_plain(record), ensure_ascii=False, indent=1) + "\n"


def _plain(value: object) -> object:
    if isinstance(value, ReproductionTruth | RotationTruth):
        return _plain(asdict(value))
    if isinstance(value, dict):
        return {str(key): _plain(member) for key, member in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(member) for member in value]
    if isinstance(value, float):
        return round(value, 6)
    return value
