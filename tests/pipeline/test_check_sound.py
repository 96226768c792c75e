"""What check finds with the sound measured is what archiving finds, and nothing is written."""

from __future__ import annotations

import shutil
import wave
from pathlib import Path

from archiver.findings import Finding, Severity
from archiver.pipeline.archive import Archived, archive_session
from archiver.pipeline.check import check_session
from tests.pipeline.making import make_session, snapshot, sound, write_take


def told(findings: tuple[Finding, ...]) -> set[tuple[str, str, str]]:
    return {(one.code, str(one.where), one.message) for one in findings}


def test_check_with_the_sound_finds_what_archiving_finds(
    sample_session: Path, sample_archived: Archived
) -> None:
    before = snapshot(sample_session)
    report = check_session(sample_session, sound=True)
    assert sample_archived.bag is not None
    assert told(report.findings) == told(sample_archived.findings)
    assert report.is_measured
    assert snapshot(sample_session) == before
    plain = check_session(sample_session)
    assert not plain.is_measured
    assert told(plain.findings) < told(report.findings)


def test_a_silent_performance_is_told_before_a_bag_is_made(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    capture = next((folder / "takes").glob("*.wav"))
    with wave.open(str(capture), "rb") as read:
        settings, frames = read.getparams(), read.getnframes()
    with wave.open(str(capture), "wb") as written:
        written.setparams(settings)
        written.writeframes(bytes(frames * settings.nchannels * settings.sampwidth))
    silent = {one.code for one in check_session(folder, sound=True).findings}
    silent -= {one.code for one in check_session(folder).findings}
    assert "capture-silent" in silent


def test_sound_is_not_measured_where_errors_stop_the_deposit(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    next((folder / "takes").glob("*")).unlink()
    report = check_session(folder, sound=True)
    assert any(one.severity is Severity.ERROR for one in report.findings)
    assert not report.is_measured


def test_a_capture_copied_over_another_is_told_with_both_takes(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s", takes=3)
    shutil.copyfile(folder / "takes/t1.wav", folder / "takes/t3.wav")
    checked = check_session(folder)
    archived = archive_session(folder, tmp_path / "archive")
    for findings in (checked.findings, archived.findings):
        (twice,) = [one for one in findings if one.code == "take-sound-twice"]
        assert twice.severity is Severity.WARNING
        assert twice.message == (
            "takes/t3.wav of take t3 holds the same samples as takes/t1.wav of take t1"
        )
        assert twice.where.file == "session.yaml"


def test_captures_that_differ_in_one_sample_are_two(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s", takes=2)
    samples = sound(1.0)
    write_take(folder / "takes/t1.wav", samples)
    samples[-1] = 0.5
    write_take(folder / "takes/t2.wav", samples)
    for findings in (
        check_session(folder).findings,
        archive_session(folder, tmp_path / "archive").findings,
    ):
        assert "take-sound-twice" not in {one.code for one in findings}
