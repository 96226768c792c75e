"""Sound tracks of videos, made and judged by FFmpeg's libraries through PyAV."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from archiver.errors import InputError
from archiver.findings import Severity
from archiver.wave.capture import CaptureKind, open_capture
from archiver.wave.coding import SoundCoding
from tests.wave.damage import damaged
from tests.wave.making import make_master, sample_bytes
from tests.wave.refusal import told

RATE = 48000


def video(
    path: Path,
    codec: str,
    sample: str,
    *,
    layout: str = "stereo",
    frames: int = 9600,
    tracks: int = 1,
    picture: bool = True,
    options: dict[str, str] | None = None,
) -> NDArray[Any]:
    """Write a short video and return the sound that went in, shape (frames, channels)."""
    channels = {"mono": 1, "stereo": 2, "5.1": 6}[layout]
    kind: Any = {"s16": np.int16, "s32": np.int32, "flt": np.float32, "u8": np.uint8}[
        sample.removesuffix("p").replace("fltp", "flt")
    ]
    chance = np.random.default_rng(5)
    sound: NDArray[Any]
    if kind is np.float32:
        sound = chance.uniform(-0.5, 0.5, (frames, channels)).astype(kind)
    else:
        limits = np.iinfo(kind)
        sound = chance.integers(limits.min, limits.max, (frames, channels), dtype=kind)
        if kind is np.int32:
            sound = sound & ~np.int32(0xFF)
    with av.open(str(path), "w", options=options or {}) as container:
        screen = container.add_stream("mpeg4", rate=25) if picture else None
        if screen is not None:
            screen.width, screen.height, screen.pix_fmt = 32, 32, "yuv420p"
        streams: list[Any] = [
            container.add_stream(codec, rate=RATE, layout=layout) for _ in range(tracks)
        ]
        for stream in streams:
            stream.codec_context.format = sample
        if screen is not None:
            for number in range(5):
                image = av.VideoFrame.from_ndarray(np.full((32, 32, 3), number, np.uint8))
                image.pts, image.time_base = number, Fraction(1, 25)
                container.mux(screen.encode(image))
            container.mux(screen.encode(None))
        for stream in streams:
            fifo = av.AudioFifo()
            data = sound.T if sample.endswith("p") else sound.reshape(1, -1)
            frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(data), sample, layout)
            frame.sample_rate, frame.pts, frame.time_base = RATE, 0, Fraction(1, RATE)
            fifo.write(frame)
            while (part := fifo.read(1024, partial=True)) is not None:
                container.mux(stream.encode(part))
            container.mux(stream.encode(None))
    return sound


@pytest.mark.parametrize(
    ("name", "codec", "sample", "bits"),
    [
        ("t.mov", "pcm_s16le", "s16", 16),
        ("t.mov", "pcm_s16be", "s16", 16),
        ("t.mov", "pcm_s24le", "s32", 24),
        ("t.mkv", "pcm_s24le", "s32", 24),
        ("t.mov", "pcm_s24be", "s32", 24),
        ("t.mkv", "pcm_s32le", "s32", 32),
        ("t.mkv", "flac", "s16", 16),
        ("t.mkv", "flac", "s32", 24),
        ("t.mov", "alac", "s32p", 24),
        ("t.mov", "alac", "s16p", 16),
    ],
)
@pytest.mark.parametrize("layout", ["mono", "stereo", "5.1"])
def test_a_lossless_track_keeps_its_depth_and_its_samples(
    name: str, codec: str, sample: str, bits: int, layout: str, tmp_path: Path
) -> None:
    path = tmp_path / name
    sound = video(path, codec, sample, layout=layout)
    with open_capture(path, name) as capture:
        assert capture.kind is CaptureKind.VIDEO
        assert capture.is_video
        assert capture.data_bytes is None
        assert capture.sample_format.container_bits == bits
        assert capture.sample_format.valid_bits == bits
        declared = capture.declared_frames
        assert capture.examine() == ()
    assert (capture.frames, declared) == (9600, 9600)
    make_master(path, tmp_path / "m.wav")
    samples = sample_bytes(tmp_path / "m.wav")
    wide = np.ascontiguousarray(sound).view(np.uint8).reshape(-1, sound.dtype.itemsize)
    assert samples == wide[:, -(bits // 8) :].tobytes()


def test_a_float_track_keeps_its_values(tmp_path: Path) -> None:
    sound = video(tmp_path / "t.mkv", "pcm_f32le", "flt")
    make_master(tmp_path / "t.mkv", tmp_path / "m.wav")
    assert sample_bytes(tmp_path / "m.wav") == sound.astype("<f4").tobytes()


def test_a_lossy_track_gives_what_its_decoder_delivers(tmp_path: Path) -> None:
    video(tmp_path / "t.mp4", "aac", "fltp")
    with open_capture(tmp_path / "t.mp4", "t.mp4") as capture:
        first, second = b"".join(capture.blocks()), b"".join(capture.blocks(777))
        assert str(capture.sample_format) == "32 float, 48 kHz, stereo"
        assert first == second
        assert [finding.code for finding in capture.findings] == ["capture-lossy"]
    with av.open(str(tmp_path / "t.mp4")) as container:
        judge = np.concatenate([f.to_ndarray() for f in container.decode(audio=0)], axis=1)
    ours = np.frombuffer(first, "<f4").reshape(-1, 2).T
    # Bit-exact functions may differ from the fast ones in the last bits of a float.
    assert np.allclose(ours, judge, atol=1e-6)


@pytest.mark.parametrize(
    ("name", "codec", "sample", "said", "fidelity"),
    [
        # What is lossless is a property of the codings' standards: ISO/IEC 14496-3 (AAC),
        # ISO/IEC 11172-3 (layers), RFC 6716 (Opus), RFC 9639 (FLAC), ATSC A/52 (AC-3),
        # ITU-T G.711 (A-law).
        ("t.mp4", "aac", "fltp", "AAC LC in MP4", "lossy"),
        ("t.mov", "aac", "fltp", "AAC LC in QuickTime", "lossy"),
        ("t.mkv", "aac", "fltp", "AAC LC in Matroska", "lossy"),
        ("t.mkv", "libopus", "flt", "Opus in Matroska", "lossy"),
        ("t.mp4", "libmp3lame", "fltp", "MPEG-1 layer III in MP4", "lossy"),
        ("t.mkv", "mp2", "s16", "MPEG-1 layer II in Matroska", "lossy"),
        ("t.mkv", "ac3", "fltp", "AC-3 in Matroska", "lossy"),
        ("t.mov", "pcm_alaw", "s16", "A-law in QuickTime", "lossy"),
        ("t.mov", "alac", "s16p", "ALAC in QuickTime", "lossless"),
        ("t.mp4", "alac", "s16p", "ALAC in MP4", "lossless"),
        ("t.mkv", "flac", "s16", "FLAC in Matroska", "lossless"),
        ("t.mov", "pcm_s24le", "s32", "PCM in QuickTime", "linear"),
        ("t.mkv", "pcm_f32le", "flt", "IEEE float in Matroska", "linear"),
    ],
)
def test_the_coding_of_a_sound_track_is_told(
    name: str, codec: str, sample: str, said: str, fidelity: str, tmp_path: Path
) -> None:
    path = tmp_path / name
    video(path, codec, sample, frames=48_000)
    with open_capture(path, name) as capture:
        codes = [finding.code for finding in capture.examine()]
    coding = capture.coding
    assert (coding.kind, str(coding.fidelity)) == (said, fidelity)
    assert coding.is_exact == (fidelity != "lossy")
    assert ("capture-lossy" in codes) == (fidelity == "lossy")
    assert coding.decoder.startswith("FFmpeg libavcodec ")
    with av.open(str(path)) as container:
        coded = sum(packet.size for packet in container.demux(audio=0))
    assert capture.frames
    expected = None if fidelity == "linear" else round(coded * 8 * RATE / capture.frames)
    assert coding.bit_rate_bit_s == expected
    assert SoundCoding.from_json(coding.as_json(), "") == coding


def _atom(content: bytes | bytearray, name: bytes) -> int:
    """Return where the fields of the last atom of a name begin: behind version and flags."""
    return content.rindex(name) + 8


def test_sound_that_an_edit_list_hides_is_told(tmp_path: Path) -> None:
    path = tmp_path / "t.mov"
    sound = video(path, "pcm_s16le", "s16", layout="mono", frames=96_000)
    content = bytearray(path.read_bytes())
    at = _atom(content, b"elst")
    # ISO/IEC 14496-12, 8.6.6: count, then duration in the time of the film, and media time.
    count, length, begin = struct.unpack_from(">IIi", content, at)
    (scale,) = struct.unpack_from(">I", content, _atom(content, b"mvhd") + 8)
    assert (count, length, begin) == (1, 2 * scale, 0)
    struct.pack_into(">Ii", content, at + 4, scale // 2, RATE)
    path.write_bytes(content)
    with open_capture(path, "t.mov") as capture:
        (told_of,) = (f for f in capture.findings if f.code == "capture-sound-hidden")
        raw = b"".join(capture.blocks())
    assert "2.000 s of sound" in told_of.message
    assert "0.500 s" in told_of.message
    kept = np.frombuffer(raw, "<i2")
    assert len(kept) == pytest.approx(24_000, abs=1024)
    assert np.array_equal(kept, sound[48_000 : 48_000 + len(kept), 0])


@pytest.mark.parametrize(("codec", "sample"), [("libopus", "flt"), ("aac", "fltp")])
def test_a_packet_that_is_lost_is_told(codec: str, sample: str, tmp_path: Path) -> None:
    video(tmp_path / "whole.mkv", codec, sample, frames=96_000)
    path = tmp_path / "t.mkv"
    with av.open(str(tmp_path / "whole.mkv")) as whole, av.open(str(path), "w") as out:
        track = out.add_stream_from_template(whole.streams.audio[0])
        for number, packet in enumerate(whole.demux(audio=0)):
            if packet.dts is not None and number != 50:
                packet.stream = track
                out.mux(packet)
    with open_capture(path, "t.mkv") as capture:
        codes = [finding.code for finding in capture.examine()]
    assert "capture-sound-gap" in codes


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_a_telephone_video_that_is_cut_is_an_error(share: float, tmp_path: Path) -> None:
    path = tmp_path / "t.mp4"
    video(path, "aac", "fltp", frames=192_000, options={"movflags": "+faststart"})
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])
    assert told(lambda: _stops(path), str(share))


def _stops(path: Path) -> None:
    with open_capture(path, path.name) as capture:
        assert Severity.ERROR in {finding.severity for finding in capture.examine()}


@pytest.mark.parametrize("sample", ["s16", "s32"])
def test_one_wrong_bit_in_a_lossless_track_is_told(sample: str, tmp_path: Path) -> None:
    path = tmp_path / "t.mkv"
    video(path, "flac", sample, frames=192_000, picture=False)
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0x10
    path.write_bytes(content)
    assert told(lambda: _stops(path))


def test_the_digest_that_flac_keeps_of_its_samples_is_compared(tmp_path: Path) -> None:
    path = tmp_path / "t.mkv"
    video(path, "flac", "s16", picture=False)
    with av.open(str(path)) as container:
        # RFC 9639, 8.2: the last 16 bytes of STREAMINFO.
        header = container.streams.audio[0].codec_context.extradata
        assert header is not None
        digest = header[18:34]
    content = path.read_bytes()
    assert content.count(digest) == 1
    path.write_bytes(content.replace(digest, bytes(15) + b"\1"))
    with open_capture(path, "t.mkv") as capture:
        assert "capture-decoded-digest" in {finding.code for finding in capture.examine()}


def test_a_track_of_matroska_that_is_shorter_than_its_tag_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "t.mkv"
    video(path, "libopus", "flt", frames=192_000, picture=False)
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 300] = bytes(300)
    path.write_bytes(content)
    with open_capture(path, "t.mkv") as capture:
        found = capture.examine()
    lost = capture.frames is not None and capture.frames < 180_000
    assert ("capture-truncated" in {f.code for f in found}) == lost
    assert {f.code for f in found} & {"capture-truncated", "capture-sound-gap"}


def test_where_the_sound_begins_and_which_channel_is_which_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "t.mov"
    video(path, "pcm_s16le", "s16", layout="5.1")
    with open_capture(path, "t.mov") as capture:
        assert capture.begins_s == 0.0
        # Order of ITU-R BS.775 and of WAVEFORMATEXTENSIBLE's bits.
        assert capture.speakers[:4] == ("FL", "FR", "FC", "LFE")
        assert len(capture.speakers) == 6


def test_damage_in_the_middle_of_coded_sound_is_told(tmp_path: Path) -> None:
    path = tmp_path / "t.mp4"
    video(path, "aac", "fltp", frames=192_000, picture=False)
    content = bytearray(path.read_bytes())
    start, end = content.index(b"mdat") + 4, content.index(b"moov")
    middle = (start + end) // 2
    content[middle : middle + 3000] = bytes([0xFF]) * 3000
    path.write_bytes(content)
    with open_capture(path, "t.mp4") as capture, pytest.raises(InputError, match="stops at frame"):
        capture.examine()


def test_sound_without_picture_is_no_video(tmp_path: Path) -> None:
    video(tmp_path / "t.mka", "pcm_s16le", "s16", picture=False)
    with open_capture(tmp_path / "t.mka", "t.mka") as capture:
        assert not capture.is_video


def test_a_second_sound_track_is_told(tmp_path: Path) -> None:
    video(tmp_path / "t.mkv", "pcm_s16le", "s16", tracks=2)
    with open_capture(tmp_path / "t.mkv", "t.mkv") as capture:
        assert [f.code for f in capture.findings] == ["capture-more-sound-tracks"]


def test_a_video_without_sound_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.mkv"
    video(path, "pcm_s16le", "s16", tracks=0)
    with pytest.raises(InputError, match="no sound track"):
        open_capture(path, "t.mkv")


def test_a_cut_video_is_refused_or_found(tmp_path: Path) -> None:
    path = tmp_path / "t.mkv"
    video(path, "pcm_s16le", "s16", frames=96_000)
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    with open_capture(path, "t.mkv") as capture:
        codes = {f.code for f in capture.examine()}
    assert codes & {"capture-decoded-length", "capture-truncated"}


def test_a_mov_without_its_index_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "t.mov"
    video(path, "pcm_s16le", "s16")
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    with pytest.raises(InputError, match="cannot be opened as video"):
        open_capture(path, "t.mov")


@pytest.mark.parametrize("name", ["t.mov", "t.mkv"])
def test_damaged_videos_are_read_or_refused_by_name(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    video(path, "pcm_s16le", "s16", frames=2400)
    content = path.read_bytes()
    for seed in range(40):
        raw, done = damaged(content, seed)
        path.write_bytes(raw)
        assert told(lambda: _examined(path), done)


def _examined(path: Path) -> None:
    with open_capture(path, path.name) as capture:
        capture.examine()
