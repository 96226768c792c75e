"""What verification says of masters that were damaged in known ways.

The truth of each case is the damage done; the block that must be named follows from it by
arithmetic. Bags are made with the code under test and checked by the bagit library.
"""

from __future__ import annotations

import errno
import json
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import bagit
import pytest
from mutagen.id3 import TIT2
from mutagen.wave import WAVE

from archiver import files
from archiver.custody import (
    SOUND_DIRECTORY,
    BlockDigester,
    DamageKind,
    Depth,
    MasterVerification,
    SoundVerdict,
    Verification,
    encode_sound_digests,
    verify_bag,
)
from archiver.custody.masters import _RECORDS
from archiver.custody.verify import _ABOUT_SOUND
from archiver.package import BagBuilder
from archiver.pipeline.salvage import salvage_bag
from archiver.signal.sampleformat import SampleFormat
from tests.faults import FaultySeam
from tests.package.small_bags import manifest_of, rewrite_tag_manifests, tiny_wav

RATE = 100
SECONDS = 10
STEREO = SampleFormat(
    encoding="pcm", container_bits=16, valid_bits=16, channels=2, sample_rate_hz=RATE
)
BLOCK = RATE * STEREO.frame_bytes
SOUND = bytes((i * i // 7 + i) % 256 for i in range(SECONDS * BLOCK + 52))
"""Ten seconds and thirteen frames."""
TEXT = b"LIST" + struct.pack("<I", 16) + b"INFOINAM" + struct.pack("<I", 4) + b"horn"
OFFSET = 44 + len(TEXT)
MASTER = "data/masters/t01.wav"


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    digester = BlockDigester(STEREO)
    digester.feed(SOUND)
    wav = tiny_wav(SOUND, RATE, TEXT)
    with BagBuilder(tmp_path, "bag") as builder:
        for take in ("t01", "t02"):
            builder.write_payload(f"data/masters/{take}.wav", wav)
            record = digester.result(
                file=f"data/masters/{take}.wav", file_bytes=len(wav), data_offset_bytes=OFFSET
            )
            builder.write_tag(f"metadata/sound/{take}.json", encode_sound_digests(record))
        sealed = builder.seal([])
    assert bagit.Bag(str(sealed)).validate()
    return sealed


def master_of(verification: Verification, name: str = MASTER) -> MasterVerification:
    (found,) = [master for master in verification.masters if master.file == name]
    return found


def damage(bag: Path, change: Callable[[bytes], bytes], name: str = MASTER) -> None:
    path = bag / name
    changed = change(path.read_bytes())
    assert changed != path.read_bytes()
    path.write_bytes(changed)


def replaced(offset: int, new: bytes) -> Callable[[bytes], bytes]:
    return lambda content: content[:offset] + new + content[offset + len(new) :]


def exchanged(new: bytes) -> Callable[[bytes], bytes]:
    return lambda _: new


def test_intact_bag_is_intact_and_its_sound_is_not_read_twice(bag: Path) -> None:
    verification = verify_bag(bag)
    assert verification.intact
    assert verification.findings == ()
    assert [m.verdict for m in verification.masters] == [SoundVerdict.INTACT] * 2
    assert [m.sound_bytes_read for m in verification.masters] == [0, 0]
    assert verification.report.bytes_read == verification.report.bytes_held


def test_sound_is_read_on_request_and_agrees(bag: Path) -> None:
    counted: list[int] = []
    verification = verify_bag(bag, counted.append, depth=Depth.SOUND)
    assert verification.intact
    assert [m.sound_bytes_read for m in verification.masters] == [len(SOUND)] * 2
    assert sum(counted) > 4 * len(SOUND)


@pytest.mark.parametrize(
    "change",
    [
        replaced(OFFSET - 12, b"tuba"),
        replaced(0, b"XXXX"),
        replaced(0, bytes(OFFSET)),
        lambda content: content + b"id3 \x04\0\0\0more",
        exchanged(tiny_wav(SOUND, RATE, TEXT + TEXT + b"note" + struct.pack("<I", 2) + b"hi")),
        exchanged(tiny_wav(SOUND, RATE)),
        exchanged(SOUND),
        lambda content: b"\0" * 7 + content,
        exchanged(bytes(200_000) + b"data" + bytes(4) + SOUND + bytes(999)),
    ],
    ids=[
        "text changed",
        "form changed",
        "header zeroed",
        "chunk appended",
        "chunks inserted",
        "chunk removed",
        "header cut off",
        "seven bytes before all",
        "another container",
    ],
)
def test_changed_metadata_is_told_from_changed_sound(
    bag: Path, change: Callable[[bytes], bytes]
) -> None:
    damage(bag, change)
    verification = verify_bag(bag)
    master = master_of(verification)
    assert master.verdict is SoundVerdict.METADATA_CHANGED
    assert master.spans == ()
    assert not verification.intact
    codes = [finding.code for finding in verification.findings]
    assert "sound-intact-metadata-changed" in codes
    assert "bag-checksum-differs" in codes
    assert master_of(verification, "data/masters/t02.wav").verdict is SoundVerdict.INTACT


def test_tag_written_by_another_program_is_told_as_changed_metadata(bag: Path) -> None:
    # mutagen as an independent program that edits the file in place.
    # It carries no types of its own.
    tagged: Any = WAVE(bag / MASTER)  # type: ignore[no-untyped-call]
    tagged.add_tags()
    tagged.tags.add(TIT2(encoding=3, text="Horn"))  # type: ignore[no-untyped-call]
    tagged.save()
    assert master_of(verify_bag(bag)).verdict is SoundVerdict.METADATA_CHANGED


def test_moved_sound_is_told_with_its_new_place(bag: Path) -> None:
    damage(bag, exchanged(tiny_wav(SOUND, RATE)))
    messages = [f.message for f in verify_bag(bag).findings if f.code.startswith("sound")]
    assert messages == ["all 1013 frames of the sound are as stored; it begins at byte 44 now"]


@pytest.mark.parametrize(
    ("second", "sentence"),
    [
        (0, "sound damaged at 00:00:00.000 to 00:00:01.000"),
        (5, "sound damaged at 00:00:05.000 to 00:00:06.000"),
        (10, "sound damaged at 00:00:10.000 to 00:00:10.130"),
    ],
)
def test_damaged_second_is_named(bag: Path, second: int, sentence: str) -> None:
    at = OFFSET + second * BLOCK + 3
    damage(bag, lambda content: replaced(at, bytes([content[at] ^ 1]))(content))
    verification = verify_bag(bag)
    master = master_of(verification)
    assert master.verdict is SoundVerdict.DAMAGED
    assert master.sentence() == sentence
    (span,) = master.spans
    assert (span.first_frame, span.kind) == (second * RATE, DamageKind.CHANGED)
    (finding,) = [f for f in verification.findings if f.code == "sound-damaged"]
    assert finding.where.start_s == second


def test_every_flipped_byte_of_the_sound_is_located(bag: Path) -> None:
    path = bag / MASTER
    whole = path.read_bytes()
    for at in range(0, len(SOUND), 97):
        path.write_bytes(replaced(OFFSET + at, bytes([whole[OFFSET + at] ^ 0x40]))(whole))
        (span,) = master_of(verify_bag(bag, workers=1)).spans
        assert span.first_frame <= at // STEREO.frame_bytes < span.end_frame


def test_neighbouring_damaged_seconds_are_one_span_and_others_are_not(bag: Path) -> None:
    damage(bag, replaced(OFFSET + 2 * BLOCK, bytes(2 * BLOCK)))
    damage(bag, replaced(OFFSET + 7 * BLOCK + 1, bytes(9)))
    master = master_of(verify_bag(bag))
    assert [(s.start_s, s.end_s) for s in master.spans] == [(2.0, 4.0), (7.0, 8.0)]


def test_truncated_sound_is_told_with_its_end(bag: Path) -> None:
    damage(bag, lambda content: content[: OFFSET + 6 * BLOCK + BLOCK // 2])
    verification = verify_bag(bag)
    master = master_of(verification)
    assert master.verdict is SoundVerdict.TRUNCATED
    assert master.sentence() == "sound truncated after 00:00:06.500"
    assert [(s.start_s, s.end_s, s.kind) for s in master.spans] == [
        (6.0, 6.5, DamageKind.UNPROVEN),
        (6.5, 10.13, DamageKind.GONE),
    ]
    assert master.playable() == ((0.0, 6.0),)
    (finding,) = [f for f in verification.findings if f.code == "sound-truncated"]
    assert "ends at 00:00:06.500" in finding.message
    assert "intact up to 00:00:06.000, and what follows up to 00:00:06.500 is" in finding.message
    assert "intact" not in finding.remedy or "told to be intact" in finding.remedy


def test_sound_that_ends_with_a_second_is_intact_up_to_its_end(bag: Path) -> None:
    damage(bag, lambda content: content[: OFFSET + 6 * BLOCK])
    verification = verify_bag(bag)
    (finding,) = [f for f in verification.findings if f.code == "sound-truncated"]
    assert "ends at 00:00:06.000 of 00:00:10.130 and is intact up to there" in finding.message


def test_header_alone_is_a_sound_truncated_at_its_start(bag: Path) -> None:
    damage(bag, lambda content: content[:OFFSET])
    assert master_of(verify_bag(bag)).sentence() == "sound truncated after 00:00:00.000"


def test_truncation_and_damage_are_both_told(bag: Path) -> None:
    damage(bag, lambda content: replaced(OFFSET + BLOCK, b"XXXX")(content)[: OFFSET + 4 * BLOCK])
    master = master_of(verify_bag(bag))
    assert master.verdict is SoundVerdict.DAMAGED
    assert [(s.start_s, s.kind) for s in master.spans] == [
        (1.0, DamageKind.CHANGED),
        (4.0, DamageKind.GONE),
    ]
    assert master.truncated_after_s == 4.0


@pytest.mark.parametrize("shift", [-3, -1, 1, 2, 500])
def test_bytes_that_came_or_went_within_the_sound_leave_the_rest_found(
    bag: Path, shift: int
) -> None:
    at = OFFSET + 4 * BLOCK + 10
    damage(
        bag,
        lambda content: (
            content[:at] + bytes(shift) + content[at:]
            if shift > 0
            else content[:at] + content[at - shift :]
        ),
    )
    master = master_of(verify_bag(bag))
    assert master.verdict is SoundVerdict.DAMAGED
    assert [(s.start_s, s.end_s) for s in master.spans] == [(4.0, 5.0)]
    assert master.displaced_from_s == 5.0
    assert master.sentence().endswith("displaced from 00:00:05.000 on")


def test_another_file_under_the_name_is_damaged_throughout(bag: Path) -> None:
    damage(bag, lambda content: bytes(len(content)))
    (span,) = master_of(verify_bag(bag)).spans
    assert (span.start_s, span.end_s) == (0.0, 10.13)


def test_missing_master_is_told(bag: Path) -> None:
    (bag / MASTER).unlink()
    master = master_of(verify_bag(bag))
    assert master.verdict is SoundVerdict.MISSING
    assert master.duration_s == 10.13


def test_master_that_cannot_be_opened_is_told(bag: Path) -> None:
    seam = FaultySeam(errno=errno.EACCES, refused={("open_read", "t01.wav")})
    with files.use(seam):
        verification = verify_bag(bag)
    assert seam.injected
    assert master_of(verification).verdict is SoundVerdict.UNREADABLE
    assert verification.undecided
    assert not verification.intact


def test_unreadable_sector_in_the_sound_is_located_and_the_rest_verified(bag: Path) -> None:
    seam = FaultySeam(unreadable_from={"t01.wav": OFFSET + 8 * BLOCK + 100})
    with files.use(seam):
        master = master_of(verify_bag(bag))
    assert seam.injected
    assert master.verdict is SoundVerdict.DAMAGED
    assert [(s.start_s, s.end_s, s.kind) for s in master.spans] == [
        (8.0, 10.13, DamageKind.UNREADABLE)
    ]


def test_changed_master_without_a_record_is_not_judged(bag: Path) -> None:
    (bag / "metadata/sound/t01.json").unlink()
    rewrite_tag_manifests(bag)
    damage(bag, replaced(OFFSET, b"XXXX"))
    verification = verify_bag(bag)
    assert master_of(verification).verdict is SoundVerdict.NOT_JUDGED
    assert "sound-not-judged" in {f.code for f in verification.findings}


def test_intact_master_without_a_record_is_intact_with_a_warning(bag: Path) -> None:
    (bag / "metadata/sound/t01.json").unlink()
    rewrite_tag_manifests(bag)
    verification = verify_bag(bag)
    assert verification.intact
    assert [f.code for f in verification.findings] == ["sound-record-missing"]


def test_broken_record_is_told_and_the_intact_master_stays_intact(bag: Path) -> None:
    damage(bag, lambda content: content[:-30], "metadata/sound/t01.json")
    verification = verify_bag(bag)
    assert "sound-record-malformed" in {f.code for f in verification.findings}
    assert master_of(verification).verdict is SoundVerdict.INTACT
    assert not verification.intact


def test_verdict_by_a_changed_record_is_told_as_doubtful(bag: Path) -> None:
    record = "metadata/sound/t01.json"
    digest = json.loads((bag / record).read_bytes())["block_sha256"][3].encode()
    damage(bag, lambda content: content.replace(digest, b"0" * 64), record)
    damage(bag, replaced(OFFSET - 12, b"tuba"))
    verification = verify_bag(bag)
    assert [s.start_s for s in master_of(verification).spans] == [3.0]
    assert "sound-record-doubtful" in {f.code for f in verification.findings}


def test_altered_master_with_altered_manifests_is_found_by_the_record_on_request(
    bag: Path,
) -> None:
    damage(bag, replaced(OFFSET + 6 * BLOCK, b"XXXX"))
    payload = {
        path.relative_to(bag).as_posix(): path.read_bytes()
        for path in sorted((bag / "data").rglob("*.wav"))
    }
    (bag / "manifest-sha256.txt").write_bytes(manifest_of(payload))
    rewrite_tag_manifests(bag)
    assert verify_bag(bag).intact
    verification = verify_bag(bag, depth=Depth.SOUND)
    master = master_of(verification)
    assert master.verdict is SoundVerdict.DISAGREES
    assert [s.start_s for s in master.spans] == [6.0]
    assert not verification.intact
    assert "sound-record-disagrees" in {f.code for f in verification.findings}


def test_wrong_md5_of_the_whole_is_found_on_request(bag: Path) -> None:
    record = "metadata/sound/t01.json"
    md5 = json.loads((bag / record).read_bytes())["md5"].encode()
    damage(bag, lambda content: content.replace(md5, b"0" * 32), record)
    rewrite_tag_manifests(bag)
    assert master_of(verify_bag(bag, depth=Depth.SOUND)).verdict is SoundVerdict.DISAGREES


@pytest.mark.parametrize("target", ["/etc/passwd", "data/../../x", "data/masters/none.wav"])
def test_record_that_points_elsewhere_opens_nothing(bag: Path, target: str) -> None:
    record = "metadata/sound/t01.json"
    damage(bag, lambda content: content.replace(MASTER.encode(), target.encode()), record)
    rewrite_tag_manifests(bag)
    seam = FaultySeam()
    with files.use(seam):
        verification = verify_bag(bag, depth=Depth.SOUND)
    opened = {c.path for c in seam.calls if c.operation == "open_read"}
    assert all(path.is_relative_to(bag) for path in opened)
    assert [m.file for m in verification.masters] == [MASTER, "data/masters/t02.wav"]


def test_report_says_how_deep_the_look_was(bag: Path) -> None:
    (bag / "stray.txt").write_bytes(b"12345")
    facts = verify_bag(bag).as_json()
    depth = facts["depth"]
    assert depth["bytes_held"] - depth["bytes_read"] == 5
    assert depth["not_looked_at"] == ["stray.txt"]
    assert depth["algorithms"] == ["sha256"]
    assert depth["sound_bytes_read"] == 0
    assert facts["bagit"]["verdict"] == "valid"
    assert json.loads(json.dumps(facts)) == facts


def test_json_names_the_damage(bag: Path) -> None:
    damage(bag, replaced(OFFSET + 5 * BLOCK, b"XXXX"))
    facts = verify_bag(bag).as_json()
    assert facts["intact"] is False
    assert facts["masters"][0]["verdict"] == "sound damaged"
    assert facts["masters"][0]["damaged"] == [
        {"first_frame": 500, "end_frame": 600, "start_s": 5.0, "end_s": 6.0, "kind": "changed"}
    ]
    assert facts["findings"][0]["severity"] == "error"


def test_verification_writes_nothing_and_works_on_read_only_media(bag: Path) -> None:
    damage(bag, replaced(OFFSET + 5 * BLOCK, b"XXXX"))
    seam = FaultySeam()
    with files.use(seam):
        verify_bag(bag, depth=Depth.SOUND)
    reading = {"open_read", "read", "listing", "status", "resolved", "drop_cache"}
    assert {call.operation for call in seam.calls} <= reading


def test_verdicts_do_not_depend_on_the_number_of_threads(bag: Path) -> None:
    damage(bag, replaced(OFFSET + 5 * BLOCK, b"XXXX"))
    assert verify_bag(bag, workers=1) == verify_bag(bag, workers=5)


def test_bag_of_another_maker_has_no_masters_to_judge(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "x.txt").write_bytes(b"x")
    bagit.make_bag(str(tmp_path / "b"), checksums=["sha256"])
    verification = verify_bag(tmp_path / "b")
    assert verification.intact
    assert verification.masters == ()


def test_records_are_looked_for_where_they_are_written() -> None:
    """The module that writes them is loaded only for bags that have some."""
    assert f"{SOUND_DIRECTORY}/" == _RECORDS
    assert _RECORDS in _ABOUT_SOUND


def two_masters(tmp_path: Path) -> Path:
    """A bag whose two masters differ, each with the record of its sound."""
    with BagBuilder(tmp_path, "two") as builder:
        for take, sound in (("t01", SOUND), ("t02", SOUND[::-1])):
            digester = BlockDigester(STEREO)
            digester.feed(sound)
            wav = tiny_wav(sound, RATE, TEXT)
            builder.write_payload(f"data/masters/{take}.wav", wav)
            record = digester.result(
                file=f"data/masters/{take}.wav", file_bytes=len(wav), data_offset_bytes=OFFSET
            )
            builder.write_tag(f"metadata/sound/{take}.json", encode_sound_digests(record))
        return builder.seal([])


def test_masters_that_changed_names_are_told_as_that_and_not_as_damaged(tmp_path: Path) -> None:
    bag = two_masters(tmp_path)
    one, two = bag / MASTER, bag / "data/masters/t02.wav"
    first, second = one.read_bytes(), two.read_bytes()
    one.write_bytes(second)
    two.write_bytes(first)
    verification = verify_bag(bag)
    assert [m.sentence() for m in verification.masters] == [
        "holds what belongs under data/masters/t02.wav",
        "holds what belongs under data/masters/t01.wav",
    ]
    assert {f.code for f in verification.findings} == {"bag-checksum-differs"}
    assert all("names" in f.remedy for f in verification.findings)
    outcome = salvage_bag(bag, tmp_path / "out")
    assert [name for name, _ in outcome.failed] == [MASTER, "data/masters/t02.wav"]
    assert not (tmp_path / "out").exists()


def test_a_copy_of_another_master_has_not_only_changed_its_name(tmp_path: Path) -> None:
    bag = two_masters(tmp_path)
    (bag / MASTER).write_bytes((bag / "data/masters/t02.wav").read_bytes())
    verification = verify_bag(bag)
    assert master_of(verification).verdict is SoundVerdict.DAMAGED
    assert "sound-damaged" in {f.code for f in verification.findings}


def test_records_serve_although_the_tag_manifest_is_gone(tmp_path: Path) -> None:
    bag = two_masters(tmp_path)
    (bag / "READ-ME.txt").write_text("sha256sum -c tagmanifest-sha256.txt\n", encoding="utf-8")
    for path in bag.glob("tagmanifest-*"):
        path.unlink()
    verification = verify_bag(bag)
    (finding,) = verification.findings
    assert finding.code == "bag-tag-manifest-missing"
    assert "it was taken away, and nothing proves" in finding.message
    assert "another copy" in finding.remedy
    damage(bag, replaced(OFFSET + 3 * BLOCK, b"XXXX"))
    verification = verify_bag(bag)
    assert [(s.start_s, s.end_s) for s in master_of(verification).spans] == [(3.0, 4.0)]
    (doubt,) = [f for f in verification.findings if f.code == "sound-record-doubtful"]
    assert "no tag manifest proves" in doubt.message
