"""Access copies and institution profiles in whole bags; judges: libsndfile, mutagen, lxml."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import lxml.etree
import mutagen.flac
import mutagen.oggopus
import numpy as np
import pytest
import soundfile

from archiver.errors import MisuseError
from archiver.pipeline.archive import Archived, archive_session
from archiver.pipeline.check import check_session
from archiver.pipeline.export import export_documents
from tests.pipeline.making import (
    make_session,
    make_session_with_machine,
    snapshot,
    sound,
    take,
    write_sheet,
    write_take,
)
from tests.pipeline.test_archive import codes, pinned

BOTH = ["flac", "opus"]


def archived(folder: Path, to: Path, **options: Any) -> Archived:
    outcome = archive_session(folder, to, **options)
    assert outcome.bag is not None, [str(f) for f in outcome.findings]
    return outcome


def bag_of(outcome: Archived) -> Path:
    assert outcome.bag is not None
    return outcome.bag


def run_record(bag: Path) -> dict[str, Any]:
    record: dict[str, Any] = json.loads((bag / "metadata/archiving.json").read_text("utf-8"))
    return record


def parsed(path: Path) -> Any:
    return lxml.etree.parse(path).getroot()


def found(element: Any, path: str) -> list[Any]:
    nodes: list[Any] = element.xpath(path, namespaces={"p": "http://www.loc.gov/premis/v3"})
    return nodes


def profile(folder: Path, *lines: str) -> None:
    text = "\n".join(("schema: institution 1", "name: Egeskov", *lines))
    (folder / "institution.yaml").write_text(text + "\n", encoding="utf-8")


def test_copies_hold_the_sound_of_the_masters(tmp_path: Path) -> None:
    """Judge: libsndfile; of Opus, which is lossy, length and level are compared.

    The takes are white noise, of which Opus keeps what lies below 20 kHz (RFC 6716, 2).
    """
    folder = make_session_with_machine(tmp_path / "s")
    outcome = archived(folder, tmp_path / "archive", access=BOTH)
    bag = bag_of(outcome)
    for done in outcome.takes:
        flac, opus = (bag / copy.stored.path for copy in done.copies)
        assert {flac.stem, opus.stem} == {Path(done.stored.path).stem}
        kept, rate = soundfile.read(bag / done.stored.path, dtype="int32")
        came, flac_rate = soundfile.read(flac, dtype="int32")
        assert rate == flac_rate
        assert np.array_equal(kept, came)
        lossy, opus_rate = soundfile.read(opus)
        assert abs(len(lossy) / opus_rate - len(kept) / rate) < 0.001
        level = np.sqrt(np.mean((kept / 2**31) ** 2))
        below = np.sqrt(20_000 / (rate / 2))
        assert np.sqrt(np.mean(lossy**2)) == pytest.approx(level * below, rel=0.02)


def test_copies_carry_the_cover_and_the_measured_loudness(tmp_path: Path) -> None:
    folder = make_session_with_machine(tmp_path / "s")
    outcome = archived(folder, tmp_path / "archive", access=BOTH)
    done = next(one for one in outcome.takes if one.measured.integrated_lufs is not None)
    flac, opus = (bag_of(outcome) / copy.stored.path for copy in done.copies)
    lufs = done.measured.integrated_lufs
    assert lufs is not None
    opened: Any = mutagen.flac.FLAC(flac)  # type: ignore[no-untyped-call]
    assert float(opened["replaygain_track_gain"][0].split()[0]) == round(-18 - lufs, 2)
    session = outcome.report.session
    assert session is not None
    assert opened["take"] == [f"{session.identifier}_{done.take.id}"]
    listening: Any = mutagen.oggopus.OggOpus(opus)  # type: ignore[no-untyped-call]
    assert int(listening["r128_track_gain"][0]) == round(256 * (-23 - lufs))
    pictures = {path.read_bytes() for path in (folder / "photographs").iterdir()}
    assert opened.pictures[0].data in pictures


def test_every_document_names_the_copies_and_what_they_were_made_from(tmp_path: Path) -> None:
    bag = bag_of(archived(make_session(tmp_path / "s"), tmp_path / "a", access=["flac"]))
    path, master = "data/access/trial-1_t1.flac", "data/masters/trial-1_t1.wav"
    premis = parsed(bag / "metadata/premis.xml")
    (file,) = found(premis, f"//p:object[p:objectIdentifier/*[text()='{path}']]")
    derivation = "p:relationship[p:relationshipType='derivation']"
    assert found(file, f"{derivation}//p:relatedObjectIdentifierValue/text()") == [master]
    event = f"//p:event[p:linkingObjectIdentifier/*[text()='{path}']]"
    assert "creation" in found(premis, f"{event}/p:eventType/text()")
    mets = parsed(bag / "metadata/mets.xml")
    links = found(mets, "//*[local-name()='fileGrp'][@USE='access']//@*[local-name()='href']")
    assert links == [f"../{path}"]
    ebucore = parsed(bag / "metadata/ebucore.xml")
    names = found(ebucore, "//*[local-name()='fileName']/text()")
    assert names == ["trial-1_t1.wav", "trial-1_t1.flac"]
    crate = json.loads((bag / "data/ro-crate-metadata.json").read_text("utf-8"))["@graph"]
    (entity,) = [one for one in crate if one["@id"] == "access/trial-1_t1.flac"]
    assert entity["isBasedOn"] == {"@id": "masters/trial-1_t1.wav"}
    assert "data/access" in (bag / "READ-ME.txt").read_text("utf-8")
    (entry,) = [one for one in run_record(bag)["payload"] if one["file"] == path]
    assert entry == {"file": path, "take": "t1", "derived_from": master}


def test_a_capture_of_two_takes_has_one_copy_that_belongs_to_both(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    shared = [
        take("t1", "takes/t.wav", begins="0 s", ends="1 s"),
        take("t2", "takes/t.wav", begins="1 s", ends="2 s"),
    ]
    write_sheet(folder, shared)
    write_take(folder / "takes/t.wav", sound(2))
    bag = bag_of(archived(folder, tmp_path / "a", access=["flac"]))
    path = "data/access/trial-1_t1-t2.flac"
    assert (bag / path).is_file()
    premis = parsed(bag / "metadata/premis.xml")
    (file,) = found(premis, f"//p:object[p:objectIdentifier/*[text()='{path}']]")
    structural = "p:relationship[p:relationshipType='structural']"
    assert found(file, f"{structural}//p:relatedObjectIdentifierValue/text()") == [
        "trial-1_t1",
        "trial-1_t2",
    ]
    assert {one.same for one in export_documents(bag, tmp_path / "out").documents} == {True}


def test_without_being_asked_no_copies_are_made(tmp_path: Path) -> None:
    bag = bag_of(archived(make_session(tmp_path / "s"), tmp_path / "a"))
    assert not (bag / "data/access").exists()
    assert "data/access" not in (bag / "READ-ME.txt").read_text("utf-8")


def test_two_runs_with_the_time_pinned_give_the_same_copies(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s", takes=2)
    with pinned():
        bags = [bag_of(archived(folder, tmp_path / name, access=BOTH)) for name in ("a", "b")]
    one, two = ({name: raw for name, (_, raw) in snapshot(bag).items()} for bag in bags)
    assert one == two
    assert len([name for name in one if Path(name).suffix in {".flac", ".opus"}]) == 4


def test_sound_that_a_coding_cannot_hold_gets_a_warning_and_the_other_copy(
    tmp_path: Path,
) -> None:
    """FLAC has no floating-point samples (RFC 9639, 5)."""
    folder = tmp_path / "s"
    write_sheet(
        folder,
        [take("t1", "takes/t1.wav")],
        edit=lambda text: text.replace("bit_depth: 24", "bit_depth: 32"),
    )
    write_take(folder / "takes/t1.wav", sound(1), subtype="FLOAT")
    outcome = archived(folder, tmp_path / "a", access=BOTH)
    assert [copy.kind for copy in outcome.takes[0].copies] == ["opus"]
    assert "access-copy-not-made" in codes(outcome)


def test_a_profile_in_the_session_folder_is_obeyed_and_kept(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    profile(
        folder,
        "documents: [premis, ebucore]",
        "digests: [sha512]",
        "access: [opus]",
        'file_name: "{code}_{date}_{number}"',
        "serialisation: tar",
    )
    bag = bag_of(archived(folder, tmp_path / "a"))
    kept = {path.relative_to(bag).as_posix() for path in bag.rglob("*") if path.is_file()}
    assert "data/masters/mfl_2026-05-03_001.wav" in kept
    assert "data/access/mfl_2026-05-03_001.opus" in kept
    assert "manifest-sha512.txt" in kept
    assert "manifest-sha256.txt" not in kept
    assert {"metadata/premis.xml", "metadata/ebucore.xml"} <= kept
    left_out = {"metadata/mets.xml", "metadata/datacite.json", "data/ro-crate-metadata.json"}
    assert not left_out & kept
    assert "data/documents/institution.yaml" in kept
    record = run_record(bag)
    assert (record["institution"], record["serialisation"]) == ("Egeskov", "tar")
    assert record["documents"] == ["premis", "ebucore"]
    assert "METS" not in (bag / "READ-ME.txt").read_text("utf-8")


def test_options_go_before_the_profile(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    profile(folder, "digests: [sha512]", "access: [opus]")
    bag = bag_of(archived(folder, tmp_path / "a", algorithms=["md5"], access=[]))
    assert (bag / "manifest-md5.txt").is_file()
    # Added, not put in its place: the institution would refuse the bag.
    assert (bag / "manifest-sha512.txt").is_file()
    assert not (bag / "manifest-sha256.txt").exists()
    assert not (bag / "data/access").exists()


def test_a_faulty_profile_stops_the_deposit_at_its_line(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    profile(folder, "digests: [sha3]")
    outcome = archive_session(folder, tmp_path / "a")
    assert outcome.bag is None
    (finding,) = [f for f in outcome.findings if f.where.file == "institution.yaml"]
    assert (finding.where.line, finding.where.field) == (3, "digests[0]")
    assert finding in check_session(folder).findings
    assert not (tmp_path / "a").exists()


def test_an_unknown_kind_of_copy_is_misuse(tmp_path: Path) -> None:
    with pytest.raises(MisuseError, match="flac, opus"):
        archive_session(make_session(tmp_path / "s"), tmp_path / "a", access=["mp3"])
