"""All meters together: one pass, any bytes, bad input, and the published form."""

from __future__ import annotations

import importlib
import itertools
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pyebur128
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from archiver.errors import InputError
from archiver.schema_store import schema
from archiver.signal.report import measurements_as_json
from archiver.signal.samples import SampleFormat
from archiver.signal.stream import run_pass
from archiver.signal.take import TakeMeasurements, TakeMeter
from tests.signal.feeding import floats, integers, interleaved, measured, measured_floats
from tests.signal.recordings import READINGS, reading
from tests.signal.synthesis import noise, pcm

VALIDATOR = Draft202012Validator(schema("measurement"))


def document(taken: TakeMeasurements) -> dict[str, object]:
    """The document, after the round trip through strict JSON and the schema."""
    text = json.dumps(measurements_as_json(taken), allow_nan=False)
    parsed: dict[str, object] = json.loads(text)
    assert [error.message for error in VALIDATOR.iter_errors(parsed)] == []
    return parsed


@pytest.mark.parametrize("name", READINGS)
def test_a_recorded_voice_is_as_loud_as_libebur128_says(name: str) -> None:
    sound, rate = reading(name)
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(1, rate, mode.MODE_I | mode.MODE_TRUE_PEAK | mode.MODE_SAMPLE_PEAK)
    state.add_frames(np.ascontiguousarray(sound[0]), sound.shape[1])
    taken = measured_floats(sound, rate)
    assert taken.integrated_lufs == pytest.approx(pyebur128.get_loudness_global(state), abs=1e-4)
    assert taken.channels[0].sample_peak_dbfs == pytest.approx(
        20.0 * math.log10(pyebur128.get_sample_peak(state, 0)), abs=1e-4
    )
    expected = 20.0 * math.log10(pyebur128.get_true_peak(state, 0))
    assert taken.true_peak_dbtp == pytest.approx(expected, abs=0.2)


@pytest.mark.parametrize("sound", ["voice", "noise"])
def test_loudness_is_what_a_second_meter_says(sound: str) -> None:
    # pyloudnorm designs its filters in another way: 0.02 LU off at 48 kHz, more elsewhere.
    second: Any = importlib.import_module("pyloudnorm")
    signal, rate = (
        reading("two_cities.wav") if sound == "voice" else (noise(48_000, 8.0, -25.0), 48_000)
    )
    expected = second.Meter(rate).integrated_loudness(signal.T)
    assert measured_floats(signal, rate).integrated_lufs == pytest.approx(expected, abs=0.05)


@settings(max_examples=15)
@given(
    cuts=st.lists(st.integers(0, 2_000_000), max_size=10),
    rate=st.sampled_from([8_000, 11_025, 48_000]),
)
def test_any_split_of_the_bytes_gives_the_same_document(cuts: list[int], rate: int) -> None:
    signal = noise(rate, 4.1, -30.0, channels=2)
    signal[:, rate : 2 * rate] *= 0.05
    raw, fmt = pcm(signal, 24), integers(rate, 24, 2)
    whole = TakeMeter(fmt)
    for consume in whole.consumers():
        consume(raw)
    edges = sorted({0, len(raw), *(cut % len(raw) for cut in cuts)})
    split = TakeMeter(fmt)
    run_pass((raw[start:end] for start, end in itertools.pairwise(edges)), split.consumers())
    assert document(split.result()) == document(whole.result())


@pytest.mark.parametrize("rate", [8_000, 11_025, 22_050, 44_100, 48_000, 88_200, 176_400, 384_000])
@pytest.mark.parametrize("channels", [1, 2, 8])
def test_every_rate_and_channel_count_is_measured(rate: int, channels: int) -> None:
    level = -30.0
    taken = measured_floats(noise(rate, 0.9, level, channels=channels), rate)
    assert len(taken.channels) == channels
    assert taken.duration_s == pytest.approx(0.9, abs=1.0 / rate)
    assert taken.integrated_lufs is not None
    for channel in taken.channels:
        assert channel.rms_dbfs == pytest.approx(level, abs=0.3)
    document(taken)


@pytest.mark.parametrize("frames", [0, 1, 2, 47, 1_000])
@pytest.mark.parametrize("channels", [1, 3])
def test_the_shortest_takes_are_measured_as_far_as_they_go(frames: int, channels: int) -> None:
    taken = measured_floats(noise(48_000, 1.0, -20.0, channels=channels)[:, :frames], 48_000)
    assert taken.frames == frames
    assert (taken.integrated_lufs, taken.range_lu) == (None, None)
    assert (taken.max_momentary_lufs, taken.max_short_term_lufs) == (None, None)
    assert (taken.true_peak_dbtp is None) == (frames == 0)
    document(taken)


def test_silence_is_not_measurable_in_any_figure() -> None:
    taken = measured_floats(np.zeros((2, 240_000)), 48_000)
    channel = taken.channels[0]
    assert taken.integrated_lufs is None
    assert taken.true_peak_dbtp is None
    assert channel.noise.noise_floor_dbfs is None
    assert channel.hum is None
    assert channel.cutoff_hz is None
    assert taken.pairs[0].correlation is None
    document(taken)


def test_a_file_of_nothing_but_nan_is_measured_as_silence() -> None:
    taken = measured(interleaved(np.full((1, 50_000), np.nan)), floats(48_000))
    assert taken.channels[0].invalid_samples == 50_000
    assert taken.channels[0].rms_dbfs is None
    document(taken)


def test_low_frequency_effects_do_not_count_and_surround_counts_more() -> None:
    signal = noise(48_000, 3.0, -20.0, channels=2)
    front = measured_floats(signal, 48_000, (1.0, 0.0)).integrated_lufs
    surround = measured_floats(signal, 48_000, (1.41, 0.0)).integrated_lufs
    assert front is not None
    assert surround == pytest.approx(front + 10.0 * math.log10(1.41), abs=1e-4)


@pytest.mark.parametrize("rate", [4_000, 400_000])
def test_a_rate_outside_the_limits_is_refused_with_the_limits(rate: int) -> None:
    with pytest.raises(InputError, match="8000 to 384000 Hz"):
        TakeMeter(integers(rate, 24))


def test_weights_for_other_channels_are_refused() -> None:
    with pytest.raises(InputError, match="one weight for each channel"):
        TakeMeter(integers(48_000, 24, 2), (1.0,))


def test_decoded_blocks_are_dropped_when_every_lane_has_had_them() -> None:
    fmt = SampleFormat(
        encoding="pcm", container_bits=16, valid_bits=16, channels=2, sample_rate_hz=48_000
    )
    meter = TakeMeter(fmt)
    raw = pcm(noise(48_000, 2.0, -20.0, channels=2), 16)
    run_pass((raw[at : at + 40_000] for at in range(0, len(raw), 40_000)), meter.consumers())
    assert meter.waiting_pieces == 0


def test_the_schema_is_sound_and_describes_every_field() -> None:
    document_schema = schema("measurement")
    Draft202012Validator.check_schema(document_schema)
    pending = [document_schema]
    while pending:
        node = pending.pop()
        for child in [
            *node.get("properties", {}).values(),
            *([node["items"]] if "items" in node else []),
        ]:
            assert child["description"]
            assert child["examples"]
            for example in child["examples"]:
                assert list(Draft202012Validator(child).iter_errors(example)) == []
            if "properties" in child:
                assert child["additionalProperties"] is False
            pending.append(child)


def test_the_schema_lies_where_it_is_published() -> None:
    place = Path(__file__).resolve().parents[2] / "schemas" / "measurement.schema.json"
    assert json.loads(place.read_text(encoding="utf-8")) == schema("measurement")
