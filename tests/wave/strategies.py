"""Records within the limits of their standards, and bytes without any."""

from __future__ import annotations

import dataclasses
from typing import Any

from hypothesis import strategies as st

from archiver.wave.adtl import Adtl, CueLength, CueText, StoredText
from archiver.wave.axml import Axml
from archiver.wave.bext import TEXT_FIELDS, Bext, Loudness
from archiver.wave.cue import Cue, CuePoint
from archiver.wave.ds64 import Ds64, Ds64Entry
from archiver.wave.fact import Fact
from archiver.wave.format import Extension, Format
from archiver.wave.info import Info, InfoEntry
from archiver.wave.ixml import Content, Location, Speed, SyncPoint, Track
from archiver.wave.md5 import Md5
from archiver.wave.subchunks import RawChunk

u16 = st.integers(0, 0xFFFF)
u32 = st.integers(0, 0xFFFFFFFF)
u64 = st.integers(0, (1 << 64) - 1)
i16 = st.integers(-0x8000, 0x7FFF)
text = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=40)
ascii_text = st.text(st.characters(min_codepoint=1, max_codepoint=126), max_size=8)
chunk_id = st.sampled_from([b"data", b"bext", b"PEAK", b"id3 ", b"_PMX", b"\x00\xff\x01x"])
info_id = st.sampled_from(["INAM", "IART", "ICMT", "ISFT", "IXYZ"])


def ascii_of(width: int) -> st.SearchStrategy[str]:
    return st.text(st.characters(min_codepoint=1, max_codepoint=126), max_size=width)


fact = st.builds(Fact, frames=u32, rest=st.binary(max_size=8))
md5 = st.builds(Md5, stored=st.binary(min_size=16, max_size=16))
axml = st.builds(Axml, document=st.binary(max_size=64))
ds64 = st.builds(
    Ds64,
    riff_bytes=u64,
    data_bytes=u64,
    frames=u64,
    table=st.lists(st.builds(Ds64Entry, chunk_id=chunk_id, size_bytes=u64), max_size=4).map(tuple),
    rest=st.binary(max_size=8),
)
extension = st.builds(
    Extension,
    extension_bytes=u16,
    valid_bits_per_sample=u16,
    channel_mask=u32,
    sub_format=st.binary(min_size=16, max_size=16),
)


@st.composite
def formats(draw: st.DrawFn) -> Format:
    extended = draw(st.booleans())
    numbers: dict[str, Any] = {
        field.name: draw(
            u32 if field.name in ("sample_rate_hz", "average_bytes_per_second") else u16
        )
        for field in dataclasses.fields(Format)
        if field.name not in ("extension", "rest", "format_tag")
    }
    tag = 0xFFFE if extended else draw(u16.filter(lambda value: value != 0xFFFE))
    return Format(
        format_tag=tag,
        extension=draw(extension) if extended else None,
        rest=draw(st.binary(max_size=20)),
        **numbers,
    )


loudness = st.builds(
    Loudness,
    loudness_value=i16,
    loudness_range=i16,
    max_true_peak_level=i16,
    max_momentary_loudness=i16,
    max_short_term_loudness=i16,
)


@st.composite
def bexts(draw: st.DrawFn) -> Bext:
    version = draw(st.sampled_from([0, 1, 2, 3, 65535]))
    texts: dict[str, Any] = {
        attribute: draw(ascii_of(width)) for attribute, (_, width) in TEXT_FIELDS.items()
    }
    reserved = {0: 254, 1: 190}.get(version, 180)
    return Bext(
        **texts,
        time_reference=draw(u64),
        version=version,
        umid=draw(st.binary(min_size=64, max_size=64)) if version else None,
        loudness=draw(loudness) if version >= 2 else None,
        reserved=draw(st.sampled_from([bytes(reserved), b"\7" * reserved])),
        coding_history=draw(ascii_of(80)),
    )


info_entry = st.builds(
    InfoEntry, id=info_id, text=text, tail=st.sampled_from([b"", b"\0", b"\0\0", b"\0 x"])
)
info = st.builds(Info, entries=st.lists(info_entry, max_size=5).map(tuple))
cue_point = st.builds(
    CuePoint,
    name=u32,
    sample_offset=u32,
    position=u32,
    chunk=chunk_id,
    chunk_start=u32,
    block_start=u32,
)
cue = st.builds(Cue, points=st.lists(cue_point, max_size=5).map(tuple), rest=st.binary(max_size=8))
stored_text = st.builds(StoredText, text=text, tail=st.sampled_from([b"", b"\0", b"\0\0\0"]))
raw_chunk = st.builds(
    lambda i, p: RawChunk(chunk_id=i, payload=p, pad=bytes(len(p) % 2)),
    chunk_id,
    st.binary(max_size=12),
)
cue_text = st.builds(CueText, kind=st.sampled_from([b"labl", b"note"]), cue=u32, text=stored_text)
cue_length = st.builds(
    CueLength,
    cue=u32,
    length_frames=u32,
    purpose=chunk_id,
    country=u16,
    language=u16,
    dialect=u16,
    code_page=u16,
    text=stored_text,
)
adtl = st.builds(
    Adtl,
    entries=st.lists(st.one_of(cue_text, cue_length, raw_chunk), max_size=5).map(tuple),
)

xml_text = st.text(
    st.characters(min_codepoint=0x20, exclude_categories=["Cs"], exclude_characters="\ufffe\uffff"),
    max_size=20,
).filter(lambda value: value == value.strip())
number = st.none() | st.integers(0, 10**9)
content = st.builds(
    Content,
    project=xml_text,
    scene=xml_text,
    take=xml_text,
    tape=xml_text,
    note=xml_text,
    file_uid=xml_text,
    take_type=xml_text,
    speed=st.none()
    | st.builds(
        Speed,
        note=xml_text,
        file_sample_rate_hz=number,
        audio_bit_depth=number,
        digitizer_sample_rate_hz=number,
        timestamp_frames=st.none() | st.integers(0, (1 << 63) - 1),
        timestamp_sample_rate_hz=number,
    ),
    original_filename=xml_text,
    parent_filename=xml_text,
    parent_uid=xml_text,
    total_files=number,
    family_uid=xml_text,
    family_name=xml_text,
    file_set_index=xml_text,
    tracks=st.lists(
        st.builds(
            Track,
            channel_index=st.integers(1, 64),
            interleave_index=st.integers(1, 64),
            name=xml_text,
            function=xml_text,
        ),
        max_size=3,
    ).map(tuple),
    sync_points=st.lists(
        st.builds(
            SyncPoint,
            comment=xml_text,
            frame=st.integers(0, (1 << 63) - 1),
            duration_frames=u32,
        ),
        max_size=3,
    ).map(tuple),
    location=st.none()
    | st.builds(
        Location, name=xml_text, gps=xml_text, altitude=xml_text, kind=xml_text, time=xml_text
    ),
    user=xml_text,
)
