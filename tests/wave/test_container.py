"""The walk: every malformed file gives a record with findings, or a named error."""

from __future__ import annotations

import io
import os
import time
from pathlib import Path

import pytest

from archiver.errors import InputError
from archiver.findings import Severity
from archiver.wave.bext import Bext, encode
from archiver.wave.capture import open_capture
from archiver.wave.container import MOST_CHUNKS, Form, Walk, walk
from archiver.wave.inspect import inspect
from tests.wave import build
from tests.wave.damage import damaged
from tests.wave.refusal import told

SAMPLES = bytes(range(40))
FMT = build.fmt()
DATA = build.chunk(b"data", SAMPLES)
TAIL = build.chunk(b"PEAK", b"12345678")


def walked(content: bytes) -> Walk:
    return walk(io.BytesIO(content), "take.wav")


def codes(content: bytes) -> list[str]:
    return [finding.code for finding in walked(content).findings]


def test_a_sound_file_gives_no_finding() -> None:
    found = walked(build.riff(FMT, DATA, TAIL))
    assert found.findings == ()
    assert [chunk.name for chunk in found.chunks] == ["fmt", "data", "PEAK"]
    assert found.data is not None
    assert (found.data.offset_bytes, found.data.sample_bytes, found.data.frames) == (44, 40, 20)
    assert found.trailing_bytes == 0


def test_offsets_and_sizes_are_those_of_the_file() -> None:
    content = build.riff(FMT, build.chunk(b"abcd", b"123"), DATA)
    odd = walked(content).chunks[1]
    assert content[odd.header_offset_bytes : odd.payload_offset_bytes + 3] == b"abcd\3\0\0\x00123"
    assert odd.pad == b"\0"
    assert odd.end_bytes == walked(content).chunks[2].header_offset_bytes


# RIFF 1991, chapter 2, and EBU Tech 3306 say what is right; each line breaks it once.
LONG = 0x7FFFFFF0
DS64 = build.ds64(100, 40, 20)
DEEP = b"abcd"
for _ in range(1000):
    DEEP = b"LIST" + (len(DEEP) + 4).to_bytes(4, "little") + b"wavl" + DEEP
MALFORMED = {
    "data past the end": (
        build.riff(FMT, build.chunk(b"data", SAMPLES, size=LONG)),
        ["capture-truncated"],
    ),
    "data and file past the end": (
        build.riff(FMT, build.chunk(b"data", SAMPLES, size=LONG), size=LONG + 36),
        ["capture-truncated"],
    ),
    "chunk behind the sound past the end": (
        build.riff(FMT, DATA, build.chunk(b"LIST", b"INFO", size=LONG)),
        ["capture-chunk-past-end"],
    ),
    "chunk before the sound past the end": (
        build.riff(FMT, build.chunk(b"LIST", b"INFO", size=LONG), DATA),
        ["capture-chunk-past-end", "capture-chunk-missing"],
    ),
    "data size of all ones": (
        build.riff(FMT, build.chunk(b"data", SAMPLES, size=0xFFFFFFFF)),
        ["capture-sizes-unset"],
    ),
    "all sizes of all ones": (
        build.riff(FMT, build.chunk(b"data", SAMPLES, size=0xFFFFFFFF), size=0xFFFFFFFF),
        ["capture-sizes-unset"],
    ),
    "data size 0 before samples": (
        build.riff(FMT, build.chunk(b"data", b"") + SAMPLES),
        ["capture-sizes-unset"],
    ),
    "all sizes 0 before samples": (
        build.riff(FMT, build.chunk(b"data", b"") + SAMPLES, size=0),
        ["capture-sizes-unset"],
    ),
    "no sample": (build.riff(FMT, build.chunk(b"data", b"")), ["capture-no-samples"]),
    "no sample and a chunk behind": (
        build.riff(FMT, build.chunk(b"data", b""), TAIL),
        ["capture-no-samples"],
    ),
    "file size 0": (build.riff(FMT, DATA, size=0), ["capture-size-wrong"]),
    "file size too small": (build.riff(FMT, DATA, TAIL, size=70), ["capture-size-wrong"]),
    "file size too large": (build.riff(FMT, DATA, size=1000), ["capture-size-wrong"]),
    "odd data without pad": (
        build.riff(build.fmt(bits=8), build.chunk(b"data", SAMPLES[:39], pad=False)),
        ["capture-pad-missing"],
    ),
    "odd data without pad that is counted": (
        build.riff(build.fmt(bits=8), build.chunk(b"data", SAMPLES[:39], pad=False), size=76),
        ["capture-pad-missing"],
    ),
    "odd data without pad before a chunk": (
        build.riff(build.fmt(bits=8), build.chunk(b"data", SAMPLES[:39], pad=False), TAIL),
        ["capture-pad-missing"],
    ),
    "two fmt": (build.riff(FMT, FMT, DATA), ["capture-duplicate-chunk"]),
    "two data": (build.riff(FMT, DATA, DATA), ["capture-duplicate-chunk"]),
    "two bext": (
        build.riff(FMT, *[build.chunk(b"bext", encode(Bext()))] * 2, DATA),
        ["capture-duplicate-chunk"],
    ),
    "no fmt": (build.riff(DATA), ["capture-chunk-missing"]),
    "no data": (build.riff(FMT), ["capture-chunk-missing"]),
    "nothing": (build.riff(), ["capture-chunk-missing", "capture-chunk-missing"]),
    "fmt of 12 bytes": (
        build.riff(build.chunk(b"fmt ", bytes(12)), DATA),
        ["capture-format-wrong"],
    ),
    "fmt behind data": (build.riff(DATA, FMT), ["capture-format-late"]),
    "zero channels": (build.riff(build.fmt(channels=0), DATA), ["capture-format-wrong"]),
    "zero rate": (build.riff(build.fmt(rate=0), DATA), ["capture-format-wrong"]),
    "block align lie": (
        build.riff(build.fmt(block_align=4), DATA),
        ["capture-format-wrong"],
    ),
    "byte rate lie": (build.riff(build.fmt(byte_rate=7), DATA), ["capture-byte-rate-wrong"]),
    "partial frame": (
        build.riff(FMT, build.chunk(b"data", SAMPLES[:39])),
        ["capture-partial-frame"],
    ),
    "trailing bytes": (build.riff(FMT, DATA) + b"\0\1\2\3", ["capture-trailing-bytes"]),
    "trailing tag": (build.riff(FMT, DATA) + b"ID3\4" + bytes(60), ["capture-trailing-bytes"]),
    "unprintable id": (
        build.riff(FMT, DATA, build.chunk(b"\0\1\2\3", b"abcd")),
        ["capture-trailing-bytes"],
    ),
    "lists in lists": (build.riff(FMT, DATA, DEEP), ["capture-list-deep"]),
    "ds64 missing": (
        build.riff(FMT, build.chunk(b"data", SAMPLES, size=0xFFFFFFFF), form=b"RF64",
                   size=0xFFFFFFFF),
        ["capture-ds64-fault", "capture-sizes-unset"],
    ),
    "ds64 short": (
        build.riff(build.chunk(b"ds64", bytes(20)), FMT,
                   build.chunk(b"data", SAMPLES, size=0xFFFFFFFF), form=b"RF64", size=0xFFFFFFFF),
        ["capture-ds64-fault", "capture-sizes-unset"],
    ),
    "ds64 table past its end": (
        build.riff(build.ds64(108, 40, 20, length=9), FMT, DATA, form=b"RF64", size=0xFFFFFFFF),
        ["capture-ds64-fault", "capture-size-wrong"],
    ),
    "ds64 counts too little": (
        build.riff(build.ds64(112, 40, 3), FMT,
                   build.chunk(b"data", SAMPLES, size=0xFFFFFFFF), form=b"RF64", size=0xFFFFFFFF),
        ["capture-ds64-fault"],
    ),
    "ds64 data size past the end": (
        build.riff(build.ds64(112, 1 << 40, 1 << 39), FMT,
                   build.chunk(b"data", SAMPLES, size=0xFFFFFFFF), form=b"RF64", size=0xFFFFFFFF),
        ["capture-truncated"],
    ),
    "ds64 file size too large": (
        build.riff(build.ds64(1 << 33, 40, 20), FMT,
                   build.chunk(b"data", SAMPLES, size=0xFFFFFFFF), form=b"RF64", size=0xFFFFFFFF),
        ["capture-size-wrong"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", MALFORMED)
def test_a_malformed_file_gives_its_findings_and_no_other(name: str) -> None:
    content, expected = MALFORMED[name]
    assert codes(content) == expected


@pytest.mark.parametrize("name", MALFORMED)
def test_a_malformed_file_is_captured_or_refused_by_name(name: str, tmp_path: Path) -> None:
    content, _ = MALFORMED[name]
    path = build.put(tmp_path, content)
    inspect(path, "take.wav")
    assert told(lambda: _captured(path))


@pytest.mark.parametrize(
    "name", ["data size of all ones", "all sizes of all ones", "data size 0 before samples",
             "all sizes 0 before samples", "ds64 missing", "ds64 short"],
)  # fmt: skip
def test_samples_of_a_recorder_that_lost_power_are_recovered(name: str, tmp_path: Path) -> None:
    path = build.put(tmp_path, MALFORMED[name][0])
    with open_capture(path, "take.wav") as capture:
        assert b"".join(capture.blocks()) == SAMPLES
        assert capture.declared_frames is None
        assert "capture-sizes-unset" in {finding.code for finding in capture.findings}


def test_a_truncated_take_says_what_is_there_and_what_was_declared() -> None:
    content = build.riff(FMT, build.chunk(b"data", SAMPLES, size=96000))
    (finding,) = walked(content).findings
    assert finding.severity is Severity.ERROR
    assert "96000 bytes (48000 frames, 1.000 s)" in finding.message
    assert "40 bytes (20 frames" in finding.message
    assert finding.where.offset_bytes == 36


def test_a_chunk_behind_an_unpadded_one_is_still_found() -> None:
    content = MALFORMED["odd data without pad before a chunk"][0]
    assert [chunk.name for chunk in walked(content).chunks] == ["fmt", "data", "PEAK"]


def test_a_pad_byte_that_is_not_zero_is_kept_as_found() -> None:
    content = build.riff(build.fmt(bits=8), build.chunk(b"data", b"abc", pad=False) + b"\x07", TAIL)
    found = walked(content)
    assert found.findings == ()
    assert found.chunks[1].pad == b"\x07"


def test_the_last_pad_byte_may_be_left_out_of_the_file_size() -> None:
    content = build.riff(build.fmt(bits=8), build.chunk(b"data", b"abc"))
    shorter = content[:4] + (len(content) - 9).to_bytes(4, "little") + content[8:]
    assert codes(shorter) == []


# EBU Tech 3306: a size of all ones is looked up in ds64, by id for chunks other than data.
@pytest.mark.parametrize("form", [b"RF64", b"BW64"])
def test_64_bit_sizes_are_taken_from_ds64(form: bytes) -> None:
    table = b"PEAK" + (8).to_bytes(8, "little")
    count = 20 if form == b"RF64" else 0
    content = build.riff(
        build.ds64(140, 40, count, table),
        FMT,
        build.chunk(b"data", SAMPLES, size=0xFFFFFFFF),
        build.chunk(b"PEAK", b"12345678", size=0xFFFFFFFF),
        form=form,
        size=0xFFFFFFFF,
    )
    found = walked(content)
    assert found.findings == ()
    assert found.form is Form(form.decode())
    assert found.data is not None
    assert found.data.sample_bytes == 40
    assert found.chunks[3].present_bytes == 8


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "empty"),
        (b"RIFX\x24\0\0\0WAVE", "big-endian"),
        (b"RIFF\x24\0\0\0AVI ", "not WAVE"),
        (b"OggS" + bytes(60), "no wave file"),
        (b"RIFF\x24\0", "ends after 6 bytes"),
    ],
)
def test_another_kind_of_file_is_refused_by_name(content: bytes, message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        walked(content)
    assert caught.value.where == "take.wav"
    assert "RIFF, RF64 or BW64" in caught.value.accepted


@pytest.mark.parametrize("length", range(65))
def test_a_header_cut_at_any_byte_is_a_record_or_a_named_error(length: int, tmp_path: Path) -> None:
    content = build.riff(build.chunk(b"bext", encode(Bext())), FMT, DATA)[:length]
    path = build.put(tmp_path, content)
    with pytest.raises(InputError) as caught:
        open_capture(path, "take.wav")
    assert "take.wav" in caught.value.where
    if length >= 12:
        assert walked(content).findings


def test_too_many_chunks_end_the_walk() -> None:
    content = build.riff(FMT, DATA, build.chunk(b"abcd", b"") * (MOST_CHUNKS + 10))
    found = walked(content)
    assert "capture-too-many-chunks" in [finding.code for finding in found.findings]
    assert len(found.chunks) == MOST_CHUNKS


RICH = build.riff(
    build.chunk(b"JUNK", bytes(28)),
    build.chunk(b"bext", encode(Bext(description="d", coding_history="A=PCM\r\n"))),
    build.extensible(channels=2, bits=24, valid=20),
    build.chunk(b"LIST", b"INFO" + build.chunk(b"INAM", b"ab\0")),
    build.chunk(b"cue ", (1).to_bytes(4, "little") + bytes(24)),
    build.chunk(b"LIST", b"adtl" + build.chunk(b"labl", bytes(4) + b"x\0")),
    build.chunk(b"iXML", b"<BWFXML><TAKE>1</TAKE></BWFXML>"),
    build.chunk(b"axml", b"<a/>"),
    build.chunk(b"MD5 ", bytes(16)),
    build.chunk(b"data", bytes(606)),
    build.chunk(b"id3 ", b"ID3"),
)
RICH_64 = build.riff(
    build.ds64(1000, 606, 101),
    *[RICH[48:]],
    form=b"RF64",
    size=0xFFFFFFFF,
)


def test_the_rich_file_that_is_damaged_below_is_sound() -> None:
    assert codes(RICH) == []


@pytest.mark.parametrize("content", [RICH, RICH_64], ids=["RIFF", "RF64"])
def test_damaged_files_are_read_or_refused_by_name(content: bytes, tmp_path: Path) -> None:
    files = int(os.environ.get("ARCHIVER_DAMAGED_FILES", "2000")) // 2
    path = tmp_path / "take.wav"
    slowest = 0.0
    for seed in range(files):
        raw, done = damaged(content, seed)
        path.write_bytes(raw)
        start = time.perf_counter()
        assert told(lambda: _inspected(path), done)
        assert told(lambda: _captured(path), done)
        slowest = max(slowest, time.perf_counter() - start)
    assert slowest < 1.0


def _inspected(path: Path) -> None:
    assert inspect(path, "take.wav").as_json()["file_bytes"] == path.stat().st_size


def _captured(path: Path) -> None:
    with open_capture(path, "take.wav") as capture:
        assert sum(len(block) for block in capture.blocks()) == capture.data_bytes
