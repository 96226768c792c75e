"""The whole job, judged by independent readers: bagit, libsndfile, FFmpeg's libraries, sha256."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import av
import bagit
import jsonschema
import lxml.etree
import mutagen.wave
import numpy as np
import pytest
import soundfile

from archiver.errors import MisuseError
from archiver.pipeline.archive import Archived, archive_session
from archiver.pipeline.check import check_session
from archiver.pipeline.verify import verify_bags
from archiver.schema_store import schema
from archiver.wave.container import read_payload, walk
from tests.pipeline.making import (
    MACHINE,
    RATE_HZ,
    chunk,
    fmt,
    make_session,
    riff,
    snapshot,
    sound,
    take,
    write_sheet,
    write_take,
)


@contextlib.contextmanager
def pinned(seconds: int = 1_780_000_000) -> Iterator[None]:
    """Pin the time of the run."""
    before = os.environ.get("SOURCE_DATE_EPOCH")
    os.environ["SOURCE_DATE_EPOCH"] = str(seconds)
    try:
        yield
    finally:
        os.environ.pop("SOURCE_DATE_EPOCH")
        if before is not None:
            os.environ["SOURCE_DATE_EPOCH"] = before


def archived(folder: Path, to: Path) -> Path:
    outcome = archive_session(folder, to)
    assert outcome.bag is not None, [str(f) for f in outcome.findings]
    return outcome.bag


def codes(outcome: Archived) -> set[str]:
    return {finding.code for finding in outcome.findings}


def test_the_sample_session_becomes_a_bag_that_a_stranger_finds_valid(
    sample_session: Path, tmp_path: Path
) -> None:
    """Judge: the registry's bagit library, a general reader of RFC 8493."""
    before = snapshot(sample_session)
    bag = archived(sample_session, tmp_path / "archive")
    assert bagit.Bag(str(bag)).validate()
    assert snapshot(sample_session) == before
    assert sorted(path.name for path in (tmp_path / "archive").iterdir()) == [bag.name]
    (verdict,) = verify_bags([bag])
    assert verdict.exit_status == 0


def test_masters_of_the_sample_session_hold_the_samples_of_the_captures(
    sample_session: Path, sample_archived: Archived
) -> None:
    """Judge: libsndfile decodes capture and master to the same 32-bit integers."""
    bag = sample_archived.bag
    assert bag is not None
    run = json.loads((bag / "metadata/archiving.json").read_text(encoding="utf-8"))
    assert len(run["masters"]) >= 3
    for master in run["masters"]:
        kept, _ = soundfile.read(bag / master["file"], dtype="int32", always_2d=True)
        came, _ = soundfile.read(sample_session / master["capture"], dtype="int32", always_2d=True)
        assert np.array_equal(kept, came), master["takes"]


def test_ffmpeg_and_mutagen_and_lxml_read_what_masters_say(sample_archived: Archived) -> None:
    """Judges: FFmpeg's libraries through PyAV for bext, mutagen, lxml for iXML and axml."""
    outcome = sample_archived
    assert outcome.bag is not None
    session = outcome.report.session
    assert session is not None
    for done in outcome.takes:
        path = outcome.bag / done.stored.path
        with av.open(str(path)) as container:
            tags = container.metadata
            assert tags["originator_reference"] == f"{session.identifier}_{done.take.id}"
            assert "archiver" in tags["coding_history"]
            assert tags["title"] == done.take.title
            assert container.streams.audio[0].duration == done.layout.frames
        opened: Any = mutagen.wave.WAVE(str(path))  # type: ignore[no-untyped-call]
        assert opened.info.sample_rate == done.measured.format.sample_rate_hz
        raw = path.read_bytes()[: done.layout.data_offset_bytes]
        for name, root in ((b"iXML", "BWFXML"), (b"axml", "{urn:ebu:metadata-schema:ebucore}")):
            at = raw.index(name)
            size = int.from_bytes(raw[at + 4 : at + 8], "little")
            document = lxml.etree.fromstring(raw[at + 8 : at + 8 + size].rstrip(b"\0"))
            assert str(document.tag).startswith(root)


def test_the_stock_digest_of_the_sample_bytes_is_the_recorded_one(tmp_path: Path) -> None:
    """Known answer: MD5 and SHA-256 of the samples as libsndfile hands them out."""
    folder = make_session(tmp_path / "s", 2.5)
    bag = archived(folder, tmp_path / "archive")
    raw = soundfile.SoundFile(bag / "data/masters/trial-1_t1.wav").buffer_read(dtype="int32")
    packed = np.frombuffer(raw, dtype="<i4").view(np.uint8).reshape(-1, 4)[:, 1:].tobytes()
    record = json.loads((bag / "metadata/sound/t1.json").read_text(encoding="utf-8"))
    assert record["md5"] == hashlib.md5(packed, usedforsecurity=False).hexdigest()
    second = RATE_HZ * 3
    assert record["block_sha256"] == [
        hashlib.sha256(packed[at : at + second]).hexdigest() for at in range(0, len(packed), second)
    ]


def test_two_runs_with_the_time_pinned_give_the_same_bytes(
    sample_session: Path, tmp_path: Path
) -> None:
    with pinned():
        one = archived(sample_session, tmp_path / "one")
        shutil.copytree(sample_session, tmp_path / "elsewhere")
        two = archived(tmp_path / "elsewhere", tmp_path / "two")
    assert {name: content for name, (_, content) in snapshot(one).items()} == {
        name: content for name, (_, content) in snapshot(two).items()
    }


def test_a_second_run_refuses_and_names_the_next_version(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    archived(folder, tmp_path / "archive")
    with pytest.raises(MisuseError) as refused:
        archive_session(folder, tmp_path / "archive")
    assert "--version 2" in str(refused.value)
    outcome = archive_session(folder, tmp_path / "archive", version=2)
    assert outcome.bag is not None
    info = bagit.Bag(str(outcome.bag)).info
    assert (info["Bag-Version"], info["Bag-Replaces"]) == ("2", "trial-1")


@pytest.mark.parametrize("place", ["", "takes", "new/below"])
def test_a_destination_inside_the_session_is_refused(tmp_path: Path, place: str) -> None:
    folder = make_session(tmp_path / "s")
    before = snapshot(folder)
    with pytest.raises(MisuseError, match="inside the session folder"):
        archive_session(folder, folder / place)
    assert snapshot(folder) == before
    assert not (folder / "new").exists()


def test_digest_algorithms_can_be_chosen(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    outcome = archive_session(folder, tmp_path / "archive", algorithms=["sha512", "md5"])
    assert outcome.bag is not None
    assert bagit.Bag(str(outcome.bag)).validate()
    names = {path.name for path in outcome.bag.glob("*manifest-*")}
    assert names == {f"{tag}manifest-{a}.txt" for tag in ("", "tag") for a in ("sha512", "md5")}


def test_a_crashed_recorders_sizes_are_mended_and_said(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    write_sheet(folder, [take("t1", "takes/t1.wav")])
    raw = bytearray(riff(fmt(), chunk(b"data", bytes(range(240)) * 300)))
    at = raw.index(b"data") + 4
    raw[at : at + 4] = bytes(4)
    (folder / "takes/t1.wav").write_bytes(raw)
    outcome = archive_session(folder, tmp_path / "archive")
    assert "capture-sizes-unset" in codes(outcome)
    assert outcome.bag is not None
    assert outcome.takes[0].layout.frames == 240 * 300 // 3


def test_a_capture_with_its_own_bext_keeps_what_it_says(tmp_path: Path) -> None:
    """The original chunk is kept in the bag's record, byte for byte."""
    import base64

    folder = tmp_path / "s"
    write_sheet(folder, [take("t1", "takes/t1.wav")])
    bext = (
        b"Recorder scene 7".ljust(256, b"\0")
        + b"FIELD".ljust(32, b"\0")
        + bytes(32)
        + b"2026-05-03"
        + b"10:11:12"
        + (36_000 * RATE_HZ).to_bytes(8, "little")
        + (0).to_bytes(2, "little")
        + bytes(254)
        + b"A=PCM,F=48000,W=24,M=mono,T=FIELD\r\n"
    )
    odd = chunk(b"zzzz", b"\x01\x02\x03")
    raw = riff(chunk(b"bext", bext), fmt(), chunk(b"data", bytes(3 * 4800)), odd)
    (folder / "takes/t1.wav").write_bytes(raw)
    outcome = archive_session(folder, tmp_path / "archive")
    assert outcome.bag is not None
    master = outcome.bag / outcome.takes[0].stored.path
    with av.open(str(master)) as container:
        tags = container.metadata
    assert tags["time_reference"] == str(36_000 * RATE_HZ)
    assert tags["originator_reference"] == "trial-1_t1"
    assert tags["coding_history"].startswith("A=PCM,F=48000,W=24,M=mono,T=FIELD\r\n")
    assert odd in master.read_bytes()
    record = json.loads((outcome.bag / "metadata/captures/t1.json").read_text(encoding="utf-8"))
    kept = {entry["id"]: base64.b64decode(entry["payload_base64"]) for entry in record["payloads"]}
    assert kept["bext"] == bext


@pytest.mark.parametrize(("suffix", "subtype"), [("flac", "PCM_24"), ("aiff", "PCM_24")])
def test_decoded_captures_become_masters_with_equal_samples(
    tmp_path: Path, suffix: str, subtype: str
) -> None:
    folder = tmp_path / "s"
    write_sheet(folder, [take("t1", f"takes/t1.{suffix}")])
    write_take(folder / f"takes/t1.{suffix}", sound(1), subtype=subtype)
    outcome = archive_session(folder, tmp_path / "archive")
    assert outcome.bag is not None
    kept, _ = soundfile.read(outcome.bag / outcome.takes[0].stored.path, dtype="int32")
    came, _ = soundfile.read(folder / f"takes/t1.{suffix}", dtype="int32")
    assert np.array_equal(kept, came)


def video_with_sound(path: Path, samples: np.ndarray, codec: str) -> None:
    """A video of a few grey pictures with a sound track, made by FFmpeg's libraries."""
    with av.open(str(path), "w") as out:
        picture = out.add_stream("mpeg4", rate=10)
        picture.width, picture.height, picture.pix_fmt = 64, 48, "yuv420p"
        track = cast("av.AudioStream", out.add_stream(codec, rate=RATE_HZ, layout="mono"))
        for number in range(10):
            grey = np.full((48, 64, 3), number * 20, dtype=np.uint8)
            out.mux(picture.encode(av.VideoFrame.from_ndarray(grey, format="rgb24")))
        out.mux(picture.encode())
        words = (samples[:, 0] * 32767).astype(np.int16)
        for at in range(0, len(words), 1024):
            frame = av.AudioFrame.from_ndarray(
                words[None, at : at + 1024], format="s16", layout="mono"
            )
            frame.sample_rate, frame.pts = RATE_HZ, at
            out.mux(track.encode(frame))
        out.mux(track.encode())


@pytest.mark.parametrize("suffix", ["mov", "mkv"])
def test_a_video_goes_into_the_bag_untouched_beside_a_master_of_its_sound(
    tmp_path: Path, suffix: str
) -> None:
    folder = tmp_path / "s"
    write_sheet(
        folder,
        [take("t1", f"takes/t1.{suffix}")],
        edit=lambda text: text.replace("bit_depth: 24", "bit_depth: 16"),
    )
    samples = sound(1)
    video_with_sound(folder / f"takes/t1.{suffix}", samples, "pcm_s16le")
    outcome = archive_session(folder, tmp_path / "archive")
    assert outcome.bag is not None, [str(f) for f in outcome.findings]
    original = outcome.bag / f"data/originals/t1.{suffix}"
    assert original.read_bytes() == (folder / f"takes/t1.{suffix}").read_bytes()
    kept, rate = soundfile.read(outcome.bag / outcome.takes[0].stored.path, dtype="int16")
    assert rate == RATE_HZ
    assert np.array_equal(kept, (samples[:, 0] * 32767).astype(np.int16))


def test_a_lossy_video_is_documented_as_what_it_is_in_every_place(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    write_sheet(folder, [take("t1", "takes/t1.mp4")])
    samples = sound(1)
    video_with_sound(folder / "takes/t1.mp4", samples, "aac")
    assert "capture-lossy" in {f.code for f in check_session(folder).findings}
    outcome = archive_session(folder, tmp_path / "archive")
    assert outcome.bag is not None, [str(f) for f in outcome.findings]
    assert "capture-lossy" in {f.code for f in outcome.findings}
    master = outcome.bag / outcome.takes[0].stored.path
    with av.open(str(master)) as container:
        history = container.metadata["coding_history"].split("\r\n")
    lossy = next(line for line in history if "A/D" in line)
    assert lossy.startswith("A=AAC,F=48000,M=mono,")
    assert "AAC LC in MP4" in lossy
    assert "kbit/s;lossy" in lossy
    assert "decoded samples unchanged" in history[-2]
    for name in ("archiving.json", "captures/t1.json", "ebucore.xml", "premis.xml", "session.html"):
        text = (outcome.bag / "metadata" / name).read_text(encoding="utf-8")
        assert "AAC" in text, name
        assert "lossy" in text, name
        assert "libavcodec" in text or name == "ebucore.xml", name
    assert "its decoder gave" in " ".join(
        (outcome.bag / "READ-ME.txt").read_text(encoding="utf-8").split()
    )
    frames = soundfile.info(master).frames
    assert 'editRate="48000"' in (axml := _axml_of(master))
    assert f">{frames}<" in axml


def _axml_of(master: Path) -> str:
    with master.open("rb") as file:
        (chunk,) = (one for one in walk(file, master.name).chunks if one.chunk_id == b"axml")
        return read_payload(file, chunk, master.name).decode()


def test_a_new_version_with_a_decoded_capture_keeps_its_master_byte_for_byte(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "s"
    write_sheet(folder, [take("t1", "takes/t1.mkv")])
    video_with_sound(folder / "takes/t1.mkv", sound(1), "aac")
    first = archive_session(folder, tmp_path / "archive")
    later = datetime(2031, 1, 1, tzinfo=UTC)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("archiver.pipeline.archive.moment", lambda: later)
        second = archive_session(folder, tmp_path / "archive", version=2)
    assert first.bag is not None
    assert second.bag is not None, [str(f) for f in second.findings]
    (one,), (other,) = first.takes, second.takes
    assert one.stored.digests == other.stored.digests


def test_text_beyond_ascii_is_whole_in_ixml_and_reported_where_bext_changed_it(
    tmp_path: Path,
) -> None:
    folder = make_session(
        tmp_path / "s",
        edit=lambda text: text.replace("code: MFL", "code: MFL").replace(
            "model: C", "model: Bølge"
        ),
    )
    outcome = archive_session(folder, tmp_path / "archive")
    assert outcome.bag is not None
    raw = (outcome.bag / outcome.takes[0].stored.path).read_bytes()
    assert "Prøve".encode() in raw
    with av.open(io.BytesIO(raw)) as container:
        history = container.metadata["coding_history"]
    assert history.isascii()
    assert "A Boelge" in history


def test_findings_that_are_errors_stop_the_deposit_and_leave_nothing(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s", takes=2)
    (folder / "takes/t2.wav").unlink()
    outcome = archive_session(folder, tmp_path / "archive")
    assert outcome.bag is None
    assert not (tmp_path / "archive").exists()


def test_a_wrong_rate_in_the_sheet_stops_the_deposit(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s", edit=lambda t: t.replace("48 kHz", "96 kHz"))
    report = check_session(folder)
    (finding,) = [f for f in report.findings if f.code == "capture-rate-differs"]
    assert "48000 Hz" in finding.message
    assert finding.where.line is not None


def test_a_wrong_rate_of_the_chain_is_told_once_for_all_its_takes(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s", takes=3, edit=lambda t: t.replace("48 kHz", "96 kHz"))
    (finding,) = [f for f in check_session(folder).findings if f.code == "capture-rate-differs"]
    assert "each of the takes t1, t2 and t3 was captured at 48000 Hz" in finding.message
    assert finding.where.field == "chains[0].sample_rate"
    lines = (folder / "session.yaml").read_text(encoding="utf-8").splitlines()
    assert finding.where.line is not None
    assert "sample_rate: 96 kHz" in lines[finding.where.line - 1]


def test_what_only_some_takes_of_a_chain_differ_in_is_told_at_the_first_of_them(
    tmp_path: Path,
) -> None:
    folder = make_session(tmp_path / "s", takes=3)
    for name in ("t2", "t3"):
        write_take(folder / f"takes/{name}.wav", sound(1), subtype="PCM_16")
    (finding,) = [f for f in check_session(folder).findings if f.code == "capture-depth-differs"]
    assert "each of the takes t2 and t3 has 16 bits a sample" in finding.message
    assert finding.where.field == "takes[1].file"


def test_takes_in_rights_are_not_missed_where_the_takes_cannot_be_read(tmp_path: Path) -> None:
    layers = "holder: Museet, layers: [{layer: performance, statement: x, holder: y, takes: [t1]}]"
    folder = make_session(
        tmp_path / "s",
        edit=lambda t: t.replace("holder: Museet", layers).replace(
            "kind: room tone", "kind: room tone\n    operators: [op"
        ),
    )
    codes = [f.code for f in check_session(folder).findings]
    assert "sheet-syntax" in codes
    assert "rights-layer-takes" not in codes


def test_noise_is_taken_from_the_declared_room_tone_of_the_chain(tmp_path: Path) -> None:
    """Known answer: noise of a known level in both takes, a tone of a known level in one."""
    folder = tmp_path / "s"
    write_sheet(
        folder,
        [take("t1", "takes/t1.wav"), take("t2", "takes/t2.wav", kind="announcement")],
    )
    quiet = sound(4) * 0.01  # -60 dBFS RMS of white noise from 0 to 24 kHz
    tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(len(quiet)) / RATE_HZ)
    write_take(folder / "takes/t1.wav", quiet)
    write_take(folder / "takes/t2.wav", sound(4, seed=2) * 0.01 + tone[:, None])
    bag = archived(folder, tmp_path / "archive")
    document = json.loads((bag / "metadata/measurements/t2.json").read_text(encoding="utf-8"))
    noise = document["channels"][0]["noise"]
    assert noise["source"] == "room tone"
    # 20 Hz to 20 kHz holds 20/24 of the power: -60.8 dBFS; the tone is at -23.0 dBFS RMS.
    assert noise["noise_floor_dbfs"] == pytest.approx(-60.8, abs=0.5)
    assert noise["signal_to_noise_db"] == pytest.approx(37.8, abs=1.5)


def _measured_noise(bag: Path, name: str) -> dict[str, Any]:
    path = bag / f"metadata/measurements/{name}.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema("measurement")).validate(document)
    (channel,) = document["channels"]
    noise: dict[str, Any] = channel["noise"]
    return noise


def test_a_reproduction_keeps_the_noise_of_its_groove_with_the_room_tone_beside_it(
    tmp_path: Path,
) -> None:
    """Known answer: white noise of -60 dBFS in the room and -40 dBFS in the groove."""
    folder = tmp_path / "s"
    replay = take("t2", "takes/t2.wav", kind="reproduction", setup="playing", medium="cyl")
    setups = "setups: [{id: playing, machine: vesterholm-b}]\n"
    media = "media: [{id: cyl, kind: wax cylinder}]\n"
    write_sheet(
        folder,
        [take("t1", "takes/t1.wav"), replay],
        edit=lambda text: text.replace("takes:\n", f"{setups}{media}takes:\n"),
    )
    (folder / "machines/vesterholm-b.yaml").write_text(MACHINE, encoding="utf-8")
    pause = np.concatenate([np.zeros(2 * RATE_HZ), np.ones(3 * RATE_HZ)])
    tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(len(pause)) / RATE_HZ) * pause
    write_take(folder / "takes/t1.wav", sound(4) * 0.01)
    write_take(folder / "takes/t2.wav", sound(5, seed=2) * 0.1 + tone[:, None])
    noise = _measured_noise(archived(folder, tmp_path / "archive"), "t2")
    assert noise["source"] == "quiet parts"
    # 20 Hz to 20 kHz holds 20/24 of the power.
    assert noise["noise_floor_dbfs"] == pytest.approx(-40.8, abs=0.5)
    assert noise["room_tone_dbfs"] == pytest.approx(-60.8, abs=0.5)


@pytest.mark.parametrize("speech_in_pauses", [True, False])
def test_room_tone_that_is_speech_is_told_and_is_no_reference(
    speech_in_pauses: bool, tmp_path: Path
) -> None:
    folder = tmp_path / "s"
    write_sheet(
        folder, [take("t1", "takes/t1.wav"), take("t2", "takes/t2.wav", kind="announcement")]
    )
    # Bursts of half a second, four times a minute of speech's rate, or without any pause.
    loud = np.repeat([0.0, 1.0] * 4 if speech_in_pauses else [1.0] * 8, RATE_HZ // 2)
    write_take(folder / "takes/t1.wav", sound(4) * 0.01 + loud[:, None] * sound(4, seed=3) * 0.5)
    pause = np.concatenate([np.zeros(2 * RATE_HZ), np.ones(3 * RATE_HZ)])
    tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(len(pause)) / RATE_HZ) * pause
    write_take(folder / "takes/t2.wav", sound(5, seed=2) * 0.01 + tone[:, None])
    checked = check_session(folder, sound=True)
    outcome = archive_session(folder, tmp_path / "archive")
    for findings in (checked.findings, outcome.findings):
        (told,) = [one for one in findings if one.code == "room-tone-not-quiet"]
        assert "t1" in told.message
        beside = "its own quietest tenth" if speech_in_pauses else "the pauses of take t2"
        assert beside in told.message
    assert outcome.bag is not None
    noise = _measured_noise(outcome.bag, "t2")
    assert noise["source"] == "quiet parts"
    assert noise["room_tone_dbfs"] is None
    assert noise["noise_floor_dbfs"] == pytest.approx(-60.8, abs=0.5)


def test_cautions_stand_in_the_read_me_of_the_bag(sample_archived: Archived) -> None:
    bag = sample_archived.bag
    assert bag is not None
    text = " ".join((bag / "READ-ME.txt").read_text(encoding="utf-8").split())
    assert "spring under tension" in text
    assert "local codes come first" in text
