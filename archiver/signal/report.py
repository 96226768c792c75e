"""The measurements of a take as JSON, in the form of ``schemas/measurement.schema.json``.

Figures are rounded to what the methods carry, so that two machines write the same
bytes for the same sound. What could not be measured is null.
"""

from __future__ import annotations

from typing import Any

from archiver.signal.cuts import CutProposal
from archiver.signal.faults import FaultSpan
from archiver.signal.hum import Hum
from archiver.signal.noise import BANDWIDTH_MARGIN_DB, ChannelNoise
from archiver.signal.take import ChannelMeasurements, TakeMeasurements

__all__ = ["SCHEMA", "measurements_as_json"]

SCHEMA = "measurement 1"

_DECIBEL_PLACES = 3
_COURSE_PLACES = 1
_SECOND_PLACES = 4
_HERTZ_PLACES = 3


def _db(value: float | None) -> float | None:
    # Adding 0.0 turns a negative zero into a plain one.
    return None if value is None else round(value, _DECIBEL_PLACES) + 0.0


def measurements_as_json(measured: TakeMeasurements) -> dict[str, Any]:
    """Return the document of one take; keys come in the order of the schema."""
    fmt = measured.format
    rate = fmt.sample_rate_hz
    return {
        "schema": SCHEMA,
        "sample_format": {
            "encoding": fmt.encoding,
            "container_bits": fmt.container_bits,
            "valid_bits": fmt.valid_bits,
            "channels": fmt.channels,
            "sample_rate_hz": rate,
        },
        "frames": measured.frames,
        "duration_s": round(measured.duration_s, _SECOND_PLACES),
        "spare_bytes": measured.spare_bytes,
        "loudness": {
            "channel_weights": list(measured.channel_weights),
            "integrated_lufs": _db(measured.integrated_lufs),
            "range_lu": _db(measured.range_lu),
            "range_step_s": measured.range_step_s,
            "max_momentary_lufs": _db(measured.max_momentary_lufs),
            "max_short_term_lufs": _db(measured.max_short_term_lufs),
            "course": {
                "step_s": round(measured.course.step_s, 1),
                "momentary_lufs": [
                    None if value is None else round(value, _COURSE_PLACES)
                    for value in measured.course.momentary_lufs
                ],
            },
        },
        "true_peak_dbtp": _db(measured.true_peak_dbtp),
        "true_peak_oversampling": measured.oversampling,
        "channels": [_channel(channel) for channel in measured.channels],
        "channel_pairs": [
            {
                "first": pair.first,
                "second": pair.second,
                "identical": pair.identical,
                "opposite": pair.opposite,
                "correlation": None if pair.correlation is None else round(pair.correlation, 4),
            }
            for pair in measured.pairs
        ],
        "repeated_blocks": [
            {
                "start_s": round(repeat.start_frame / rate, _SECOND_PLACES),
                "frames": repeat.frames,
                "distance_frames": repeat.distance,
            }
            for repeat in measured.repeats
        ],
        "cut_list": [_cut(cut) for cut in measured.cuts],
    }


def _channel(channel: ChannelMeasurements) -> dict[str, Any]:
    occupancy = channel.depth_occupancy
    return {
        "sample_peak_dbfs": _db(channel.sample_peak_dbfs),
        "true_peak_dbtp": _db(channel.true_peak_dbtp),
        "rms_dbfs": _db(channel.rms_dbfs),
        "crest_factor_db": _db(channel.crest_factor_db),
        "dc_offset": round(channel.dc_offset, 8) + 0.0,
        "dc_offset_dbfs": None
        if channel.dc_offset_dbfs is None
        else round(channel.dc_offset_dbfs, 1),
        "bits_used": channel.bits_used,
        "depth_occupancy": None if occupancy is None else round(occupancy, 4),
        "invalid_samples": channel.invalid_samples,
        "noise": _noise(channel.noise),
        "hum": None if channel.hum is None else _hum(channel.hum),
        "cutoff_hz": None if channel.cutoff_hz is None else round(channel.cutoff_hz, 0),
        "clicks": {
            "count": channel.clicks.count,
            "per_second": round(channel.clicks.per_second, 4),
        },
        "clipped": [_span(span) for span in channel.clipped],
        "dropouts": [_span(span) for span in channel.dropouts],
        "still": [_span(span) for span in channel.still],
    }


def _noise(noise: ChannelNoise) -> dict[str, Any]:
    width = noise.bandwidth
    return {
        "source": None if noise.source is None else str(noise.source),
        "reason": noise.reason or None,
        "noise_floor_dbfs": _db(noise.noise_floor_dbfs),
        "room_tone_dbfs": _db(noise.room_tone_dbfs),
        "signal_to_noise_db": _db(noise.signal_to_noise_db),
        "bandwidth_margin_db": BANDWIDTH_MARGIN_DB,
        "bandwidth_hz": None
        if width is None
        else [round(width.low_hz, 1), round(width.high_hz, 1)],
        "third_octaves": [
            {
                "nominal_hz": band.nominal_hz,
                "level_dbfs": _db(band.level_dbfs),
                "programme_dbfs": _db(band.programme_dbfs),
                "noise_dbfs": _db(band.noise_dbfs),
            }
            for band in noise.bands
        ],
    }


def _hum(hum: Hum) -> dict[str, Any]:
    return {
        "nominal_hz": hum.nominal_hz,
        "frequency_hz": round(hum.frequency_hz, _HERTZ_PLACES),
        "frequency_uncertainty_hz": round(hum.frequency_uncertainty_hz, 6),
        "level_dbfs": _db(hum.level_dbfs),
        "lines": [
            {
                "harmonic": line.harmonic,
                "frequency_hz": round(line.frequency_hz, _HERTZ_PLACES),
                "level_dbfs": _db(line.level_dbfs),
                "prominence_db": round(line.prominence_db, 1),
            }
            for line in hum.lines
        ],
    }


def _span(span: FaultSpan) -> dict[str, Any]:
    return {
        "start_s": round(span.start_s, _SECOND_PLACES),
        "end_s": round(span.end_s, _SECOND_PLACES),
        "occurrences": span.occurrences,
        "longest_s": round(span.longest_s, 6),
        "value": round(span.value, 8) + 0.0,
    }


def _cut(cut: CutProposal) -> dict[str, Any]:
    return {
        "start_s": cut.start_s,
        "end_s": cut.end_s,
        "sound_on_s": cut.sound_on_s,
        "sound_off_s": cut.sound_off_s,
        "machine_on_s": cut.machine_on_s,
        "machine_off_s": cut.machine_off_s,
        "kind": str(cut.kind),
        "confidence": cut.confidence,
    }
