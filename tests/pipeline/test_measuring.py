"""Measuring beside the reading: the same bag, and nothing left when the other process ends."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from archiver.errors import SurroundingsError
from archiver.pipeline import measuring
from archiver.pipeline.archive import archive_session
from archiver.pipeline.measuring import Here, TakeMeterLike, loading_beside, measured_beside
from archiver.signal.apart import MeterProcess
from archiver.signal.sampleformat import SampleFormat
from tests.pipeline.making import make_session, snapshot

ALWAYS = 1


def contents(bag: Path) -> dict[str, bytes]:
    return {name: content for name, (_, content) in snapshot(bag).items()}


class Ending:
    """Meters of a process that is ended while the first take passes."""

    def __init__(self, process: MeterProcess) -> None:
        self._process = process

    def meter(self, fmt: SampleFormat, meanings: Sequence[str]) -> TakeMeterLike:
        meter = self._process.meter(fmt, meanings)
        self._process._process.kill()
        self._process._process.wait()
        return meter


@pytest.fixture
def two_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 2)


@pytest.mark.usefixtures("two_cores")
def test_a_bag_is_the_same_wherever_its_takes_are_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1780000000")
    folder = make_session(tmp_path / "s", 1.0)
    here = archive_session(folder, tmp_path / "here")
    with measured_beside(folder, ALWAYS) as meters:
        assert isinstance(meters, MeterProcess)
        apart = archive_session(folder, tmp_path / "apart", meters=meters)
    assert here.bag is not None
    assert apart.bag is not None
    assert contents(here.bag) == contents(apart.bag)


@pytest.mark.usefixtures("two_cores")
def test_nothing_is_left_when_the_process_that_measures_is_ended(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s", 1.0)
    with measured_beside(folder, ALWAYS) as process:
        assert isinstance(process, MeterProcess)
        with pytest.raises(SurroundingsError, match="has ended"):
            archive_session(folder, tmp_path / "to", meters=Ending(process))
    assert not (tmp_path / "to").exists()
    assert archive_session(folder, tmp_path / "to").bag is not None


@pytest.mark.usefixtures("two_cores")
def test_a_short_session_is_measured_here(tmp_path: Path) -> None:
    folder = make_session(tmp_path / "s", 1.0)
    with measured_beside(folder) as meters:
        assert isinstance(meters, Here)


@pytest.mark.usefixtures("two_cores")
def test_a_folder_that_cannot_be_read_is_left_to_those_who_tell(tmp_path: Path) -> None:
    with measured_beside(tmp_path / "missing", ALWAYS) as meters:
        assert isinstance(meters, Here)


def test_one_core_measures_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    folder = make_session(tmp_path / "s", 1.0)
    with measured_beside(folder, ALWAYS) as meters:
        assert isinstance(meters, Here)


@pytest.mark.usefixtures("two_cores")
def test_where_no_process_can_be_started_takes_are_measured_here(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused() -> MeterProcess:
        raise PermissionError

    monkeypatch.setattr(measuring, "MeterProcess", refused)
    folder = make_session(tmp_path / "s", 1.0)
    with measured_beside(folder, ALWAYS) as meters:
        assert archive_session(folder, tmp_path / "to", meters=meters).bag is not None


def test_modules_are_loaded_beside_and_one_that_cannot_be_is_left_to_its_user() -> None:
    sys.modules.pop("colorsys", None)
    before = sys.getswitchinterval()
    with loading_beside(("no_such_module", "colorsys")):
        pass
    assert "colorsys" in sys.modules
    assert sys.getswitchinterval() == before
