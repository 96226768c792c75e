from __future__ import annotations

import dataclasses
import json

from archiver.describe.documents import documents_of
from archiver.describe.facts import FileRole, Levels
from archiver.describe.selfcheck import check_documents
from archiver.signal.samples import SampleFormat
from archiver.signal.take import TakeMeter
from tests.describe.archives import an_archive


def test_files_are_found_by_path_by_take_and_by_their_name_in_the_session() -> None:
    archive = an_archive()
    assert archive.by_path["data/photographs/room.png"].original_name == "photographs/room.png"
    assert archive.by_source["photographs/room.png"].path == "data/photographs/room.png"
    assert [file.path for file in archive.by_take["t02"]] == [
        "data/masters/hm-2026-05-03_t02.wav",
        "data/access/hm-2026-05-03_t02.flac",
    ]
    assert archive.master_of["t02"].path == "data/masters/hm-2026-05-03_t02.wav"


def test_the_index_does_not_count_when_archives_are_compared() -> None:
    archive = an_archive()
    assert archive == dataclasses.replace(archive)


def test_levels_are_those_that_were_measured() -> None:
    samples = SampleFormat(
        encoding="pcm", container_bits=16, valid_bits=16, channels=1, sample_rate_hz=8_000
    )
    meter = TakeMeter(samples)
    for consumer in meter.consumers():
        consumer(b"\x00\x10" * 8_000)
    measured = meter.result()
    levels = Levels.of(measured)
    assert levels.integrated_lufs == measured.integrated_lufs
    assert levels.true_peak_dbtp == measured.true_peak_dbtp
    assert levels.max_short_term_lufs == measured.max_short_term_lufs


def test_a_treated_copy_says_so_and_takes_no_length_from_its_master() -> None:
    archive = an_archive()
    copy = next(file for file in archive.files if file.role is FileRole.ACCESS)
    treated = dataclasses.replace(copy, treatment="speed corrected")
    files = tuple(treated if file is copy else file for file in archive.files)
    changed = dataclasses.replace(archive, files=files)
    documents = documents_of(changed)
    assert check_documents(documents, changed) == ()
    texts = {one.path: one.content.decode() for one in documents}
    assert 'typeLabel="access copy, speed corrected"' in texts["metadata/ebucore.xml"]
    crate = json.loads(texts["data/ro-crate-metadata.json"])["@graph"]
    (entity,) = [one for one in crate if one["@id"] == treated.path.removeprefix("data/")]
    assert "duration" not in entity
    assert entity["name"].endswith("(access, speed corrected)")
