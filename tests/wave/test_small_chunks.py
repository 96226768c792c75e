"""``LIST``, ``cue ``, ``MD5 ``, ``ds64``, iXML and axml: rules beside the round trip."""

from __future__ import annotations

import hashlib
import struct

import pytest

from archiver.errors import InputError
from archiver.wave import adtl, axml, cue, ds64, info, ixml, md5
from archiver.wave.adtl import Adtl, CueText, StoredText
from archiver.wave.axml import Axml
from archiver.wave.cue import Cue, CuePoint
from archiver.wave.info import Info, InfoEntry
from archiver.wave.layout import Field, Layout
from archiver.wave.md5 import ByteOrder, Md5
from archiver.wave.subchunks import MOST, RawChunk, id_text, split
from archiver.wave.text import Charset

# RFC 1321, A.5: the digest of "abc".
ABC = "900150983cd24fb0d6963f7d28e17f72"


def test_a_layout_with_a_gap_cannot_be_made() -> None:
    with pytest.raises(ValueError, match="offset 3, not 2"):
        Layout(
            "x",
            [
                Field(name="a", offset=0, code="H", clause=""),
                Field(name="b", offset=3, code="H", clause=""),
            ],
        )


# RIFF 1991, chapter 2: a ZSTR counts its NUL, an odd payload is padded, the list type counts.
def test_an_info_text_stands_as_the_standard_says() -> None:
    record = Info(entries=(InfoEntry(id="INAM", text="ab"), InfoEntry(id="ICMT", text="abc")))
    assert info.encode(record) == (b"INFO" + b"INAM\x03\0\0\0ab\0\0" + b"ICMT\x04\0\0\0abc\0")


@pytest.mark.parametrize(
    ("stored", "charset"),
    [(b"\xc3\xa6", Charset.UTF_8), (b"\xe6", Charset.LATIN_1), (b"a", Charset.ASCII)],
)
def test_the_character_set_of_an_info_text_is_told(stored: bytes, charset: Charset) -> None:
    payload = (
        b"INFO" + b"INAM" + struct.pack("<I", len(stored)) + stored + b"\0" * (len(stored) % 2)
    )
    (entry,) = info.decode(payload).entries
    assert entry.charset is charset
    assert info.encode(info.decode(payload)) == payload


def test_a_missing_pad_byte_inside_a_list_does_not_lose_the_next_text() -> None:
    payload = b"INFO" + b"INAM\x03\0\0\0ab\0" + b"IART\x02\0\0\0x\0"
    record = info.decode(payload)
    assert record.get("IART") == "x"
    assert info.encode(record) == payload


def test_a_cut_list_keeps_what_is_left() -> None:
    payload = b"INFO" + b"INAM\x02\0\0\0a\0" + b"IART\xff\0\0\0abc"
    record = info.decode(payload)
    assert record.get("INAM") == "a"
    assert record.rest == b"IART\xff\0\0\0abc"


def test_a_list_of_another_type_is_refused() -> None:
    with pytest.raises(InputError, match="list type"):
        info.decode(b"wavl")
    with pytest.raises(InputError, match="list type"):
        adtl.decode(b"INFO")


def test_merging_keeps_existing_texts_and_adds_absent_ones() -> None:
    theirs = Info(entries=(InfoEntry(id="INAM", text="Old"), InfoEntry(id="ICMT", text="")))
    ours = Info(
        entries=(
            InfoEntry(id="INAM", text="New"),
            InfoEntry(id="ICMT", text="note"),
            InfoEntry(id="IARL", text="DK, LHM"),
        )
    )
    merged, kept = info.merge(theirs, ours)
    assert [(e.id, e.text) for e in merged.entries] == [
        ("INAM", "Old"),
        ("ICMT", "note"),
        ("IARL", "DK, LHM"),
    ]
    assert kept == ("INAM",)


def test_a_hostile_list_is_told_apart_in_bounds() -> None:
    payload = b"INFO" + b"IXYZ\0\0\0\0" * (MOST + 5)
    chunks, rest = split(payload, 4)
    assert len(chunks) == MOST
    assert len(rest) == 40


# RIFF 1991, chapter 3: a cue point has 24 bytes; a mark in one data chunk counts in frames.
def test_a_cue_point_stands_as_the_standard_says() -> None:
    payload = cue.encode(Cue(points=(CuePoint(name=1, sample_offset=4800),)))
    assert payload == struct.pack("<IIIIIII", 1, 1, 4800, 0x61746164, 0, 0, 4800)


def test_a_mark_beyond_32_bits_is_refused() -> None:
    with pytest.raises(ValueError, match="32 bits"):
        CuePoint(name=1, sample_offset=1 << 32)


@pytest.mark.parametrize("payload", [b"", b"\1\0\0\0", b"\xff\xff\xff\xff" + bytes(48)])
def test_a_cue_chunk_shorter_than_its_count_is_refused(payload: bytes) -> None:
    with pytest.raises(InputError, match=r"ends after|counts"):
        cue.decode(payload)


def test_labels_are_found_by_cue_point() -> None:
    record = Adtl(
        entries=(
            CueText(kind=b"note", cue=1, text=StoredText(text="crackle")),
            CueText(kind=b"labl", cue=1, text=StoredText(text="announcement")),
        )
    )
    assert record.label(1) == "announcement"
    assert record.label(2) is None


def test_an_md5_in_either_byte_order_agrees() -> None:
    digest = hashlib.md5(b"abc", usedforsecurity=False).digest()
    assert digest.hex() == ABC
    assert md5.agreement(Md5(stored=digest), digest) is ByteOrder.DIGEST
    assert md5.agreement(Md5(stored=digest[::-1]), digest) is ByteOrder.REVERSED
    assert md5.agreement(Md5(stored=bytes(16)), digest) is None


@pytest.mark.parametrize("length", [0, 15, 17, 32])
def test_an_md5_of_another_length_is_refused(length: int) -> None:
    with pytest.raises(InputError, match=f"{length} bytes"):
        md5.decode(bytes(length))


def test_a_ds64_whose_table_does_not_fit_is_refused() -> None:
    with pytest.raises(InputError, match="tableLength"):
        ds64.decode(struct.pack("<QQQI", 1, 2, 3, 1))


def test_a_chunk_id_is_written_for_people() -> None:
    assert id_text(b"fmt ") == "fmt"
    assert id_text(b"\0\xffab") == "\\x00\\xffab"
    assert id_text(b"    ") == "(blank)"


def test_a_pad_byte_needs_an_odd_payload() -> None:
    with pytest.raises(ValueError, match="pad"):
        RawChunk(chunk_id=b"abcd", payload=b"12", pad=b"\0")


BOMB = (
    b'<!DOCTYPE BWFXML [<!ENTITY a "ha">'
    + b"".join(b'<!ENTITY %c "%s">' % (98 + n, b"&%c;" % (97 + n) * 9) for n in range(12))
    + b"]><BWFXML>&m;</BWFXML>"
)


@pytest.mark.parametrize(
    "document",
    [
        BOMB,
        b'<!DOCTYPE x SYSTEM "file:///etc/hostname"><BWFXML/>',
        b'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]><BWFXML>&e;</BWFXML>',
        b'<!DOCTYPE x [<!ENTITY % e SYSTEM "http://localhost/x"> %e;]><BWFXML/>',
        b"<BWFXML>" + b"<a>" * 100_000 + b"</a>" * 100_000 + b"</BWFXML>",
        b"<OTHER/>",
        b"<BWFXML>",
        b"",
        b"<BWFXML/>" + b" " * 20 + b"x",
    ],
)
def test_dangerous_and_broken_ixml_is_refused(document: bytes) -> None:
    with pytest.raises(InputError):
        ixml.decode(document)


def test_too_long_an_xml_document_is_refused_before_parsing() -> None:
    with pytest.raises(InputError, match="bytes"):
        ixml.decode(b"<BWFXML>" + b"a" * (1 << 22) + b"</BWFXML>")


def test_axml_may_be_fragments_but_only_one_document_is_parsed() -> None:
    fragments = b"<a/><b/>"
    assert axml.encode(axml.decode(fragments)) == fragments
    with pytest.raises(InputError):
        axml.root_of(Axml(document=fragments))
    assert axml.root_of(Axml(document=b"\0<a/> \0")).tag == "a"


def test_ixml_keeps_every_byte_of_the_capture_and_adds_what_it_lacks() -> None:
    theirs = ixml.decode(
        b"<?xml version='1.0' encoding='ISO-8859-1'?>\r\n<BWFXML>\r\n"
        b"<PROJECT>Gr\xf8d</PROJECT></BWFXML >\0\0"
    )
    ours = ixml.build(ixml.Content(project="Other", note="Blåbær & grød"))
    merged, added = ixml.merge(theirs, ours)
    assert added == ("NOTE",)
    assert merged.document.startswith(theirs.document[:-10])
    assert merged.tail == b"\0\0"
    assert ixml.content(merged).project == "Grød"
    assert ixml.content(merged).note == "Blåbær & grød"


@pytest.mark.parametrize(
    "document",
    [
        "<BWFXML><TAKE>1</TAKE></BWFXML>".encode("utf-16"),
        b"<BWFXML/>",
        b"<BWFXML><TAKE>1</TAKE></BWFXML><!-- </BWFXML> -->",
    ],
)
def test_ixml_that_cannot_be_added_to_is_kept_as_it_is(document: bytes) -> None:
    theirs = ixml.decode(document)
    assert ixml.merge(theirs, ixml.build(ixml.Content(note="x"))) == (theirs, ())


def test_leaves_are_listed_with_their_path() -> None:
    built = ixml.build(
        ixml.Content(
            take="t01", tracks=(ixml.Track(channel_index=1, interleave_index=1, name="h"),)
        )
    )
    found = dict(ixml.leaves(built))
    assert found["TAKE"] == "t01"
    assert found["TRACK_LIST/TRACK/NAME"] == "h"


def test_characters_that_xml_forbids_are_replaced() -> None:
    built = ixml.build(ixml.Content(note="a\x0bb"))
    assert ixml.content(built).note == "a\ufffdb"
