"""A capture that holds several takes: one master, a mark for each take, nothing split."""

from __future__ import annotations

import io
import json
from pathlib import Path

import av
import lxml.etree
import numpy as np
import soundfile

from archiver.describe.places import EBUCORE
from archiver.pipeline.archive import archive_session
from archiver.pipeline.check import check_session
from tests.describe.official import complaints
from tests.pipeline.making import RATE_HZ, sound, take, write_sheet, write_take


def shared(folder: Path, *spans: tuple[str, str]) -> Path:
    write_sheet(
        folder,
        [
            take(f"t{n}", "takes/long.wav", title=f"Part {n}", begins=begin, ends=end)
            for n, (begin, end) in enumerate(spans, start=1)
        ],
    )
    write_take(folder / "takes/long.wav", sound(6))
    return folder


def test_two_takes_of_one_capture_become_one_master_with_a_mark_each(tmp_path: Path) -> None:
    """Judge: FFmpeg's libraries show cue points with their labels as chapters."""
    folder = shared(tmp_path / "s", ("0.5 s", "2 s"), ("0:03", "5.25 s"))
    outcome = archive_session(folder, tmp_path / "archive")
    assert outcome.bag is not None, [str(f) for f in outcome.findings]
    (done,) = outcome.takes
    assert done.stored.path == "data/masters/trial-1_t1-t2.wav"
    master = outcome.bag / done.stored.path
    kept, _ = soundfile.read(master, dtype="int32")
    came, _ = soundfile.read(folder / "takes/long.wav", dtype="int32")
    assert np.array_equal(kept, came)
    with av.open(str(master)) as container:
        chapters = [
            (c["start"] * (c["time_base"] or 0), c["metadata"]["title"])
            for c in container.chapters()
        ]
        assert container.metadata["originator_reference"] == "trial-1_t1-t2"
    assert chapters == [(0.5, "t1: Part 1"), (3.0, "t2: Part 2")]


def test_ixml_and_ebucore_tell_where_each_take_lies(tmp_path: Path, official_schemas: Path) -> None:
    """Judge: the official EBUCore schema."""
    folder = shared(tmp_path / "s", ("0.5 s", "2 s"), ("0:03", "5.25 s"))
    outcome = archive_session(folder, tmp_path / "archive")
    assert outcome.bag is not None
    raw = (outcome.bag / outcome.takes[0].stored.path).read_bytes()
    found = {}
    for name in (b"iXML", b"axml"):
        at = raw.index(name)
        size = int.from_bytes(raw[at + 4 : at + 8], "little")
        found[name] = lxml.etree.parse(io.BytesIO(raw[at + 8 : at + 8 + size].rstrip(b"\0")))
    points = found[b"iXML"].findall(".//SYNC_POINT")
    assert [int(p.findtext("SYNC_POINT_LOW") or "") for p in points] == [RATE_HZ // 2, 3 * RATE_HZ]
    assert [int(p.findtext("SYNC_POINT_EVENT_DURATION") or "") for p in points] == [
        RATE_HZ * 3 // 2,
        RATE_HZ * 9 // 4,
    ]
    spaces = {"e": "urn:ebu:metadata-schema:ebucore"}
    starts = found[b"axml"].findall(".//e:part/e:partStartTime/e:editUnitNumber", spaces)
    assert [int(s.text or "") for s in starts] == [RATE_HZ // 2, 3 * RATE_HZ]
    assert not complaints(official_schemas, EBUCORE, lxml.etree.tostring(found[b"axml"]))


def test_every_take_of_the_capture_points_to_its_master(tmp_path: Path) -> None:
    folder = shared(tmp_path / "s", ("0.5 s", "2 s"), ("0:03", "5.25 s"))
    outcome = archive_session(folder, tmp_path / "archive")
    assert outcome.bag is not None
    mets = lxml.etree.parse(str(outcome.bag / "metadata/mets.xml"))
    spaces = {"m": "http://www.loc.gov/METS/"}
    divisions = mets.findall(".//m:div[@TYPE='take']", spaces)
    assert len(divisions) == 2
    assert all(division.findall("m:fptr", spaces) for division in divisions)
    run = json.loads((outcome.bag / "metadata/archiving.json").read_text(encoding="utf-8"))
    assert run["masters"][0]["takes"] == ["t1", "t2"]


def codes(folder: Path) -> set[str]:
    return {finding.code for finding in check_session(folder).findings}


def test_takes_of_one_capture_must_not_overlap(tmp_path: Path) -> None:
    assert "take-spans-overlap" in codes(shared(tmp_path / "s", ("0 s", "2 s"), ("1 s", "3 s")))


def test_a_position_behind_the_end_of_the_capture_is_told(tmp_path: Path) -> None:
    assert "take-span-wrong" in codes(shared(tmp_path / "s", ("0 s", "2 s"), ("3 s", "7 s")))


def test_a_take_that_ends_before_it_begins_is_told(tmp_path: Path) -> None:
    assert "take-span-wrong" in codes(shared(tmp_path / "s", ("2 s", "1 s")))


def test_two_takes_of_one_file_without_positions_are_an_error(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    write_sheet(folder, [take("t1", "takes/a.wav"), take("t2", "takes/a.wav")])
    write_take(folder / "takes/a.wav", sound(1))
    assert "take-file-shared" in codes(folder)
