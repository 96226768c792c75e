"""Motion in the whole job: stated, measured, derived, and the corrected copy."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import soundfile

from archiver.pipeline.archive import Archived, archive_session
from archiver.pipeline.motion import motion_of, moving_takes
from archiver.progress import Silent
from archiver.schema_store import schema
from archiver.session.load import load_session
from tests.pipeline.making import make_session

TRUTH = Path(__file__).parent.parent / "sample" / "truth.json"


@pytest.fixture(scope="module")
def outcome(sample_session: Path, tmp_path_factory: pytest.TempPathFactory) -> Archived:
    """The sample session archived with access copies, once for the module."""
    to = tmp_path_factory.mktemp("archive")
    archived = archive_session(sample_session, to, access=["flac"])
    assert archived.bag is not None
    return archived


def test_measured_speeds_agree_with_the_truth_of_the_simulator(outcome: Archived) -> None:
    """Judge: the truth kept beside the generator of the sample session."""
    assert outcome.bag is not None
    truth = json.loads(TRUTH.read_text(encoding="utf-8"))
    report = json.loads((outcome.bag / "metadata/motion.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema("motion")).validate(report)
    found = {take["take"]: take for take in report["takes"]}
    for name in ("t04", "t05"):
        known = truth["takes"][name]["reproduction"]
        turned = found[name]["rotation"]["mean_rpm"]
        assert turned["value"] == pytest.approx(known["rotation"]["mean_rpm"], rel=0.002)
        made = found[name]["recording_rpm"]
        assert abs(made["value"] - known["recording"]["mean_rpm"]) < 1.5 * made["uncertainty"]
    assert found["t03"]["tone"]["frequency"]["value"] == pytest.approx(440.0, rel=0.0005)


def test_a_take_that_holds_both_is_told_as_both(sample_session: Path, tmp_path: Path) -> None:
    folder = tmp_path / "s"
    shutil.copytree(sample_session, folder)
    sheet = folder / "session.yaml"
    text = sheet.read_text(encoding="utf-8")
    assert text.count("kind: performance\n") >= 1
    sheet.write_text(
        text.replace("kind: performance\n", "kind: performance and reproduction\n", 1),
        encoding="utf-8",
    )
    session = load_session(folder).session
    assert session is not None
    kinds = {
        take.identifier: str(take.kind)
        for take in motion_of(folder, session, progress=Silent()).takes
    }
    both = [take.id for take in session.takes if take.kind.records and take.kind.plays]
    assert both
    assert [kinds[name] for name in both] == ["performance and reproduction"]


def test_a_stated_speed_that_the_sound_contradicts_is_a_warning(outcome: Archived) -> None:
    codes = [finding.code for finding in outcome.findings]
    assert codes.count("motion-speed-disagrees") == 2


def test_the_corrected_copy_sounds_at_the_pitch_of_the_performance(outcome: Archived) -> None:
    """Known answer: the pitch pipe of 440 Hz, which the replay raised by 6.5 %."""
    assert outcome.bag is not None
    copies = sorted((outcome.bag / "data/access").glob("*_speed-corrected.flac"))
    assert [path.name for path in copies] == [
        "lhm-2026-10-17_t04_speed-corrected.flac",
        "lhm-2026-10-17_t05_speed-corrected.flac",
    ]
    sound, rate = soundfile.read(copies[1])
    pipe = sound[int(1.5 * rate) : int(2.5 * rate)]
    assert pitch_near(pipe, rate, 440.0) == pytest.approx(440.0, rel=0.004)
    master, _ = soundfile.read(outcome.bag / "data/masters/lhm-2026-10-17_t05.wav")
    pipe = master[int(1.2 * rate) : int(2.1 * rate)]
    assert pitch_near(pipe, rate, 465.0) == pytest.approx(440.0 * 1.0646, rel=0.01)


def test_a_replay_that_ran_right_gets_no_corrected_copy_and_that_is_said(
    sample_session: Path, tmp_path: Path
) -> None:
    folder = tmp_path / "s"
    shutil.copytree(sample_session, folder)
    # A replay that is the performance once more, to the sample.
    shutil.copyfile(folder / "takes/0003.wav", folder / "takes/0004.wav")
    outcome = archive_session(folder, tmp_path / "archive", access=["flac"])
    assert outcome.bag is not None, [str(f) for f in outcome.findings]
    names = [path.name for path in (outcome.bag / "data/access").glob("*_speed-corrected.flac")]
    assert names == ["lhm-2026-10-17_t05_speed-corrected.flac"]
    (told,) = (f for f in outcome.findings if f.code == "motion-nothing-to-correct")
    assert "t04" in told.message
    assert told.where.line is not None
    report = json.loads((outcome.bag / "metadata/motion.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema("motion")).validate(report)
    needed = {
        take["take"]: take["speed_curve"]["correction"]
        for take in report["takes"]
        if "speed_curve" in take
    }
    assert needed["t05"] == {"needed": True}
    assert needed["t04"]["needed"] is False
    assert needed["t04"]["reason"] in told.message


def pitch_near(sound: np.ndarray, rate: int, guess: float) -> float:
    """The strongest frequency within 8 % of a guess, by a long Fourier transform."""
    size = 1 << 20
    power = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), size))
    frequencies = np.fft.rfftfreq(size, 1 / rate)
    near = np.abs(frequencies / guess - 1) < 0.08
    return float(frequencies[near][np.argmax(power[near])])


def test_takes_without_a_machine_are_not_measured_for_motion(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s")
    session = load_session(folder).session
    assert session is not None
    assert moving_takes(session) == ()
    assert motion_of(folder, session, progress=Silent()).takes == ()
