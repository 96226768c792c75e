"""What the descriptions say of captures whose sound had to be decoded."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from lxml import etree

from archiver.describe import places
from archiver.describe.agreement import disagreements
from archiver.describe.coding import capture_steps, own_step
from archiver.describe.documents import documents_of
from archiver.describe.ebucore import axml_for
from archiver.describe.facts import Archive, FileFacts, FileRole
from archiver.describe.recorded import KeptFile, MeasuredFacts
from archiver.describe.recorded import archive_of as archive_of_records
from archiver.describe.runrecord import (
    MasterRecord,
    PayloadRecord,
    RunRecord,
    decode_run,
    encode_run,
)
from archiver.describe.selfcheck import check_documents
from archiver.session.records import Take
from archiver.signal.sampleformat import SampleFormat
from archiver.wave.coding import Fidelity, SoundCoding
from archiver.wave.history import parse
from tests.describe.archives import LEVELS, MADE, a_session, archive_of, digests_for
from tests.describe.official import complaints

DECODER = "FFmpeg libavcodec 62.28.102"
FLOAT = SampleFormat(
    encoding="float", container_bits=32, valid_bits=32, channels=2, sample_rate_hz=48_000
)
PCM = SampleFormat(
    encoding="pcm", container_bits=24, valid_bits=24, channels=2, sample_rate_hz=48_000
)


def coded(container: str, codec: str, profile: str = "", **more: object) -> SoundCoding:
    values: dict[str, object] = {"fidelity": Fidelity.LOSSY, "bit_rate_bit_s": 96_330}
    return SoundCoding(
        container=container,
        codec=codec,
        profile=profile,
        decoder=DECODER,
        **values | more,  # type: ignore[arg-type]
    )


AAC = coded("MP4", "AAC", "LC")
ALAC = coded("QuickTime", "ALAC", fidelity=Fidelity.LOSSLESS, bit_rate_bit_s=644_000)
LINEAR = coded("QuickTime", "PCM", fidelity=Fidelity.LINEAR, bit_rate_bit_s=None)
WAVE = SoundCoding(container="WAVE", codec="PCM", fidelity=Fidelity.LINEAR)


def a_take() -> Take:
    return a_session().takes[0]


def lines(samples: SampleFormat, coding: SoundCoding) -> list[str]:
    history = capture_steps(a_session(), a_take(), samples, coding)
    history += own_step(samples, coding, "archiver 0.1.0")
    assert history.isascii()
    return history.rstrip("\r\n").split("\r\n")


def test_a_lossy_capture_is_never_called_linear() -> None:
    first, capture, own = lines(FLOAT, AAC)
    assert first.startswith("A=ANALOGUE,")
    # R 98 has no value for AAC; no word length, for there is none.
    assert capture == ("A=AAC,F=48000,M=stereo,T=Boelge FR-2;A/D;AAC LC in MP4;96 kbit/s;lossy")
    assert own == (
        "A=PCM,F=48000,W=32,M=stereo,T=archiver 0.1.0;decoded from AAC LC by FFmpeg libavcodec "
        "62.28.102;decoded samples unchanged"
    )


@pytest.mark.parametrize(
    ("codec", "algorithm"),
    [
        ("MPEG-1 layer II", "MPEG1L2"),
        ("MPEG-1 layer III", "MPEG1L3"),
        ("MPEG-2 layer III", "MPEG2L3"),
    ],
)
def test_a_layer_has_its_word_and_its_bit_rate_a_channel(codec: str, algorithm: str) -> None:
    # EBU R 98-1999: B is the bit rate per channel, for MPEG coding only.
    history = capture_steps(
        a_session(), a_take(), FLOAT, coded("MP4", codec, bit_rate_bit_s=256_000)
    )
    line = parse(history)[-1]
    assert line.deviations == ()
    assert (line.step.algorithm, line.step.bit_rate_kbit_s) == (algorithm, 128)
    assert line.step.word_length_bits is None


def test_a_lossless_capture_is_linear_to_the_letter_and_says_its_coding() -> None:
    _, capture, own = lines(PCM, ALAC)
    assert capture == (
        "A=PCM,F=48000,W=24,M=stereo,T=Boelge FR-2;A/D;ALAC in QuickTime;644 kbit/s;lossless"
    )
    assert own.endswith("decoded from ALAC by FFmpeg libavcodec 62.28.102;samples unchanged")
    assert all(not line.deviations for line in parse(f"{capture}\r\n{own}\r\n"))


def test_a_wave_file_needs_no_word_on_its_coding() -> None:
    _, capture, own = lines(PCM, WAVE)
    assert capture == "A=PCM,F=48000,W=24,M=stereo,T=Boelge FR-2;A/D"
    assert own == "A=PCM,F=48000,W=24,M=stereo,T=archiver 0.1.0;metadata added;samples unchanged"


def test_without_a_chain_the_coding_is_told_all_the_same() -> None:
    session = dataclasses.replace(a_session(), chains=())
    assert capture_steps(session, a_take(), PCM, WAVE) == ""
    assert capture_steps(session, a_take(), FLOAT, AAC) == (
        "A=AAC,F=48000,M=stereo,T=AAC LC in MP4;96 kbit/s;lossy\r\n"
    )


def archive_with(coding: SoundCoding, samples: SampleFormat) -> Archive:
    """The hand-made archive, the capture of its first take being a video that is kept."""
    archive = archive_of(a_session())
    take = archive.session.takes[0]
    original = FileFacts(
        path="data/originals/phone.mp4",
        size_bytes=4711,
        digests=digests_for("phone"),
        media_type="video/mp4",
        role=FileRole.ORIGINAL,
        take=take.id,
        original_name="takes/phone.mp4",
    )
    takes = (dataclasses.replace(take, file="takes/phone.mp4"), *archive.session.takes[1:])
    first = dataclasses.replace(archive.masters[0], samples=samples, coding=coding)
    files = (
        dataclasses.replace(archive.files[0], original_name=None),
        *archive.files[1:],
        original,
    )
    return dataclasses.replace(
        archive,
        session=dataclasses.replace(archive.session, takes=takes),
        files=files,
        masters=(first, *archive.masters[1:]),
    )


@pytest.mark.parametrize(("coding", "samples"), [(AAC, FLOAT), (ALAC, PCM), (LINEAR, PCM)])
def test_documents_with_a_coded_capture_validate(
    official_schemas: Path, coding: SoundCoding, samples: SampleFormat
) -> None:
    archive = archive_with(coding, samples)
    documents = documents_of(archive)
    for document in documents:
        if document.path.endswith(".xml"):
            assert complaints(official_schemas, document.path, document.content) == []
    assert check_documents(documents, archive) == ()
    axml = axml_for(
        archive.session,
        archive.session.takes[0],
        samples=samples,
        frames=5,
        file_name="x.wav",
        modified=MADE,
        coding=coding,
    )
    assert complaints(official_schemas, places.EBUCORE, axml) == []
    assert f'audioFormatName="{coding.name}"'.encode() in axml


def test_ebucore_and_premis_name_codec_rate_and_decoder() -> None:
    documents = {one.path: one.content for one in documents_of(archive_with(AAC, FLOAT))}
    core = etree.fromstring(documents[places.EBUCORE])
    (capture,) = core.findall(".//{*}format[@formatName='MP4']")
    audio = capture.find("{*}audioFormat")
    assert audio is not None
    assert audio.get("audioFormatName") == "AAC LC"
    assert audio.findtext("{*}bitRate") == "96330"
    assert audio.find("{*}sampleSize") is None
    assert capture.findtext("{*}fileName") == "phone.mp4"
    premis = etree.fromstring(documents[places.PREMIS])
    objects = {
        one.findtext("{*}objectIdentifier/{*}objectIdentifierValue"): one
        for one in premis.findall("{*}object")
    }
    track = objects["data/originals/phone.mp4#sound"]
    assert track.findtext(".//{*}formatName") == "AAC LC"
    assert track.findtext(".//{*}formatNote") == "In MP4; lossy, 96 kbit/s"
    samples = next(
        one for name, one in objects.items() if name and name.endswith("t01.wav#samples")
    )
    told = {
        one.findtext("{*}significantPropertiesType"): one.findtext("{*}significantPropertiesValue")
        for one in samples.findall("{*}significantProperties")
    }
    assert told["coding of the capture"] == "AAC LC in MP4, 96 kbit/s, lossy"
    assert told["decoded by"] == DECODER
    related = samples.findall(".//{*}relatedObjectIdentifierValue")
    assert "data/originals/phone.mp4#sound" in [one.text for one in related]


def a_run(coding: SoundCoding | None) -> RunRecord:
    path = "data/masters/m.wav"
    return RunRecord(
        session="hm-2026-05-03",
        version=1,
        made=MADE,
        program="archiver 0.1.0",
        python="CPython 3.12",
        libraries={},
        algorithms=("sha256",),
        documents=(),
        masters=(
            MasterRecord(
                takes=("t01",),
                capture="takes/phone.mp4",
                file=path,
                measurements="metadata/measurements/t01.json",
                form="RIFF",
                data_offset_bytes=4096,
                data_bytes=40,
                frames=5,
                samples_md5="0" * 32,
                coding=coding,
            ),
        ),
        payload=(PayloadRecord(file=path, take="t01", source="takes/phone.mp4"),),
    )


@pytest.mark.parametrize("coding", [None, AAC, ALAC])
def test_the_record_of_the_run_keeps_the_coding(coding: SoundCoding | None) -> None:
    assert decode_run(encode_run(a_run(coding))) == a_run(coding)


@pytest.mark.parametrize(
    ("coding", "detail", "note", "read_back"),
    [
        (None, "samples of the capture were copied", "samples unchanged", "samples as captured"),
        (WAVE, "samples of the capture were copied", "samples unchanged", "samples as captured"),
        (LINEAR, "taken out of QuickTime", "samples unchanged", "samples as captured"),
        (ALAC, "ALAC in QuickTime", "decoded without loss", "samples as captured"),
        (AAC, "AAC LC in MP4, 96 kbit/s, lossy", "since decoding", "samples as decoded"),
    ],
)
def test_events_say_what_is_unchanged_since_when(
    coding: SoundCoding | None, detail: str, note: str, read_back: str
) -> None:
    run = a_run(coding)
    path = run.masters[0].file
    archive = archive_of_records(
        a_session(),
        run,
        {path: KeptFile(size_bytes=4136, digests={})},
        {path: MeasuredFacts(samples=FLOAT, levels=LEVELS)},
    )
    made, *_, fixity = (one for one in archive.run.events if one.take == "t01")
    assert detail in made.detail
    assert note in made.outcome_note
    assert fixity.outcome_note == read_back


def test_the_depth_of_lossy_sound_is_not_compared_that_of_a_linear_video_is() -> None:
    take, session = a_take(), a_session()
    pcm_16 = dataclasses.replace(PCM, container_bits=16, valid_bits=16)
    codes = {one.code for one in disagreements(session, take, FLOAT, coding=AAC)}
    assert codes == {"capture-rate-differs", "capture-channels-differ"}
    codes = {one.code for one in disagreements(session, take, pcm_16, coding=LINEAR)}
    assert codes == {"capture-rate-differs", "capture-depth-differs", "capture-channels-differ"}


def test_a_video_beside_the_recorder_is_given_a_chain_of_its_own() -> None:
    found = disagreements(a_session(), a_take(), FLOAT, coding=AAC)
    assert all("a chain of its own" in one.remedy for one in found)
    found = disagreements(a_session(), a_take(), PCM, coding=WAVE)
    assert found
    assert all("a chain of its own" not in one.remedy for one in found)
