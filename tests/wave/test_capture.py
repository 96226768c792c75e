"""Captures of every kind: what they are, their samples, and what is wrong with them."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from archiver.errors import InputError, SurroundingsError
from archiver.findings import Severity
from archiver.wave.bext import Bext, encode
from archiver.wave.capture import CaptureKind, identify, open_capture
from archiver.wave.decoded import regroup
from tests.wave import build
from tests.wave.damage import damaged
from tests.wave.making import make_master, sample_bytes
from tests.wave.refusal import told


def noise(channels: int, frames: int) -> np.ndarray:
    return np.random.default_rng(channels).uniform(-0.99, 0.99, (frames, channels))


def coded(folder: Path, name: str, subtype: str, channels: int, frames: int, form: str) -> Path:
    path = folder / name
    soundfile.write(path, noise(channels, frames), 44100, subtype=subtype, format=form)
    return path


def codes(path: Path) -> list[str]:
    with open_capture(path, path.name) as capture:
        return [finding.code for finding in capture.examine()]


def test_blocks_have_the_length_asked_for_and_the_last_is_shorter(tmp_path: Path) -> None:
    samples = bytes(range(250)) * 4
    path = build.put(tmp_path, build.wave(samples))
    with open_capture(path, "take.wav") as capture:
        blocks = list(capture.blocks(120))
        assert [len(block) for block in blocks] == [240, 240, 240, 240, 40]
        assert b"".join(blocks) == samples
        assert b"".join(capture.blocks()) == samples
        assert (capture.frames, capture.declared_frames, capture.data_bytes) == (500, 500, 1000)


def test_two_readings_at_once_do_not_disturb_each_other(tmp_path: Path) -> None:
    path = build.put(tmp_path, build.wave(bytes(range(200))))
    with open_capture(path, "take.wav") as capture:
        both = list(zip(capture.blocks(10), capture.blocks(10), strict=True))
    assert all(left == right for left, right in both)


def test_a_file_that_shrinks_while_it_is_read_is_told(tmp_path: Path) -> None:
    path = build.put(tmp_path, build.wave(bytes(200)))
    with open_capture(path, "take.wav") as capture:
        blocks = capture.blocks(10)
        next(blocks)
        path.write_bytes(path.read_bytes()[:100])
        with pytest.raises(InputError, match="became shorter"):
            list(blocks)


@given(st.lists(st.binary(max_size=20), max_size=20), st.integers(1, 30))
def test_pieces_are_cut_into_blocks_of_one_length(pieces: list[bytes], size: int) -> None:
    blocks = list(regroup(pieces, size))
    assert b"".join(blocks) == b"".join(pieces)
    assert all(len(block) == size for block in blocks[:-1])
    assert all(0 < len(block) <= size for block in blocks)


# Signatures: RFC 9639 for FLAC, RFC 3533 for Ogg; the others from memory.
@pytest.mark.parametrize(
    ("head", "kind"),
    [
        (b"RIFF\0\0\0\0WAVE", CaptureKind.WAVE),
        (b"RF64\xff\xff\xff\xffWAVE", CaptureKind.WAVE),
        (b"BW64\xff\xff\xff\xffWAVE", CaptureKind.WAVE),
        (b"fLaC\0\0\0\x22", CaptureKind.FLAC),
        (b"FORM\0\0\0\0AIFF", CaptureKind.AIFF),
        (b"FORM\0\0\0\0AIFC", CaptureKind.AIFF),
        (b"\0\0\0\x18ftypisom", CaptureKind.VIDEO),
        (b"\0\0\0\x08wide\0\0\0\0mdat", CaptureKind.VIDEO),
        (b"\x1a\x45\xdf\xa3\0", CaptureKind.VIDEO),
    ],
)
def test_a_file_is_what_its_first_bytes_say(head: bytes, kind: CaptureKind) -> None:
    assert identify(head, "x") is kind


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "empty"),
        (b"OggS" + bytes(60), "Ogg"),
        (b"ID3\4" + bytes(60), "MP3"),
        (b"\xff\xfb\x90\x64" + bytes(60), "MP3"),
        (b"RIFF\x24\0\0\0AVI LIST", "AVI"),
        (b"%PDF-1.7", "PDF"),
        (b"takes of the day\n", "no sound file"),
        (b"FORM\0\0\0\x04ILBM", "no sound file"),
        (b"RIFX\x24\0\0\0WAVE", "big-endian"),
        (b"fLaC", "first metadata block"),
        (b"FORM\0\0\0\x04AIFF", "no chunk COMM"),
        (b"\0\0\0\x18ftypisom" + bytes(40), "cannot be opened as video"),
    ],
)
def test_what_is_no_capture_has_its_own_message(
    content: bytes, message: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match=message) as caught:
        open_capture(build.put(tmp_path, content), "takes/0001.wav")
    assert "takes/0001.wav" in caught.value.where
    assert caught.value.accepted
    assert caught.value.remedy


def test_a_missing_file_is_no_matter_of_its_content(tmp_path: Path) -> None:
    with pytest.raises(SurroundingsError, match="does not exist"):
        open_capture(tmp_path / "absent.wav", "absent.wav")


def test_a_directory_is_not_a_capture(tmp_path: Path) -> None:
    with pytest.raises(SurroundingsError):
        open_capture(tmp_path, "takes")


def test_a_wrong_suffix_is_told_and_the_content_counts(tmp_path: Path) -> None:
    path = coded(tmp_path, "take.wav", "PCM_16", 1, 100, "FLAC")
    with open_capture(path, "take.wav") as capture:
        assert capture.kind is CaptureKind.FLAC
        assert [finding.code for finding in capture.findings] == ["capture-kind-unexpected"]


def test_the_chunks_of_a_capture_are_decoded_or_carried(tmp_path: Path) -> None:
    before = build.chunk(b"PEAK", b"abc", pad=False) + b"\x07"
    content = build.riff(
        build.chunk(b"JUNK", bytes(4)),
        build.chunk(b"bext", encode(Bext(originator="X"))),
        build.fmt(),
        before,
        build.chunk(b"LIST", b"INFO" + build.chunk(b"INAM", b"ab\0")),
        build.chunk(b"LIST", b"wxyz1234"),
        build.chunk(b"data", bytes(8)),
        build.chunk(b"id3 ", b"ID3"),
        build.chunk(b"LIST", b"INFO" + build.chunk(b"INAM", b"cd\0")),
    )
    with open_capture(build.put(tmp_path, content), "take.wav") as capture:
        assert capture.bext is not None
        assert capture.bext.originator == "X"
        assert capture.existing.info is not None
        assert capture.existing.info.get("INAM") == "ab"
        assert [c.chunk_id for c in capture.carried_before] == [b"PEAK", b"LIST"]
        assert capture.carried_before[0].pad == b"\x07"
        assert [c.chunk_id for c in capture.carried_after] == [b"id3 ", b"LIST"]
        assert [f.code for f in capture.findings] == [
            "master-chunk-not-carried",
            "master-chunk-carried",
        ]


@pytest.mark.parametrize(
    ("chunk_id", "payload"),
    [(b"iXML", b"<BWFXML>"), (b"cue ", b"\1\0\0\0")],
)
def test_a_broken_chunk_is_told_and_carried(
    chunk_id: bytes, payload: bytes, tmp_path: Path
) -> None:
    path = build.put(tmp_path, build.wave(bytes(8), build.chunk(chunk_id, payload)))
    with open_capture(path, "take.wav") as capture:
        assert "capture-chunk-unreadable" in {f.code for f in capture.findings}
        assert [c.payload for c in capture.carried_after] == [payload]
        assert capture.existing.withheld == {chunk_id}
        assert [c.payload for c in capture.existing.original] == [payload]


def test_a_broken_bext_is_told_and_its_bytes_are_kept_for_the_record(tmp_path: Path) -> None:
    path = build.put(tmp_path, build.wave(bytes(8), build.chunk(b"bext", b"short")))
    with open_capture(path, "take.wav") as capture:
        assert [f.code for f in capture.findings] == ["capture-chunk-unreadable"]
        assert capture.existing.raw_bext == b"short"
        assert capture.carried_after == ()


def test_a_bext_that_is_not_ascii_is_told(tmp_path: Path) -> None:
    payload = b"Bl\xe5b\xe6r".ljust(602, b"\0")
    path = build.put(tmp_path, build.wave(bytes(8), build.chunk(b"bext", payload)))
    with open_capture(path, "take.wav") as capture:
        (finding,) = capture.findings
        assert finding.code == "capture-text-not-ascii"
        assert "ISO-8859-1" in finding.message


# libsndfile is the independent writer and reader of FLAC and AIFF.
@pytest.mark.parametrize("channels", [1, 2, 8])
@pytest.mark.parametrize(("subtype", "bits"), [("PCM_S8", 8), ("PCM_16", 16), ("PCM_24", 24)])
def test_the_master_of_a_flac_file_has_its_samples(
    subtype: str, bits: int, channels: int, tmp_path: Path
) -> None:
    source = coded(tmp_path, "t.flac", subtype, channels, 4801, "FLAC")
    with open_capture(source, "t.flac") as capture:
        assert capture.sample_format.container_bits == bits
        assert capture.declared_frames == 4801
        assert capture.examine() == ()
        assert capture.frames == 4801
    make_master(source, tmp_path / "m.wav")
    _assert_same_sound(source, tmp_path / "m.wav", "int32")


def _assert_same_sound(source: Path, target: Path, kind: str) -> None:
    before, rate = soundfile.read(source, dtype=kind, always_2d=True)
    after, rate_after = soundfile.read(target, dtype=kind, always_2d=True)
    assert rate == rate_after
    assert np.array_equal(before, after)


@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize(
    ("subtype", "endian", "kind"),
    [
        ("PCM_S8", "FILE", "int32"),
        ("PCM_16", "FILE", "int32"),
        ("PCM_16", "LITTLE", "int32"),
        ("PCM_24", "FILE", "int32"),
        ("PCM_32", "FILE", "int32"),
        ("FLOAT", "FILE", "float32"),
        ("DOUBLE", "FILE", "float64"),
    ],
)
def test_the_master_of_an_aiff_file_has_its_samples(
    subtype: str, endian: str, kind: str, channels: int, tmp_path: Path
) -> None:
    source = tmp_path / "t.aiff"
    soundfile.write(
        source, noise(channels, 4801), 96000, subtype=subtype, endian=endian, format="AIFF"
    )
    assert codes(source) == [] or subtype in ("FLOAT", "DOUBLE")
    make_master(source, tmp_path / "m.wav")
    _assert_same_sound(source, tmp_path / "m.wav", kind)


# RFC 9639, 8.2: the digest is over the decoded samples as they would stand in a file.
def test_the_digest_of_a_flac_file_is_that_of_the_samples(tmp_path: Path) -> None:
    source = coded(tmp_path, "t.flac", "PCM_24", 2, 1000, "FLAC")
    stored = source.read_bytes()[26:42]
    make_master(source, tmp_path / "m.wav")
    samples = sample_bytes(tmp_path / "m.wav")
    assert hashlib.md5(samples, usedforsecurity=False).digest() == stored


@pytest.mark.parametrize("part", [0.3, 0.6, 0.95])
def test_a_truncated_flac_file_is_found(part: float, tmp_path: Path) -> None:
    source = coded(tmp_path, "t.flac", "PCM_16", 1, 200_000, "FLAC")
    content = source.read_bytes()
    source.write_bytes(content[: int(len(content) * part)])
    with open_capture(source, "t.flac") as capture:
        (finding,) = capture.examine()
        assert finding.code == "capture-truncated"
        assert "declares 200000 frames" in finding.message
        assert capture.frames is not None
        assert 200_000 * part - 10_000 < capture.frames < 200_000 * part


def test_a_changed_digest_of_a_flac_file_is_found(tmp_path: Path) -> None:
    source = coded(tmp_path, "t.flac", "PCM_16", 1, 1000, "FLAC")
    content = bytearray(source.read_bytes())
    content[26] ^= 1
    source.write_bytes(content)
    assert codes(source) == ["capture-decoded-digest"]


@pytest.mark.parametrize("kept", [0.5, 0.9])
def test_a_truncated_aiff_file_is_found(kept: float, tmp_path: Path) -> None:
    source = coded(tmp_path, "t.aiff", "PCM_16", 2, 5000, "AIFF")
    content = source.read_bytes()[: int(20_054 * kept)]
    source.write_bytes(content)
    with open_capture(source, "t.aiff") as capture:
        assert "capture-truncated" in {f.code for f in capture.findings}
        samples = b"".join(capture.blocks())
        assert len(samples) == capture.data_bytes
    whole = (noise(2, 5000) * 0x8000).astype("<i2").tobytes()
    assert len(samples) < len(whole)


def test_compressed_aiff_is_refused_by_name(tmp_path: Path) -> None:
    source = coded(tmp_path, "t.aiff", "ALAW", 1, 1000, "AIFF")
    with pytest.raises(InputError, match="compressed as alaw"):
        open_capture(source, "t.aiff")


def test_texts_of_flac_and_aiff_come_along(tmp_path: Path) -> None:
    for form, name in (("FLAC", "t.flac"), ("AIFF", "t.aiff")):
        path = tmp_path / name
        with soundfile.SoundFile(path, "w", 44100, 1, "PCM_16", format=form) as file:
            file.title = "Blåbærgrød"
            file.copyright = "public domain"
            file.write(np.zeros(100))
        with open_capture(path, name) as capture:
            assert capture.existing.info is not None
            assert capture.existing.info.get("INAM") == "Blåbærgrød"
            assert capture.existing.info.get("ICOP") == "public domain"


@pytest.mark.parametrize("subtype", ["ALAW", "ULAW", "IMA_ADPCM", "MS_ADPCM", "GSM610"])
def test_a_coding_in_a_wave_file_that_is_not_linear_is_refused(
    subtype: str, tmp_path: Path
) -> None:
    source = tmp_path / "t.wav"
    soundfile.write(source, noise(1, 2000), 8000, subtype=subtype, format="WAV")
    with pytest.raises(InputError, match="coded as") as caught:
        open_capture(source, "t.wav")
    assert "linear PCM" in caught.value.accepted


@pytest.mark.parametrize("form", ["FLAC", "AIFF"])
def test_damaged_flac_and_aiff_are_read_or_refused_by_name(form: str, tmp_path: Path) -> None:
    content = coded(tmp_path, "t", "PCM_16", 2, 600, form).read_bytes()
    path = tmp_path / "damaged"
    for seed in range(120):
        raw, done = damaged(content, seed)
        path.write_bytes(raw)
        assert told(lambda: _examined(path), done)


def test_a_finding_that_stops_the_deposit_is_an_error(tmp_path: Path) -> None:
    content = build.riff(build.fmt(), build.chunk(b"data", bytes(8), size=96))
    with open_capture(build.put(tmp_path, content), "take.wav") as capture:
        assert capture.findings[0].severity is Severity.ERROR


def _examined(path: Path) -> None:
    with open_capture(path, path.name) as capture:
        capture.examine()
