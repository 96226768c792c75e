"""What check finds with the sound measured is what archiving finds, and nothing is written."""

from __future__ import annotations

import wave
from pathlib import Path

from archiver.findings import Finding, Severity
from archiver.pipeline.archive import archive_session
from archiver.pipeline.check import check_session
from tests.pipeline.making import make_session, snapshot


def told(findings: tuple[Finding, ...]) -> set[tuple[str, str, str]]:
    return {(one.code, str(one.where), one.message) for one in findings}


def test_check_with_the_sound_finds_what_archiving_finds(
    tmp_path: Path, sample_session: Path
) -> None:
    before = snapshot(sample_session)
    report = check_session(sample_session, sound=True)
    outcome = archive_session(sample_session, tmp_path / "archive")
    assert outcome.bag is not None
    assert told(report.findings) == told(outcome.findings)
    assert report.is_measured
    assert snapshot(sample_session) == before
    plain = check_session(sample_session)
    assert not plain.is_measured
    assert told(plain.findings) < told(report.findings)


def test_a_silent_performance_is_told_before_a_bag_is_made(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    capture = next((folder / "takes").glob("*.wav"))
    with wave.open(str(capture), "rb") as sound:
        settings, frames = sound.getparams(), sound.getnframes()
    with wave.open(str(capture), "wb") as sound:
        sound.setparams(settings)
        sound.writeframes(bytes(frames * settings.nchannels * settings.sampwidth))
    silent = {one.code for one in check_session(folder, sound=True).findings}
    silent -= {one.code for one in check_session(folder).findings}
    assert "capture-silent" in silent


def test_sound_is_not_measured_where_errors_stop_the_deposit(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    next((folder / "takes").glob("*")).unlink()
    report = check_session(folder, sound=True)
    assert any(one.severity is Severity.ERROR for one in report.findings)
    assert not report.is_measured
