"""Decoding of samples, judged by libsndfile."""

from __future__ import annotations

import io
import itertools

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from archiver.errors import InputError
from archiver.signal.samples import BlockReader, SampleFormat, block_frames, decode, decode_block
from tests.signal.feeding import floats, integers, interleaved
from tests.signal.synthesis import noise, pcm

SUBTYPES = {8: "PCM_U8", 16: "PCM_16", 24: "PCM_24", 32: "PCM_32"}


@pytest.mark.parametrize("bits", SUBTYPES)
@pytest.mark.parametrize("channels", [1, 2, 3, 8])
def test_pcm_decodes_as_libsndfile_does(bits: int, channels: int) -> None:
    raw = pcm(noise(48_000, 0.02, -9.0, channels=channels, seed=bits), bits)
    expected, _ = soundfile.read(
        io.BytesIO(raw),
        format="RAW",
        subtype=SUBTYPES[bits],
        channels=channels,
        samplerate=48_000,
        endian="LITTLE",
        always_2d=True,
    )
    found = decode(raw, integers(48_000, bits, channels))
    assert found.shape == expected.shape
    # float32 holds 24 bits; the steps of 32-bit samples lie below that.
    assert np.abs(found - expected).max() <= (0.0 if bits <= 24 else 2.0**-25)


@pytest.mark.parametrize(("container", "kind"), [(32, "<f4"), (64, "<f8")])
def test_floats_keep_their_values(container: int, kind: str) -> None:
    signal = noise(48_000, 0.01, 3.0, channels=2).astype(np.float32)
    fmt = SampleFormat(
        encoding="float",
        container_bits=container,
        valid_bits=container,
        channels=2,
        sample_rate_hz=48_000,
    )
    raw = np.ascontiguousarray(signal.T).astype(kind).tobytes()
    assert (decode(raw, fmt) == signal.T).all()


def test_extremes_of_24_bits_are_full_scale() -> None:
    raw = bytes([0x00, 0x00, 0x80, 0xFF, 0xFF, 0x7F, 0x01, 0x00, 0x00])
    assert decode(raw, integers(48_000, 24))[:, 0].tolist() == [-1.0, 1.0 - 2.0**-23, 2.0**-23]


def test_values_that_are_no_number_become_silence_and_are_marked() -> None:
    signal = np.array([[0.1, np.nan, 0.2, np.inf], [-np.inf, 0.3, 1e30, 0.4]])
    block = decode_block(interleaved(signal), floats(48_000, 2))
    assert block.values.tolist() == [
        [pytest.approx(0.1), 0.0, pytest.approx(0.2), 0.0],
        [0.0, pytest.approx(0.3), 0.0, pytest.approx(0.4)],
    ]
    assert block.invalid is not None
    assert block.invalid.tolist() == [[False, True, False, True], [True, False, True, False]]


def test_a_64_bit_value_beyond_32_bits_is_no_sample() -> None:
    fmt = SampleFormat(
        encoding="float", container_bits=64, valid_bits=64, channels=1, sample_rate_hz=8_000
    )
    block = decode_block(np.array([1e300, 0.5]).tobytes(), fmt)
    assert block.values.tolist() == [[0.0, 0.5]]


@given(
    cuts=st.lists(st.integers(0, 3_000), max_size=12),
    bits=st.sampled_from([8, 16, 24, 32]),
    channels=st.integers(1, 3),
)
def test_any_split_of_the_bytes_gives_the_same_blocks(
    cuts: list[int], bits: int, channels: int
) -> None:
    fmt = integers(48_000, bits, channels)
    raw = pcm(noise(48_000, 0.02, -9.0, channels=channels), bits)
    edges = sorted({0, len(raw), *(min(cut, len(raw)) for cut in cuts)})
    reader = BlockReader(fmt, 100)
    blocks = [
        block for start, end in itertools.pairwise(edges) for block in reader.feed(raw[start:end])
    ]
    last, spare = reader.finish()
    blocks += last
    assert spare == 0
    assert [block.start_frame for block in blocks] == list(range(0, 960, 100))
    together = np.concatenate([block.values for block in blocks], axis=1)
    assert (together == decode(raw, fmt).T).all()


def test_bytes_after_the_last_frame_are_counted() -> None:
    reader = BlockReader(integers(48_000, 24, 2))
    assert reader.feed(bytes(64)) == []
    blocks, spare = reader.finish()
    assert (blocks[0].frames, spare) == (10, 4)


def test_part_of_a_frame_is_refused_by_decode() -> None:
    with pytest.raises(InputError, match="no whole number of frames"):
        decode(bytes(7), integers(48_000, 24, 2))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"container_bits": 12}, "containers of 12 bits"),
        ({"valid_bits": 25}, "25 valid bits"),
        ({"channels": 0}, "0 channels"),
        ({"sample_rate_hz": 0}, "sample rate of 0 Hz"),
        ({"encoding": "adpcm"}, "adpcm"),
    ],
)
def test_a_format_that_cannot_be_decoded_is_refused(
    change: dict[str, object], message: str
) -> None:
    good: dict[str, object] = {
        "encoding": "pcm",
        "container_bits": 24,
        "valid_bits": 24,
        "channels": 2,
        "sample_rate_hz": 48_000,
    }
    with pytest.raises(InputError, match=message):
        SampleFormat(**(good | change))  # type: ignore[arg-type]  # wrong types are the point


@pytest.mark.parametrize("channels", [1, 2, 8, 200])
def test_blocks_stay_small_whatever_the_channels(channels: int) -> None:
    samples = block_frames(integers(48_000, 24, channels)) * channels
    assert samples <= max(393_216, 1_536 * channels)
