"""``fmt `` by its byte map: plain, 18 bytes, extensible, and what contradicts itself."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.errors import ArchiverError, InputError
from archiver.signal.sampleformat import SampleFormat
from archiver.wave import format as fmt_chunk
from archiver.wave.format import Format
from tests.wave import build
from tests.wave.strategies import formats


def payload(chunk: bytes) -> bytes:
    return chunk[8:]


# EBU Tech 3285 v2, appendix A, and WAVEFORMATEXTENSIBLE: field offsets.
def test_every_field_stands_at_its_offset() -> None:
    record = fmt_chunk.decode(payload(build.extensible(channels=6, bits=24, valid=20, mask=0x3F)))
    stored = fmt_chunk.encode(record)
    assert struct.unpack_from("<HHIIHH", stored) == (0xFFFE, 6, 48000, 864000, 18, 24)
    assert struct.unpack_from("<HHI", stored, 16) == (22, 20, 0x3F)
    assert stored[24:] == build.PCM_GUID
    assert record.coding == fmt_chunk.PCM
    assert fmt_chunk.speakers(0x3F) == ("FL", "FR", "FC", "LFE", "BL", "BR")


@pytest.mark.parametrize(
    ("chunk", "expected"),
    [
        (build.fmt(bits=8), ("pcm", 8, 8)),
        (build.fmt(bits=16), ("pcm", 16, 16)),
        # EBU Tech 3285 v2, appendix A: 20 bits lie in a container of three bytes.
        (build.fmt(bits=20), ("pcm", 24, 20)),
        (build.fmt(bits=24), ("pcm", 24, 24)),
        (build.fmt(bits=32), ("pcm", 32, 32)),
        (build.fmt(tag=3, bits=32, rest=b"\0\0"), ("float", 32, 32)),
        (build.fmt(tag=3, bits=64, rest=b"\0\0"), ("float", 64, 64)),
        (build.extensible(channels=1, bits=24, valid=20), ("pcm", 24, 20)),
        (build.extensible(channels=1, bits=24, valid=0), ("pcm", 24, 24)),
        (build.extensible(channels=1, bits=32, valid=32, guid=build.FLOAT_GUID), ("float", 32, 32)),
    ],
)
def test_samples_are_described(chunk: bytes, expected: tuple[str, int, int]) -> None:
    found = fmt_chunk.sample_format(fmt_chunk.decode(payload(chunk)))
    assert (found.encoding, found.container_bits, found.valid_bits) == expected


@pytest.mark.parametrize(
    ("tag", "name"),
    [(2, "ADPCM"), (6, "A-law"), (7, "mu-law"), (0x11, "IMA ADPCM"), (0x50, "MPEG"), (0x55, "III"),
     (0x1234, "0x1234")],
)  # fmt: skip
def test_a_coding_that_is_not_linear_is_refused_by_name(tag: int, name: str) -> None:
    record = fmt_chunk.decode(payload(build.fmt(tag=tag, bits=4, rest=b"\2\0\1\2")))
    with pytest.raises(InputError, match=name) as caught:
        fmt_chunk.sample_format(record)
    assert "linear PCM" in caught.value.accepted
    assert fmt_chunk.encode(record) == payload(build.fmt(tag=tag, bits=4, rest=b"\2\0\1\2"))


def test_an_unknown_subformat_is_refused() -> None:
    chunk = build.extensible(channels=1, bits=16, valid=16, guid=bytes(range(16)))
    with pytest.raises(InputError, match="SubFormat 000102"):
        fmt_chunk.sample_format(fmt_chunk.decode(payload(chunk)))


@pytest.mark.parametrize(
    ("chunk", "told"),
    [
        (build.fmt(channels=0), "nChannels is 0"),
        (build.fmt(rate=0), "nSamplesPerSec is 0"),
        (build.fmt(bits=0), "wBitsPerSample is 0"),
        (build.fmt(bits=16, block_align=3), "nBlockAlign is 3"),
        (build.extensible(channels=1, bits=16, valid=24), "wValidBitsPerSample is 24"),
    ],
)
def test_a_contradiction_is_told(chunk: bytes, told: str) -> None:
    record = fmt_chunk.decode(payload(chunk))
    assert any(told in fault for fault in fmt_chunk.faults(record))
    with pytest.raises(InputError, match=told):
        fmt_chunk.sample_format(record)


@given(formats())
def test_any_record_gives_a_sample_format_or_a_named_error(record: Format) -> None:
    try:
        found = fmt_chunk.sample_format(record)
    except ArchiverError:
        return
    assert found.frame_bytes == record.block_align_bytes


@given(
    st.sampled_from([("pcm", 8), ("pcm", 16), ("pcm", 24), ("pcm", 32), ("float", 32),
                     ("float", 64)]),
    st.integers(1, 8),
)  # fmt: skip
def test_a_format_made_for_samples_describes_them(kind: tuple[str, int], channels: int) -> None:
    samples = SampleFormat(
        encoding=kind[0],  # type: ignore[arg-type]
        container_bits=kind[1],
        valid_bits=kind[1],
        channels=channels,
        sample_rate_hz=96000,
    )
    record = fmt_chunk.format_of(samples)
    assert fmt_chunk.faults(record) == ()
    assert fmt_chunk.sample_format(fmt_chunk.decode(fmt_chunk.encode(record))) == samples


@pytest.mark.parametrize(
    ("bits", "channels", "size"), [(16, 1, 16), (24, 2, 16), (24, 3, 40), (32, 1, 40)]
)
def test_the_short_form_is_for_one_or_two_channels_up_to_24_bits(
    bits: int, channels: int, size: int
) -> None:
    samples = SampleFormat(
        encoding="pcm",
        container_bits=bits,
        valid_bits=bits,
        channels=channels,
        sample_rate_hz=48000,
    )
    assert len(fmt_chunk.encode(fmt_chunk.format_of(samples))) == size
