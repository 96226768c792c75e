"""Laying a file open: the standards' field names, and what is wrong beside the rest."""

from __future__ import annotations

import json
import re
import struct
from pathlib import Path

import pytest

import archiver.wave
from archiver.errors import InputError, MisuseError
from archiver.wave.adtl import Adtl, CueLength, CueText, StoredText
from archiver.wave.adtl import encode as encode_adtl
from archiver.wave.bext import Bext, Loudness, encode
from archiver.wave.inspect import ChunkView, FieldView, inspect
from tests.wave import build
from tests.wave.test_container import MALFORMED, RICH


def views(tmp_path: Path, *chunks: bytes) -> tuple[ChunkView, ...]:
    content = build.riff(*chunks, build.fmt(), build.chunk(b"data", bytes(8)))
    return inspect(build.put(tmp_path, content), "take.wav").chunks


def fields(view: ChunkView) -> dict[str, FieldView]:
    return {field.name: field for field in view.fields}


# EBU Tech 3285 v2, 2.3 and 2.4: names and units of the fields.
def test_bext_is_shown_in_the_names_of_its_standard(tmp_path: Path) -> None:
    record = Bext(
        description="d",
        originator="o",
        time_reference=96000,
        umid=b"\1" * 32 + bytes(32),
        loudness=Loudness(loudness_value=-2300, loudness_range=20000),
        coding_history="A=PCM,F=48000\r\nA=ANALOG\n",
    )
    view = views(tmp_path, build.chunk(b"bext", encode(record)))[0]
    shown = fields(view)
    assert [f.name for f in view.fields[:8]] == [
        "Description", "Originator", "OriginatorReference", "OriginationDate", "OriginationTime",
        "TimeReference", "Version", "UMID",
    ]  # fmt: skip
    assert (shown["TimeReference"].value, shown["TimeReference"].unit) == (96000, "frame")
    assert shown["UMID"].value == "01" * 32
    assert (shown["LoudnessValue"].value, shown["LoudnessValue"].unit) == (-23.0, "LUFS")
    assert shown["LoudnessRange"].value is None
    assert "outside" in shown["LoudnessRange"].note
    assert (shown["MaxTruePeakLevel"].value, shown["MaxTruePeakLevel"].note) == (None, "not used")
    history = [f for f in view.fields if f.name == "CodingHistory"]
    assert [f.value for f in history] == ["A=PCM,F=48000", "A=ANALOG"]
    assert "LF alone" in history[1].note


def test_a_bext_of_version_0_shows_no_later_field(tmp_path: Path) -> None:
    shown = fields(views(tmp_path, build.chunk(b"bext", encode(Bext(version=0))))[0])
    assert "UMID" not in shown
    assert "LoudnessValue" not in shown


# WAVEFORMATEXTENSIBLE: names of the fields.
def test_an_extensible_format_is_shown_to_its_last_field(tmp_path: Path) -> None:
    content = build.riff(
        build.extensible(channels=2, bits=24, valid=20, mask=3), build.chunk(b"data", bytes(6))
    )
    found = inspect(build.put(tmp_path, content), "take.wav")
    shown = fields(found.chunks[0])
    assert shown["wFormatTag"].value == "0xfffe"
    assert shown["wValidBitsPerSample"].value == 20
    assert shown["dwChannelMask"].note == "FL FR"
    assert shown["SubFormat"].note == "PCM"
    assert (found.coding, found.frames) == ("PCM", 1)
    assert found.duration_s == pytest.approx(1 / 48000)


def test_marks_and_their_texts_are_shown(tmp_path: Path) -> None:
    cue = struct.pack("<IIIIIII", 1, 9, 5, 0x61746164, 0, 0, 4800)
    adtl = encode_adtl(
        Adtl(
            entries=(
                CueText(kind=b"labl", cue=9, text=StoredText(text="music")),
                CueLength(cue=9, length_frames=100),
            )
        )
    )
    first, second, *_ = views(tmp_path, build.chunk(b"cue ", cue), build.chunk(b"LIST", adtl))
    assert fields(first)["cue 9"].value == 4800
    assert fields(first)["cue 9"].note == "dwPosition 5"
    assert second.list_type == "adtl"
    assert fields(second)["labl"].value == "music"
    assert fields(second)["ltxt"].value == 100


def test_xml_lists_and_unknown_chunks_are_shown(tmp_path: Path) -> None:
    found = views(
        tmp_path,
        build.chunk(b"iXML", b"<BWFXML><TAKE>1</TAKE></BWFXML>"),
        build.chunk(b"axml", b"<ebuCoreMain/>"),
        build.chunk(b"LIST", b"INFO" + build.chunk(b"INAM", b"Bl\xc3\xa5\0")),
        build.chunk(b"MD5 ", bytes(range(16))),
        build.chunk(b"levl", bytes(40)),
    )
    assert fields(found[0])["TAKE"].value == "1"
    assert fields(found[1])["root element"].value == "ebuCoreMain"
    assert (fields(found[2])["INAM"].value, fields(found[2])["INAM"].note) == ("Blå", "name, UTF-8")
    assert fields(found[3])["digest"].value == bytes(range(16)).hex()
    assert str(fields(found[4])["payload"].value).endswith("...")


def test_a_broken_chunk_is_shown_with_its_fault_beside_the_others(tmp_path: Path) -> None:
    found = views(tmp_path, build.chunk(b"bext", b"short"), build.chunk(b"cue ", b"\1\0\0\0"))
    assert "ends after 5 bytes" in found[0].fault
    assert "counts 1 points" in found[1].fault
    assert [view.id for view in found] == ["bext", "cue", "fmt", "data"]


@pytest.mark.parametrize("name", MALFORMED)
def test_every_malformed_file_can_be_written_as_json(name: str, tmp_path: Path) -> None:
    found = inspect(build.put(tmp_path, MALFORMED[name][0]), "take.wav")
    facts = json.loads(json.dumps(found.as_json()))
    assert [chunk["id"] for chunk in facts["chunks"]] == [view.id for view in found.chunks]
    assert len(facts["findings"]) == len(MALFORMED[name][1])


def test_offsets_point_at_the_bytes_of_the_file(tmp_path: Path) -> None:
    for view in inspect(build.put(tmp_path, RICH), "take.wav").chunks:
        at = view.header_offset_bytes
        assert RICH[at : at + 4].decode().strip() == view.id
        assert RICH[at + 4 : at + 8] == view.declared_bytes.to_bytes(4, "little")


def test_the_path_names_the_file_when_no_name_is_given(tmp_path: Path) -> None:
    path = build.put(tmp_path, b"text")
    with pytest.raises(MisuseError) as caught:
        inspect(path)
    assert caught.value.where == str(path)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "the file is empty"),
        (b"\0\0\0\x1cftypisom" + bytes(60), "the file is MP4, MOV or MKV"),
        (b"\x1a\x45\xdf\xa3" + bytes(60), "the file is MP4, MOV or MKV"),
        (b"fLaC" + bytes(60), "the file is FLAC"),
        (b"FORM\0\0\0\0AIFF" + bytes(60), "the file is AIFF"),
        (b"OggS" + bytes(60), "the file is Ogg"),
        (b"hello\0\x01world", r"it begins with hello\x00\x01w"),
    ],
)
def test_what_is_no_wave_file_is_misuse_and_is_told_what_is_accepted(
    content: bytes, said: str, tmp_path: Path
) -> None:
    path = tmp_path / "t.wav"
    path.write_bytes(content)
    with pytest.raises(MisuseError) as caught:
        inspect(path, "t.wav")
    assert said in caught.value.found
    assert "RIFF, RF64 or BW64" in caught.value.accepted
    assert caught.value.remedy


def test_a_folder_is_misuse(tmp_path: Path) -> None:
    with pytest.raises(MisuseError, match="it is a folder"):
        inspect(tmp_path)


@pytest.mark.parametrize(
    "content",
    [b"RIFF\x10\0\0\0WEB\xffxxxx", b"RIFF\x10\0\0\0\0\xff\x80\x01", b"RIFX\x10\0\0\0WAVE", b"RIFF"],
)
def test_no_message_shows_bytes_as_a_program_writes_them(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "t.wav"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        inspect(path, "t.wav")
    assert "b'" not in str(caught.value)
    assert 'b"' not in str(caught.value)


def test_no_message_of_this_room_can_hold_the_program_s_form_of_bytes() -> None:
    # Names of variables that hold bytes in this room; their repr would be b'...'.
    named = re.compile(
        r"\{(?:self\.)?(?:head|start|payload|chunk|chunk_id|kind|coding|raw)\b[^}]*!r\}"
    )
    for source in Path(archiver.wave.__file__).parent.glob("*.py"):
        assert not named.search(source.read_text(encoding="utf-8")), source.name
