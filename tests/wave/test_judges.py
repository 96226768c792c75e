"""What independent readers see in our masters: libsndfile, FFmpeg's libraries, mutagen, lxml."""

from __future__ import annotations

import hashlib
import itertools
from pathlib import Path
from typing import Any

import av
import mutagen.wave
import numpy as np
import pytest
import soundfile
from lxml import etree

from archiver.wave import axml, ixml
from archiver.wave.adtl import Adtl, CueText, StoredText
from archiver.wave.cue import Cue, CuePoint
from archiver.wave.info import Info, InfoEntry
from archiver.wave.inspect import inspect
from archiver.wave.master import MasterLayout
from tests.wave import build, libsndfile
from tests.wave.making import BEXT, LOUDNESS, make_master, sample_bytes

INFO = Info(entries=(InfoEntry(id="INAM", text="Blåbærgrød"), InfoEntry(id="IARL", text="DK, LHM")))


def sound(folder: Path, name: str, subtype: str, channels: int, frames: int, form: str) -> Path:
    """A capture written by libsndfile, an independent writer."""
    chance = np.random.default_rng(channels * 1000 + frames)
    samples = chance.uniform(-0.99, 0.99, (frames, channels))
    path = folder / name
    soundfile.write(path, samples, 48000, subtype=subtype, format=form)
    return path


@pytest.fixture
def master(tmp_path: Path) -> tuple[Path, MasterLayout]:
    source = sound(tmp_path, "t.wav", "PCM_24", 1, 4801, "WAV")
    target = tmp_path / "m.wav"
    layout = make_master(
        source,
        target,
        info=INFO,
        cue=Cue(points=(CuePoint(name=1, sample_offset=480), CuePoint(name=2, sample_offset=960))),
        adtl=Adtl(
            entries=(
                CueText(kind=b"labl", cue=1, text=StoredText(text="announcement")),
                CueText(kind=b"labl", cue=2, text=StoredText(text="music")),
                CueText(kind=b"note", cue=1, text=StoredText(text="crackle")),
            )
        ),
        ixml=ixml.build(ixml.Content(take="t01", note="Blåbærgrød")),
        axml=axml.Axml(document="<a>Blåbærgrød</a>".encode()),
    )
    return target, layout


# libsndfile 1.2.2, SFC_GET_BROADCAST_INFO.
def test_libsndfile_reads_every_bext_field(master: tuple[Path, MasterLayout]) -> None:
    seen = libsndfile.look(master[0])
    assert (seen.frames, seen.samplerate, seen.channels) == (4801, 48000, 1)
    found = seen.broadcast
    assert found is not None
    assert found["description"] == BEXT.description.encode().ljust(256, b"\0")
    assert found["originator"] == BEXT.originator.encode().ljust(32, b"\0")
    assert found["originator_reference"] == BEXT.originator_reference.encode().ljust(32, b"\0")
    assert found["origination_date"] == b"2026-04-18"
    assert found["origination_time"] == b"14:12:05"
    assert (found["time_reference_low"], found["time_reference_high"]) == (5, 2)
    assert found["version"] == 2
    assert found["umid"] == BEXT.umid
    for name in (
        "loudness_value",
        "loudness_range",
        "max_true_peak_level",
        "max_momentary_loudness",
        "max_short_term_loudness",
    ):
        assert found[name] == getattr(LOUDNESS, name)
    history = found["coding_history"]
    assert isinstance(history, bytes)
    assert history.rstrip(b"\0") == BEXT.coding_history.encode()


# libsndfile 1.2.2, SFC_GET_CUE.
def test_libsndfile_reads_the_marks_with_their_labels(master: tuple[Path, MasterLayout]) -> None:
    assert libsndfile.look(master[0]).cues == ((480, "announcement"), (960, "music"))


# libsndfile 1.2.2, sf_get_string: it knows INAM, and takes the text for what it is.
def test_libsndfile_reads_the_title(master: tuple[Path, MasterLayout]) -> None:
    with soundfile.SoundFile(master[0]) as file:
        assert file.title == "Blåbærgrød"


# FFmpeg's libavformat through PyAV; the names of the tags are its own.
def test_ffmpeg_reads_the_bext_fields(tmp_path: Path) -> None:
    target = tmp_path / "m.wav"
    make_master(sound(tmp_path, "t.wav", "PCM_16", 2, 4800, "WAV"), target)
    with av.open(str(target)) as container:
        found = container.metadata
        assert container.streams.audio[0].codec_context.name == "pcm_s16le"
    assert found["comment"] == BEXT.description
    assert found["encoded_by"] == BEXT.originator
    assert found["originator_reference"] == BEXT.originator_reference
    assert found["date"] == BEXT.origination_date
    assert found["creation_time"] == BEXT.origination_time
    assert found["time_reference"] == str(BEXT.time_reference)
    assert found["coding_history"] == BEXT.coding_history
    assert BEXT.umid is not None
    assert found["umid"].lower() == "0x" + BEXT.umid[:32].hex()


# FFmpeg's libavformat through PyAV.
def test_ffmpeg_reads_the_info_texts(master: tuple[Path, MasterLayout]) -> None:
    with av.open(str(master[0])) as container:
        assert container.metadata["title"] == "Blåbærgrød"
        assert container.metadata["IARL"] == "DK, LHM"


# mutagen 1.47 and later reads the stream of a wave file.
def test_mutagen_opens_a_master(master: tuple[Path, MasterLayout]) -> None:
    info: Any = mutagen.wave.WAVE(master[0]).info  # type: ignore[no-untyped-call] # it has no types
    assert (info.sample_rate, info.channels, info.bits_per_sample) == (48000, 1, 24)
    assert info.length == pytest.approx(4801 / 48000)


# lxml parses the two XML chunks, cut from the file by the offsets of our walk.
def test_lxml_parses_the_xml_chunks(master: tuple[Path, MasterLayout]) -> None:
    content = master[0].read_bytes()
    found = {chunk.id: chunk for chunk in inspect(master[0]).chunks}
    at, size = found["iXML"].payload_offset_bytes, found["iXML"].declared_bytes
    root = etree.fromstring(content[at : at + size])
    assert root.tag == "BWFXML"
    assert root.findtext("NOTE") == "Blåbærgrød"
    at, size = found["axml"].payload_offset_bytes, found["axml"].declared_bytes
    assert etree.fromstring(content[at : at + size]).text == "Blåbærgrød"


# hashlib over the bytes that the header points at.
def test_the_md5_chunk_is_that_of_the_sample_bytes(master: tuple[Path, MasterLayout]) -> None:
    path, layout = master
    content = path.read_bytes()
    end = layout.data_offset_bytes + layout.data_bytes
    digest = hashlib.md5(content[layout.data_offset_bytes : end], usedforsecurity=False)
    (stored,) = (c for c in inspect(path).chunks if c.id == "MD5")
    assert stored.fields[0].value == digest.hexdigest()
    assert layout.data_bytes % 2 == 1
    assert content[end:] == b"\0"


SUBTYPES = ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"]


# libsndfile decodes capture and master; the bytes are compared as well.
@pytest.mark.parametrize("form", ["WAV", "WAVEX", "RF64"])
@pytest.mark.parametrize("subtype", SUBTYPES)
def test_samples_of_master_and_capture_are_identical(
    form: str, subtype: str, tmp_path: Path
) -> None:
    for channels, frames in itertools.product((1, 2, 3, 5, 8), (1, 2, 4801)):
        name = f"{channels}-{frames}"
        source = sound(tmp_path, f"{name}.wav", subtype, channels, frames, form)
        target = tmp_path / f"{name}-master.wav"
        make_master(source, target)
        assert sample_bytes(target) == sample_bytes(source)
        kind = "float64" if subtype in ("FLOAT", "DOUBLE") else "int32"
        before, _ = soundfile.read(source, dtype=kind, always_2d=True)
        after, rate = soundfile.read(target, dtype=kind, always_2d=True)
        assert rate == 48000
        assert after.shape == (frames, channels)
        assert np.array_equal(before, after)
        assert inspect(target).findings == ()


# FFmpeg's libavcodec decodes capture and master.
@pytest.mark.parametrize("bits", [16, 24, 32])
def test_ffmpeg_decodes_capture_and_master_alike(bits: int, tmp_path: Path) -> None:
    source = sound(tmp_path, "t.wav", f"PCM_{bits}", 2, 4801, "WAV")
    target = tmp_path / "m.wav"
    make_master(source, target)
    assert _decoded(source) == _decoded(target)


def _decoded(path: Path) -> bytes:
    with av.open(str(path)) as container:
        return b"".join(frame.to_ndarray().tobytes() for frame in container.decode(audio=0))


def test_the_format_bytes_of_a_capture_are_kept(tmp_path: Path) -> None:
    fmt = build.extensible(channels=2, bits=24, valid=20, mask=3)
    source = build.put(tmp_path, build.riff(fmt, build.chunk(b"data", bytes(600))))
    target = tmp_path / "m.wav"
    make_master(source, target)
    assert fmt in target.read_bytes()
