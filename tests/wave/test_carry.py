"""What a capture brings along and what is added: the merging rules, one by one."""

from __future__ import annotations

import dataclasses
import hashlib
from pathlib import Path

import pytest
from hypothesis import example, given

from archiver.wave import bext as bext_chunk
from archiver.wave import ixml
from archiver.wave.adtl import Adtl, CueText, StoredText
from archiver.wave.axml import Axml
from archiver.wave.bext import Bext, Loudness, decode, encode
from archiver.wave.capture import open_capture
from archiver.wave.carry import carry, check_md5, merge_bext
from archiver.wave.cue import Cue, CuePoint
from archiver.wave.existing import NOTHING, Existing
from archiver.wave.info import Info, InfoEntry
from archiver.wave.master import MasterChunks
from archiver.wave.md5 import Md5
from archiver.wave.subchunks import RawChunk
from tests.wave import build, strategies
from tests.wave.making import BEXT, make_master, sample_bytes
from tests.wave.test_master import plain_format

OURS = MasterChunks(
    format=plain_format(),
    bext=BEXT,
    info=Info(entries=(InfoEntry(id="INAM", text="New"), InfoEntry(id="IARL", text="DK, LHM"))),
    ixml=ixml.build(ixml.Content(project="Ours", note="ours")),
    axml=Axml(document=b"<ours/>"),
)


def codes(existing: Existing, ours: MasterChunks = OURS) -> list[str]:
    return [finding.code for finding in carry(existing, ours, "take.wav").findings]


def test_a_capture_that_brings_nothing_changes_nothing() -> None:
    carried = carry(NOTHING, OURS, "take.wav")
    assert carried.chunks == OURS
    assert carried.findings == ()


def test_filled_bext_fields_are_kept_and_empty_ones_are_filled() -> None:
    theirs = Bext(
        description="Reel 7",
        originator="Field recorder",
        time_reference=77,
        version=1,
        coding_history="A=PCM,F=48000\r\n",
    )
    merged, kept = merge_bext(theirs, BEXT)
    assert (merged.description, merged.originator) == ("Reel 7", "Field recorder")
    assert merged.originator_reference == BEXT.originator_reference
    assert merged.time_reference == 77
    assert merged.umid == BEXT.umid
    assert merged.version == 2
    assert merged.coding_history == theirs.coding_history + BEXT.coding_history
    assert kept == ("Description", "Originator", "TimeReference")


@pytest.mark.parametrize("date", ["", "0000-00-00", "    -  -  ", "----------"])
def test_a_date_of_zeros_or_blanks_counts_as_empty(date: str) -> None:
    merged, _ = merge_bext(Bext(origination_date=date, origination_time="00:00:00"), BEXT)
    assert merged.origination_date == BEXT.origination_date
    assert merged.origination_time == BEXT.origination_time


def test_midnight_beside_a_date_is_a_time_and_is_kept() -> None:
    theirs = Bext(origination_date="2026-04-17", origination_time="00:00:00")
    merged, kept = merge_bext(theirs, BEXT)
    assert merged.origination_time == "00:00:00"
    assert kept == ("OriginationDate", "OriginationTime")


@given(strategies.bexts())
@example(Bext(version=0, coding_history=" "))
@example(Bext(originator_reference="\r"))
def test_merging_with_an_empty_bext_changes_no_field(theirs: Bext) -> None:
    merged, kept = merge_bext(theirs, Bext(version=0))
    assert merged == theirs
    assert kept == ()


@given(strategies.bexts(), strategies.bexts())
def test_any_two_merge_into_one_that_can_be_written(theirs: Bext, ours: Bext) -> None:
    merged, _ = merge_bext(theirs, ours)
    assert decode(encode(merged)) == merged
    assert merged.version == max(theirs.version, ours.version)


def test_text_that_is_not_ascii_is_kept_with_its_bytes() -> None:
    payload = b"Bl\xe5b\xe6r\0old".ljust(602, b"\0") + b"A=PCM,T=Bl\xc3\xa5b\xc3\xa6r\0\0"
    merged, _ = merge_bext(decode(payload), BEXT)
    stored = encode(merged)
    assert stored[:10] == b"Bl\xe5b\xe6r\0old"
    assert stored[602:] == b"A=PCM,T=Bl\xc3\xa5b\xc3\xa6r\r\n" + BEXT.coding_history.encode()


def test_a_capture_of_version_0_gets_the_later_fields_of_ours() -> None:
    theirs = Bext(version=0, description="x", reserved=b"\1" * 254)
    merged, _ = merge_bext(theirs, BEXT)
    assert merged.umid == BEXT.umid
    assert merged.reserved == b"\1" * 180


def test_loudness_fields_are_filled_each_for_itself() -> None:
    theirs = Bext(loudness=Loudness(loudness_value=-2300))
    ours = dataclasses.replace(BEXT, loudness=Loudness.measured(loudness_lufs=-23.05, range_lu=5.0))
    merged, kept = merge_bext(theirs, ours)
    assert merged.loudness == Loudness(loudness_value=-2300, loudness_range=500)
    assert kept == ("LoudnessValue",)


def test_loudness_of_all_zeros_was_never_filled() -> None:
    zeros = Loudness(**dict.fromkeys(bext_chunk.LOUDNESS_FIELDS, 0))
    ours = dataclasses.replace(BEXT, loudness=Loudness.measured(loudness_lufs=-23.0))
    merged, kept = merge_bext(Bext(loudness=zeros), ours)
    assert merged.loudness == ours.loudness
    assert kept == ()


# EBU Tech 3341: meters agree within a tenth of a unit.
@pytest.mark.parametrize(("measured", "found"), [(-23.1, []), (-23.11, ["disagrees"])])
def test_a_stated_loudness_is_compared_with_the_measured_one(
    measured: float, found: list[str]
) -> None:
    existing = Existing(bext=Bext(loudness=Loudness(loudness_value=-2300)))
    ours = dataclasses.replace(
        OURS, bext=dataclasses.replace(BEXT, loudness=Loudness.measured(loudness_lufs=measured))
    )
    assert [c.rsplit("-", 1)[1] for c in codes(existing, ours) if "loudness" in c] == found


def test_what_is_kept_is_told_with_both_texts() -> None:
    existing = Existing(bext=Bext(originator="Field recorder", coding_history="A=PCM"))
    findings = carry(existing, OURS, "take.wav").findings
    assert [finding.code for finding in findings] == [
        "master-field-kept",
        "master-history-line-ended",
    ]
    assert "'Field recorder'" in findings[0].message
    assert "'DK, LHM'" in findings[0].message
    assert str(findings[0].where) == "take.wav, Originator"


def test_info_texts_are_kept_and_absent_ones_are_added() -> None:
    existing = Existing(info=Info(entries=(InfoEntry(id="INAM", text="Old"),)))
    carried = carry(existing, OURS, "take.wav")
    assert carried.chunks.info is not None
    assert carried.chunks.info.get("INAM") == "Old"
    assert carried.chunks.info.get("IARL") == "DK, LHM"
    assert [finding.code for finding in carried.findings] == ["master-field-kept"]


def test_ixml_is_kept_and_what_it_lacks_is_added() -> None:
    existing = Existing(ixml=ixml.decode(b"<BWFXML><PROJECT>Theirs</PROJECT></BWFXML>"))
    carried = carry(existing, OURS, "take.wav")
    assert carried.chunks.ixml is not None
    content = ixml.content(carried.chunks.ixml)
    assert (content.project, content.note) == ("Theirs", "ours")
    assert "NOTE" in carried.findings[0].message


def test_ixml_that_contradicts_fmt_or_bext_is_told() -> None:
    document = (
        b"<BWFXML><SPEED><FILE_SAMPLE_RATE>48000</FILE_SAMPLE_RATE>"
        b"<AUDIO_BIT_DEPTH>24</AUDIO_BIT_DEPTH></SPEED>"
        b"<BEXT><BWF_ORIGINATOR>X</BWF_ORIGINATOR><BWF_DESCRIPTION/></BEXT></BWFXML>"
    )
    existing = Existing(ixml=ixml.decode(document), bext=Bext(originator="Y"))
    told = [
        finding.message
        for finding in carry(existing, OURS, "take.wav").findings
        if finding.code == "capture-ixml-differs"
    ]
    assert told == ["FILE_SAMPLE_RATE says 48000, fmt 96000", "BWF_ORIGINATOR says 'X', bext 'Y'"]


def test_axml_is_kept_and_ours_is_left_out() -> None:
    existing = Existing(axml=Axml(document=b"<theirs/>"))
    carried = carry(existing, OURS, "take.wav")
    assert carried.chunks.axml == existing.axml
    assert [finding.code for finding in carried.findings] == ["master-axml-kept"]


def test_our_marks_are_added_under_free_numbers() -> None:
    existing = Existing(
        cue=Cue(points=(CuePoint(name=1, sample_offset=10), CuePoint(name=3, sample_offset=30))),
        adtl=Adtl(
            entries=(
                CueText(kind=b"labl", cue=1, text=StoredText(text="one")),
                CueText(kind=b"note", cue=1, text=StoredText(text="first")),
            )
        ),
    )
    ours = dataclasses.replace(
        OURS,
        cue=Cue(points=(CuePoint(name=1, sample_offset=20), CuePoint(name=2, sample_offset=40))),
        adtl=Adtl(
            entries=(
                CueText(kind=b"labl", cue=1, text=StoredText(text="two")),
                CueText(kind=b"labl", cue=2, text=StoredText(text="four")),
            )
        ),
    )
    chunks = carry(existing, ours, "take.wav").chunks
    assert chunks.cue is not None
    assert [(p.name, p.sample_offset) for p in chunks.cue.points] == [
        (1, 10),
        (3, 30),
        (2, 20),
        (4, 40),
    ]
    assert chunks.adtl is not None
    assert [chunks.adtl.label(n) for n in (1, 2, 4)] == ["one", "two", "four"]
    kinds = [entry.kind for entry in chunks.adtl.entries if isinstance(entry, CueText)]
    assert kinds == [b"labl", b"labl", b"labl", b"note"]


@pytest.mark.parametrize(
    ("kind", "member"), [(b"iXML", "ixml"), (b"INFO", "info"), (b"cue ", "cue")]
)
def test_ours_does_not_stand_beside_a_broken_chunk_of_its_kind(kind: bytes, member: str) -> None:
    raw = RawChunk(chunk_id=b"iXML", payload=b"<")
    existing = Existing(before=(raw,), withheld=frozenset({kind}))
    ours = dataclasses.replace(OURS, cue=Cue(points=(CuePoint(name=1, sample_offset=0),)))
    chunks = carry(existing, ours, "take.wav").chunks
    assert getattr(chunks, member) is None
    assert chunks.carried_before == (raw,)


def test_a_stale_digest_is_found_and_either_byte_order_agrees() -> None:
    digest = hashlib.md5(b"abc", usedforsecurity=False).digest()
    assert check_md5(NOTHING, digest, "take.wav") is None
    assert check_md5(Existing(md5=Md5(stored=digest)), digest, "take.wav") is None
    assert check_md5(Existing(md5=Md5(stored=digest[::-1])), digest, "take.wav") is None
    finding = check_md5(Existing(md5=Md5(stored=bytes(16))), digest, "take.wav")
    assert finding is not None
    assert finding.code == "capture-md5-disagrees"
    assert digest.hex() in finding.message


def test_a_capture_with_chunks_becomes_a_master_that_holds_them(tmp_path: Path) -> None:
    before = build.chunk(b"PEAK", b"abc", pad=False) + b"\x07"
    after = build.chunk(b"id3 ", b"ID3\4")
    theirs = Bext(description="Reel 7", version=1, coding_history="A=PCM,F=48000\r\n")
    content = build.riff(
        build.chunk(b"bext", encode(theirs)),
        build.fmt(),
        before,
        build.chunk(b"data", bytes(range(100))),
        after,
        build.chunk(b"MD5 ", bytes(16)),
    )
    source = build.put(tmp_path, content)
    make_master(source, tmp_path / "m.wav")
    stored = (tmp_path / "m.wav").read_bytes()
    assert before in stored
    assert stored.endswith(after)
    assert sample_bytes(tmp_path / "m.wav") == bytes(range(100))
    with open_capture(tmp_path / "m.wav", "m.wav") as master:
        assert master.bext is not None
        assert master.bext.description == "Reel 7"
        assert master.bext.coding_history.startswith(theirs.coding_history)


def test_a_master_of_a_master_adds_history_and_nothing_else(tmp_path: Path) -> None:
    source = build.put(tmp_path, build.wave(bytes(100)))
    make_master(source, tmp_path / "first.wav")
    make_master(tmp_path / "first.wav", tmp_path / "second.wav", bext=Bext(version=0))
    assert (tmp_path / "first.wav").read_bytes() == (tmp_path / "second.wav").read_bytes()
