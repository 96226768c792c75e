"""Judged by libsndfile's decoder, by FFmpeg through PyAV, and by RFC 7845 and RFC 9639."""

from __future__ import annotations

import hashlib
import io
from typing import Any, BinaryIO

import av
import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from archiver.errors import InputError, SurroundingsError
from archiver.signal.samples import SampleFormat
from archiver.wave.access import (
    AccessKind,
    AccessWriter,
    Cover,
    Loudness,
    Tag,
    accepted_for,
    opus_gain,
    replay_gain,
)

# The smallest PNG: one grey pixel.
PNG = bytes.fromhex(
    "89504e470d0a1a0a0000000d4948445200000001000000010800000000"
    "3a7e9b550000000a49444154789c6360000000020001e5274de40000000049454e44ae426082"
)
TAGS = (
    Tag(name="TITLE", text="Vise om voks, ført på valse 🎙️"),
    Tag(name="PERFORMER", text="performer, name withheld"),
    Tag(name="PERFORMER", text="Åsta Ørnvig (recording engineer)"),
)
LOUDNESS = Loudness(integrated_lufs=-20.5, true_peak_dbtp=-1.0)


def pcm(bits: int = 24, channels: int = 1, rate: int = 48_000) -> SampleFormat:
    return SampleFormat(
        encoding="pcm",
        container_bits=bits,
        valid_bits=bits,
        channels=channels,
        sample_rate_hz=rate,
    )


def noise(samples: SampleFormat, frames: int) -> bytes:
    """Every byte drawn at random, from a fixed seed."""
    random = np.random.default_rng(1907)
    return random.integers(0, 256, frames * samples.frame_bytes, dtype=np.uint8).tobytes()


def tone(samples: SampleFormat, frames: int) -> bytes:
    """A tone of 1 kHz at half of full scale, 16 bits, in every channel."""
    phase = 2 * np.pi * 1_000 * np.arange(frames) / samples.sample_rate_hz
    values = np.round(0.5 * 32_767 * np.sin(phase)).astype("<i2")
    return np.repeat(values[:, np.newaxis], samples.channels, axis=1).tobytes()


def made(kind: AccessKind, samples: SampleFormat, raw: bytes, piece: int = 10_007) -> io.BytesIO:
    file = io.BytesIO()
    writer = AccessWriter(file, "x", kind, samples)
    for start in range(0, len(raw), piece):
        writer.write(raw[start : start + piece])
    writer.finish(
        TAGS,
        cover=Cover(content=PNG, media_type="image/png", description="the plate"),
        loudness=LOUDNESS,
    )
    file.seek(0)
    return file


def left_justified(raw: bytes, bits: int) -> NDArray[np.int32]:
    """Samples as libsndfile hands them out, read from the bytes one by one."""
    size = bits // 8
    values = []
    for at in range(0, len(raw), size):
        if bits == 8:
            values.append((raw[at] - 128) << 24)
        else:
            values.append(int.from_bytes(raw[at : at + size], "little", signed=True) << (32 - bits))
    return np.array(values, np.int32)


@pytest.mark.parametrize(("bits", "channels"), [(8, 1), (16, 2), (24, 1), (24, 3)])
def test_a_flac_copy_decodes_to_the_samples_bit_for_bit(bits: int, channels: int) -> None:
    samples = pcm(bits, channels, 96_000)
    raw = noise(samples, 5_003)
    decoded, rate = soundfile.read(made(AccessKind.FLAC, samples, raw), dtype="int32")
    assert rate == 96_000
    assert np.array_equal(decoded.reshape(-1), left_justified(raw, bits))


def of_streams(file: BinaryIO) -> dict[str, str]:
    """Tags as FFmpeg reads them, of the file and of its sound."""
    with av.open(file, "r") as container:
        found = dict(container.metadata)
        for stream in container.streams.audio:
            found |= stream.metadata
        return found


@pytest.mark.parametrize("kind", AccessKind)
def test_ffmpeg_reads_the_tags(kind: AccessKind) -> None:
    samples = pcm(16)
    tags = of_streams(made(kind, samples, tone(samples, 9_600)))
    assert tags["TITLE"] == "Vise om voks, ført på valse 🎙️"
    people = tags.get("PERFORMER") or tags["performer"]
    assert "performer, name withheld" in people
    assert "Åsta Ørnvig" in people


@pytest.mark.parametrize("kind", AccessKind)
def test_ffmpeg_finds_the_picture(kind: AccessKind) -> None:
    samples = pcm(16)
    with av.open(made(kind, samples, tone(samples, 9_600)), "r") as container:
        (picture,) = container.streams.video
        packet = next(container.demux(picture))
        assert bytes(packet) == PNG


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("channels", [1, 2])
def test_an_opus_copy_keeps_length_pitch_and_level(rate: int, channels: int) -> None:
    samples = pcm(16, channels, rate)
    decoded, out_rate = soundfile.read(
        made(AccessKind.OPUS, samples, tone(samples, rate)), always_2d=True
    )
    assert out_rate == 48_000
    assert decoded.shape[1] == channels
    assert len(decoded) == pytest.approx(48_000, abs=2)
    middle = decoded[12_000:36_000, 0]
    spectrum = np.abs(np.fft.rfft(middle))
    assert int(np.argmax(spectrum)) * 2 == 1_000
    # A sine of amplitude 0.5 has this RMS; Opus keeps it within a few tenths of a decibel.
    assert np.sqrt(np.mean(middle**2)) == pytest.approx(0.5 / np.sqrt(2), rel=0.03)


def test_the_gain_of_opus_is_in_256ths_of_a_decibel_to_minus_23() -> None:
    # RFC 7845, 5.2.1: -573 stands for -2.24 dB, its own example.
    assert opus_gain(Loudness(integrated_lufs=-23 + 573 / 256, true_peak_dbtp=None)) == (
        Tag(name="R128_TRACK_GAIN", text="-573"),
    )
    assert opus_gain(Loudness(integrated_lufs=-200.0, true_peak_dbtp=None)) == (
        Tag(name="R128_TRACK_GAIN", text="32767"),
    )


def test_replay_gain_leads_to_minus_18() -> None:
    assert {tag.name: tag.text for tag in replay_gain(LOUDNESS)} == {
        "REPLAYGAIN_REFERENCE_LOUDNESS": "-18.00 LUFS",
        "REPLAYGAIN_TRACK_GAIN": "+2.50 dB",
        "REPLAYGAIN_TRACK_PEAK": "0.891251",
    }


def test_silence_has_no_loudness_tags() -> None:
    silence = Loudness(integrated_lufs=None, true_peak_dbtp=None)
    assert replay_gain(silence) == opus_gain(silence) == ()


@pytest.mark.parametrize("kind", AccessKind)
@pytest.mark.parametrize("raw", [b"", b"\0"])
def test_a_take_without_a_frame_has_no_copy(kind: AccessKind, raw: bytes) -> None:
    with pytest.raises(InputError, match="without sound"):
        made(kind, pcm(16), raw)


@pytest.mark.parametrize("piece", [1, 5, 999, 1 << 20])
def test_the_pieces_do_not_matter(piece: int) -> None:
    samples = pcm(24, 2)
    raw = noise(samples, 700)
    whole = made(AccessKind.FLAC, samples, raw).getvalue()
    assert made(AccessKind.FLAC, samples, raw, piece).getvalue() == whole


@pytest.mark.parametrize(
    ("kind", "samples"),
    [
        (AccessKind.FLAC, pcm(32)),
        (AccessKind.FLAC, pcm(24, 9)),
        (AccessKind.FLAC, pcm(24, 1, 700_000)),
        (AccessKind.OPUS, pcm(24, 3)),
        (
            AccessKind.FLAC,
            SampleFormat(
                encoding="float",
                container_bits=32,
                valid_bits=32,
                channels=1,
                sample_rate_hz=48_000,
            ),
        ),
    ],
)
def test_what_the_coding_cannot_hold_is_refused_with_the_reason(
    kind: AccessKind, samples: SampleFormat
) -> None:
    assert accepted_for(kind, samples)
    with pytest.raises(InputError, match=r"not |samples are"):
        AccessWriter(io.BytesIO(), "x", kind, samples)


class FullDisk(io.BytesIO):
    """Takes a number of bytes and no more."""

    def __init__(self, room: int) -> None:
        super().__init__()
        self.room = room

    def write(self, data: Any) -> int:
        if self.tell() + len(data) > self.room:
            raise SurroundingsError("the disk is full", where="copy")
        return super().write(data)


@pytest.mark.parametrize("kind", AccessKind)
@pytest.mark.parametrize("room", [0, 100, 20_000])
def test_a_full_disk_is_said_and_not_hidden_by_the_encoder(
    kind: AccessKind, room: int, capfd: pytest.CaptureFixture[str]
) -> None:
    samples = pcm(16)
    raw = noise(samples, 96_000)

    def encode() -> None:
        writer = AccessWriter(FullDisk(room), "copy", kind, samples)
        writer.write(raw)
        writer.finish(TAGS)

    with pytest.raises(SurroundingsError, match="the disk is full"):
        encode()
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("kind", AccessKind)
def test_two_runs_give_the_same_bytes(kind: AccessKind) -> None:
    """An Ogg stream has a serial number that libsndfile draws at random (RFC 3533, 6)."""
    samples = pcm(16, 2)
    raw = tone(samples, 48_000)
    assert made(kind, samples, raw).getvalue() == made(kind, samples, raw).getvalue()


def test_a_renumbered_opus_copy_is_whole_to_an_independent_reader() -> None:
    """FFmpeg drops pages whose checksum is wrong, so all the sound must come out."""
    samples = pcm(16)
    with av.open(made(AccessKind.OPUS, samples, tone(samples, 96_000)), "r") as container:
        frames = sum(frame.samples for frame in container.decode(audio=0))
    assert abs(frames - 96_000) < 1_000


@pytest.mark.parametrize("bits", [16, 24])
def test_a_flac_copy_states_the_md5_of_the_sample_bytes(bits: int) -> None:
    """RFC 9639, 8.2: signed samples, little-endian, interleaved: the bytes of the master."""
    samples = pcm(bits, 2)
    raw = noise(samples, 5_003)
    file = io.BytesIO()
    writer = AccessWriter(file, "x", AccessKind.FLAC, samples)
    writer.write(raw)
    writer.finish(TAGS)
    assert writer.samples_md5 == hashlib.md5(raw, usedforsecurity=False).hexdigest()
    file.seek(0)
    other = AccessWriter(io.BytesIO(), "x", AccessKind.OPUS, samples)
    assert other.samples_md5 is None


def test_a_copy_that_float_samples_prevent_says_so_and_names_neither_rate_nor_channels() -> None:
    samples = SampleFormat(
        encoding="float", container_bits=32, valid_bits=32, channels=1, sample_rate_hz=44_100
    )
    told = accepted_for(AccessKind.FLAC, samples)
    assert "32-bit floating point" in told
    assert "44.1" not in told
    assert "mono" not in told
