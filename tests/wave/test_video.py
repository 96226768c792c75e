"""Sound tracks of videos, made and judged by FFmpeg's libraries through PyAV."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from archiver.errors import InputError
from archiver.wave.capture import CaptureKind, open_capture
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
) -> NDArray[Any]:
    """Write a short video and return the sound that went in, shape (frames, channels)."""
    channels = {"mono": 1, "stereo": 2}[layout]
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
    with av.open(str(path), "w") as container:
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
        ("t.mov", "alac", "s16p", 16),
    ],
)
@pytest.mark.parametrize("layout", ["mono", "stereo"])
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
        assert capture.findings == ()
    with av.open(str(tmp_path / "t.mp4")) as container:
        judge = np.concatenate([f.to_ndarray() for f in container.decode(audio=0)], axis=1)
    ours = np.frombuffer(first, "<f4").reshape(-1, 2).T
    # Bit-exact functions may differ from the fast ones in the last bits of a float.
    assert np.allclose(ours, judge, atol=1e-6)


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
        assert "capture-decoded-length" in {f.code for f in capture.examine()}


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
