"""The master's own layout: offsets, boundary, room for what comes late, 64-bit sizes."""

from __future__ import annotations

import dataclasses
import io
import struct
from pathlib import Path
from typing import BinaryIO, cast

import pytest

from archiver.errors import DefectError, InputError
from archiver.signal.sampleformat import SampleFormat
from archiver.wave.axml import Axml
from archiver.wave.bext import Bext, Loudness
from archiver.wave.capture import open_capture
from archiver.wave.container import Form, walk
from archiver.wave.fact import IN_DS64
from archiver.wave.format import Format, format_of
from archiver.wave.info import Info, InfoEntry
from archiver.wave.ixml import Content, build
from archiver.wave.master import (
    ALIGNMENT_BYTES,
    LARGEST_32_BIT_SIZE,
    MasterChunks,
    MasterWriter,
    compose,
    needs_64_bits,
)
from archiver.wave.subchunks import RawChunk
from tests.wave import build as wave_build


def plain_format(encoding: str = "pcm", bits: int = 24, channels: int = 1) -> Format:
    return format_of(
        SampleFormat(
            encoding=encoding,  # type: ignore[arg-type]
            container_bits=bits,
            valid_bits=bits,
            channels=channels,
            sample_rate_hz=96000,
        )
    )


PLAIN = MasterChunks(format=plain_format(), bext=Bext())


def written(chunks: MasterChunks, samples: bytes, final: MasterChunks | None = None) -> bytes:
    file = io.BytesIO()
    writer = MasterWriter(file, chunks, len(samples))
    writer.write(samples)
    layout = writer.finish(chunks if final is None else final)
    content = file.getvalue()
    assert len(content) == layout.file_bytes
    assert walk(io.BytesIO(content), "m.wav").findings == ()
    return content


# Arithmetic of EBU Tech 3285 v2 and Tech 3306: 12, then 8 + 28, 8 + 602, 8 + 16, 8.
def test_the_smallest_header_has_the_offsets_of_the_standards() -> None:
    header, behind, layout = compose(PLAIN, data_offset_bytes=690, data_bytes=300)
    assert header[:4] == b"RIFF"
    assert header[12:20] == b"JUNK\x1c\0\0\0"
    assert header[48:56] == b"bext" + struct.pack("<I", 602)
    assert header[658:666] == b"fmt \x10\0\0\0"
    assert header[682:690] == b"data" + struct.pack("<I", 300)
    assert len(header) == 690
    assert behind == b""
    assert layout.form is Form.RIFF
    assert header[4:8] == struct.pack("<I", 690 + 300 - 8)


@pytest.mark.parametrize("more", [0, 2, 4, 6, 8, 10, 4000])
def test_any_room_in_front_of_the_samples_is_filled(more: int) -> None:
    header, _, _ = compose(PLAIN, data_offset_bytes=690 + more, data_bytes=3)
    content = header + b"abc\0"
    found = walk(io.BytesIO(content), "m.wav")
    assert found.findings == ()
    assert found.data is not None
    assert found.data.offset_bytes == 690 + more


def test_samples_start_on_a_boundary() -> None:
    content = written(PLAIN, b"abcdef")
    at = content.index(b"data\6\0\0\0") + 8
    assert at % ALIGNMENT_BYTES == 0
    assert content[at:] == b"abcdef"


def test_odd_samples_are_padded_and_the_padding_is_not_counted() -> None:
    content = written(PLAIN, b"abc")
    assert content.endswith(b"data\3\0\0\0abc\0")
    assert struct.unpack_from("<I", content, 4)[0] == len(content) - 8


def test_chunks_stand_in_the_order_of_the_house() -> None:
    raw = RawChunk(chunk_id=b"PEAK", payload=b"abc", pad=b"\x07")
    chunks = dataclasses.replace(
        PLAIN,
        format=plain_format("float", 32),
        info=Info(entries=(InfoEntry(id="INAM", text="x"),)),
        ixml=build(Content(take="t01")),
        axml=Axml(document=b"<a/>"),
        carried_before=(raw,),
        carried_after=(RawChunk(chunk_id=b"id3 ", payload=b"abcd"),),
        md5=bytes(16),
    )
    found = walk(io.BytesIO(written(chunks, bytes(8))), "m.wav")
    assert [chunk.name for chunk in found.chunks] == [
        "JUNK", "bext", "fmt", "fact", "LIST", "iXML", "axml", "PEAK", "MD5", "JUNK", "data", "id3",
    ]  # fmt: skip
    assert found.first(b"PEAK").pad == b"\x07"  # type: ignore[union-attr]


def test_a_carried_chunk_that_lacked_its_pad_byte_gets_one() -> None:
    raw = RawChunk(chunk_id=b"abcd", payload=b"abc")
    content = written(dataclasses.replace(PLAIN, carried_before=(raw,)), b"abc")
    assert b"abcd\3\0\0\0abc\0" in content


# RIFF 1991, chapter 3: every coding but PCM has fact.
@pytest.mark.parametrize(("encoding", "count"), [("pcm", 0), ("float", 1)])
def test_fact_holds_the_frames_of_what_is_not_pcm(encoding: str, count: int) -> None:
    chunks = dataclasses.replace(PLAIN, format=plain_format(encoding, 32, 2))
    content = written(chunks, bytes(80))
    assert content.count(b"fact\4\0\0\0\x0a\0\0\0") == count


def test_what_is_known_late_goes_into_the_room_reserved_for_it() -> None:
    late = dataclasses.replace(
        PLAIN,
        bext=Bext(loudness=Loudness.measured(loudness_lufs=-20.0), coding_history="A=PCM\r\n" * 50),
        md5=bytes(range(16)),
    )
    content = written(PLAIN, b"abc" * 100, late)
    assert b"MD5 \x10\0\0\0" + bytes(range(16)) in content
    assert (-2000).to_bytes(2, "little", signed=True) in content


def test_what_does_not_fit_goes_behind_the_samples() -> None:
    late = dataclasses.replace(PLAIN, axml=Axml(document=b"<a>" + b"x" * 20_000 + b"</a>"))
    file = io.BytesIO()
    writer = MasterWriter(file, PLAIN, 3)
    writer.write(b"abc")
    assert writer.finish(late).moved_behind == ("axml",)
    found = walk(io.BytesIO(file.getvalue()), "m.wav")
    assert found.findings == ()
    assert [chunk.name for chunk in found.chunks][-2:] == ["data", "axml"]


def test_a_header_that_cannot_fit_is_a_defect() -> None:
    late = dataclasses.replace(PLAIN, bext=Bext(coding_history="x" * 50_000))
    writer = MasterWriter(io.BytesIO(), PLAIN, 3)
    writer.write(b"abc")
    with pytest.raises(DefectError, match="reserved"):
        writer.finish(late)


def test_another_number_of_bytes_than_announced_is_refused() -> None:
    writer = MasterWriter(io.BytesIO(), PLAIN, 6)
    writer.write(b"abc")
    with pytest.raises(InputError, match="3 bytes of samples were written instead of 6"):
        writer.finish(PLAIN)


def test_a_partial_frame_is_a_defect() -> None:
    writer = MasterWriter(io.BytesIO(), PLAIN, None)
    writer.write(b"abcd")
    with pytest.raises(DefectError, match="whole number of frames"):
        writer.finish(PLAIN)


class Shelf(io.RawIOBase):
    """A file that remembers where small writes went, and of large ones only the place."""

    def __init__(self) -> None:
        self.at = 0
        self.small: list[tuple[int, bytes]] = []
        self.size = 0

    def seek(self, offset: int, whence: int = 0) -> int:
        assert whence == 0
        self.at = offset
        return offset

    def write(self, block: memoryview) -> int:  # type: ignore[override]
        if len(block) < 1 << 20:
            self.small.append((self.at, bytes(block)))
        self.at += len(block)
        self.size = max(self.size, self.at)
        return len(block)

    def laid_out(self, path: Path) -> Path:
        """Make a real file of it; what was large is a hole."""
        with path.open("xb") as file:
            file.truncate(self.size)
            for at, content in self.small:
                file.seek(at)
                file.write(content)
        return path


def test_only_sizes_that_fit_32_bits_stay_riff() -> None:
    assert not needs_64_bits(LARGEST_32_BIT_SIZE, LARGEST_32_BIT_SIZE)
    assert needs_64_bits(LARGEST_32_BIT_SIZE + 1, 0)
    assert needs_64_bits(0, LARGEST_32_BIT_SIZE + 1)


BOUNDARY = (1 << 32) - 2
MONO_8 = MasterChunks(format=plain_format(bits=8), bext=Bext())


# EBU Tech 3306: 4294967295 means "see ds64", so the largest plain size is one below.
@pytest.mark.parametrize(
    ("riff_bytes", "form"),
    [(BOUNDARY - 2, Form.RIFF), (BOUNDARY, Form.RIFF), (BOUNDARY + 2, Form.RF64),
     (BOUNDARY + 4, Form.RF64)],
)  # fmt: skip
def test_the_form_changes_where_the_file_size_stops_fitting(riff_bytes: int, form: Form) -> None:
    data_bytes = riff_bytes + 8 - 4096
    header, _, layout = compose(MONO_8, data_offset_bytes=4096, data_bytes=data_bytes)
    assert layout.form is form
    assert layout.file_bytes == riff_bytes + 8
    if form is Form.RIFF:
        assert header[4:8] == riff_bytes.to_bytes(4, "little")
        assert header[-4:] == data_bytes.to_bytes(4, "little")
    else:
        assert header[4:8] == b"\xff" * 4
        assert header[-4:] == b"\xff" * 4
        assert struct.unpack_from("<QQQI", header, 20) == (riff_bytes, data_bytes, data_bytes, 0)


@pytest.mark.parametrize("data_bytes", [BOUNDARY, BOUNDARY + 1, BOUNDARY + 2, BOUNDARY + 4])
@pytest.mark.parametrize("form", [Form.RF64, Form.BW64])
def test_sizes_around_4_gib_read_back(data_bytes: int, form: Form) -> None:
    header, _, layout = compose(
        MONO_8,
        data_offset_bytes=4096,
        data_bytes=data_bytes,
        form_64=form,  # type: ignore[arg-type]
    )
    assert layout.form is form
    assert layout.frames == data_bytes
    count = data_bytes if form is Form.RF64 else 0
    assert struct.unpack_from("<QQQ", header, 20)[1:] == (data_bytes, count)


def test_fact_refers_to_ds64_above_4_gib() -> None:
    chunks = MasterChunks(format=plain_format("float", 32), bext=Bext())
    header, _, _ = compose(chunks, data_offset_bytes=4096, data_bytes=1 << 33)
    at = header.index(b"fact\4\0\0\0") + 8
    assert int.from_bytes(header[at : at + 4], "little") == IN_DS64


@pytest.mark.parametrize("odd", [0, 1])
def test_a_capture_above_4_gib_becomes_rf64(odd: int, tmp_path: Path) -> None:
    # The capture: a hole of four gibibytes with sound at both ends.
    size = (1 << 32) + 2 + odd
    start = wave_build.riff(
        wave_build.ds64(size + odd + 72, size, size), wave_build.fmt(bits=8), form=b"RF64",
        size=0xFFFFFFFF,
    ) + b"data\xff\xff\xff\xff"  # fmt: skip
    source = wave_build.put(tmp_path, start + b"head")
    with source.open("r+b") as file:
        file.seek(len(start) + size - 4)
        file.write(b"tail" + bytes(odd))
    shelf = Shelf()
    with open_capture(source, "take.wav") as capture:
        assert capture.findings == ()
        assert capture.data_bytes == size
        assert next(capture.blocks(4)) == b"head"
        chunks = MasterChunks(format=capture.format, bext=Bext())
        writer = MasterWriter(cast(BinaryIO, shelf), chunks, capture.data_bytes)
    hole = memoryview(bytes(1 << 26))
    writer.write(b"head")
    left = size - 8
    while left:
        writer.write(hole[: min(left, len(hole))])
        left -= min(left, len(hole))
    writer.write(b"tail")
    layout = writer.finish(chunks)
    assert layout.form is Form.RF64
    target = shelf.laid_out(tmp_path / "master.wav")
    with open_capture(target, "master.wav") as master:
        assert {finding.code for finding in master.findings} == {"master-chunk-not-carried"}
        assert master.data_bytes == size
        assert next(master.blocks(4)) == b"head"
    with target.open("rb") as file:
        file.seek(layout.data_offset_bytes + size - 4)
        assert file.read() == b"tail" + bytes(odd)
