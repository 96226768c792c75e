"""What is saved of damaged masters, judged by libsndfile and by the bytes that went in.

The truth is the sound that went in and the damage done: which seconds of the new file must be
those bytes follows by arithmetic.
"""

from __future__ import annotations

import json
import struct
from pathlib import Path

import pytest
import soundfile

from archiver import files
from archiver.custody import BlockDigester, encode_sound_digests
from archiver.errors import MisuseError
from archiver.package import BagBuilder
from archiver.pipeline.salvage import SalvageOutcome, salvage_bag
from archiver.signal.sampleformat import SampleFormat
from archiver.wave.container import walk
from tests.faults import FaultySeam
from tests.package.small_bags import contents, tiny_wav
from tests.wave.libsndfile import look

RATE = 100
STEREO = SampleFormat(
    encoding="pcm", container_bits=16, valid_bits=16, channels=2, sample_rate_hz=RATE
)
BLOCK = RATE * STEREO.frame_bytes
SOUND = bytes((i * i // 7 + i) % 256 for i in range(10 * BLOCK + 52))
MASTER = "data/masters/t01.wav"
OFFSET = 44


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    digester = BlockDigester(STEREO)
    digester.feed(SOUND)
    wav = tiny_wav(SOUND, RATE)
    with BagBuilder(tmp_path / "store", "bag") as builder:
        builder.write_payload(MASTER, wav)
        record = digester.result(file=MASTER, file_bytes=len(wav), data_offset_bytes=OFFSET)
        builder.write_tag("metadata/sound/t01.json", encode_sound_digests(record))
        return builder.seal([])


def salvaged(bag: Path, to: Path) -> tuple[SalvageOutcome, bytes]:
    before = contents(bag)
    outcome = salvage_bag(bag, to)
    assert contents(bag) == before
    (saved,) = outcome.salvaged
    with saved.file.open("rb") as file:
        data = walk(file, saved.file.name).data
        assert data is not None
        file.seek(data.offset_bytes)
        samples = file.read(len(SOUND))
    info = soundfile.info(str(saved.file))
    assert (info.frames, info.samplerate, info.channels) == (1013, RATE, 2)
    return outcome, samples


def test_a_damaged_second_is_kept_as_found_and_marked(bag: Path, tmp_path: Path) -> None:
    path = bag / MASTER
    content = bytearray(path.read_bytes())
    content[OFFSET + 3 * BLOCK + 9] ^= 0xFF
    path.write_bytes(content)
    outcome, samples = salvaged(bag, tmp_path / "out")
    assert samples == bytes(content[OFFSET:])
    (saved,) = outcome.salvaged
    assert [(p.start_s, p.end_s) for p in saved.playable] == [(0.0, 3.0), (4.0, 10.13)]
    # libsndfile reads the marks as any editor would.
    assert look(saved.file).cues == (
        (3 * RATE, "00:00:03.000 to 00:00:04.000: damaged, samples as found"),
    )
    assert outcome.exit_status == 0


def test_a_lost_end_becomes_silence_on_the_same_time_line(bag: Path, tmp_path: Path) -> None:
    path = bag / MASTER
    path.write_bytes(path.read_bytes()[: OFFSET + 6 * BLOCK + 40])
    outcome, samples = salvaged(bag, tmp_path / "out")
    kept = 6 * BLOCK + 40
    assert samples == SOUND[:kept] + bytes(len(SOUND) - kept)
    (saved,) = outcome.salvaged
    assert [(p.start_s, p.end_s) for p in saved.playable] == [(0.0, 6.0)]
    # Ten frames of the last second are there, and no digest tells of so few.
    (there, unproven), (first, label) = look(saved.file).cues
    assert (there, first) == (6 * RATE, 6 * RATE + 10)
    assert "not to be compared" in unproven
    assert "gone" in label
    assert [(s.start_s, s.end_s) for s in saved.spans] == [(6.0, 6.1), (6.1, 10.13)]


def test_an_unreadable_stretch_becomes_silence(bag: Path, tmp_path: Path) -> None:
    seam = FaultySeam(unreadable_from={"t01.wav": OFFSET + 8 * BLOCK + 1})
    with files.use(seam):
        outcome = salvage_bag(bag, tmp_path / "out")
    assert seam.injected
    (saved,) = outcome.salvaged
    assert [(p.start_s, p.end_s) for p in saved.playable] == [(0.0, 8.0)]


def test_displaced_sound_is_put_back_in_its_place(bag: Path, tmp_path: Path) -> None:
    path = bag / MASTER
    content = path.read_bytes()
    cut = OFFSET + 4 * BLOCK + 100
    path.write_bytes(content[:cut] + b"inserted" + content[cut:])
    outcome, samples = salvaged(bag, tmp_path / "out")
    assert samples[: 4 * BLOCK] == SOUND[: 4 * BLOCK]
    assert samples[5 * BLOCK :] == SOUND[5 * BLOCK :]
    (saved,) = outcome.salvaged
    assert [(s.start_s, s.end_s) for s in saved.spans] == [(4.0, 5.0)]


def test_nobody_can_take_it_for_the_master(bag: Path, tmp_path: Path) -> None:
    path = bag / MASTER
    path.write_bytes(path.read_bytes()[:-BLOCK])
    outcome, _ = salvaged(bag, tmp_path / "out")
    (saved,) = outcome.salvaged
    assert saved.file.name == "bag-t01.salvaged.wav"
    content = saved.file.read_bytes()
    assert b"SALVAGED, NOT INTACT" in content
    assert b"MD5 " not in content
    with soundfile.SoundFile(str(saved.file)) as opened:
        assert opened.title == "SALVAGED: t01.wav"
    report = json.loads(saved.report.read_text(encoding="utf-8"))
    assert report["intact"] is False
    assert report["sha256"] == saved.sha256


def test_sound_whose_header_alone_was_damaged_is_whole(bag: Path, tmp_path: Path) -> None:
    path = bag / MASTER
    path.write_bytes(bytes(OFFSET) + path.read_bytes()[OFFSET:])
    outcome, samples = salvaged(bag, tmp_path / "out")
    assert samples == SOUND
    assert outcome.salvaged[0].spans == ()
    content = outcome.salvaged[0].file.read_bytes()
    assert b"The sound is intact" in content
    assert b"NOT INTACT" not in content
    assert b"stretch" not in content


def test_intact_masters_are_left_alone_and_no_file_is_written_over(
    bag: Path, tmp_path: Path
) -> None:
    assert salvage_bag(bag, tmp_path / "out").intact == (MASTER,)
    assert not (tmp_path / "out").exists()
    (bag / MASTER).write_bytes((bag / MASTER).read_bytes()[:-BLOCK])
    salvaged(bag, tmp_path / "out")
    ((_, error),) = salvage_bag(bag, tmp_path / "out").failed
    assert isinstance(error, MisuseError)


def test_what_cannot_be_salvaged_says_why(bag: Path, tmp_path: Path) -> None:
    (bag / MASTER).write_bytes(struct.pack("<I", 7) * 999)
    outcome = salvage_bag(bag, tmp_path / "out")
    assert [name for name, _ in outcome.failed] == [MASTER]
    assert outcome.exit_status == 3
    assert list((tmp_path / "out").iterdir()) == [] if (tmp_path / "out").exists() else True
    with pytest.raises(MisuseError, match="lies in the bag"):
        salvage_bag(bag, bag / "out")
    with pytest.raises(MisuseError, match="no master"):
        salvage_bag(bag, tmp_path / "out", masters=["data/masters/t99.wav"])


def test_the_name_of_the_bag_stands_once_in_the_name_of_what_was_salvaged(
    bag: Path, tmp_path: Path
) -> None:
    renamed = bag.rename(tmp_path / "t01")
    path = renamed / MASTER
    path.write_bytes(path.read_bytes()[:-BLOCK])
    (saved,) = salvage_bag(renamed, tmp_path / "out").salvaged
    assert saved.file.name == "t01.salvaged.wav"
