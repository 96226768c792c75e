"""A folder whose disk fails, dies or loses power at every single call."""

from __future__ import annotations

import errno
import random
import tempfile
from pathlib import Path

import pytest

from archiver import files
from archiver.custody.places import Sent, open_place
from archiver.errors import ArchiverError
from tests.custody.transport.sendables import some_bytes
from tests.faults import FaultySeam, ProcessDeathError
from tests.power import Recorder, state_after_failure

PARCEL = some_bytes("lhm-2026-04-18.tar", 2_500)
MOST_CALLS = 200
STATES = 1_000


@pytest.fixture
def drive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("drive", "temporary"):
        (tmp_path / name).mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    return tmp_path / "drive"


def send(drive: Path, folder: str = "2026") -> Sent:
    with open_place(drive, chunk_bytes=1_000) as place:
        return place.send(PARCEL, folder=folder)


@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC, errno.EACCES, 0])
def test_a_fault_at_any_call_leaves_the_name_whole_or_absent(drive: Path, number: int) -> None:
    faults = 0
    for call in range(1, MOST_CALLS):
        seam = FaultySeam(fail_at=call, errno=number)
        folder = f"run-{call}"
        target = drive / folder / PARCEL.name
        with files.use(seam):
            try:
                send(drive, folder)
            except (ArchiverError, ProcessDeathError):
                assert seam.injected == 1
        if target.exists():
            assert target.read_bytes() == PARCEL.content
        # Whatever was left, the next run needs nobody's help.
        assert send(drive, folder).sha256 == PARCEL.sha256
        assert target.read_bytes() == PARCEL.content
        assert [path.name for path in target.parent.iterdir()] == [PARCEL.name]
        faults += seam.injected
        if not seam.injected:
            break
    else:
        pytest.fail("a send makes more calls than were tried")
    assert faults > 20


def states(drive: Path, recorder: Recorder) -> list[bytes | None]:
    """What lies under the final name in many possible disks."""
    with files.use(recorder):
        send(drive)
    target = drive / "2026" / PARCEL.name
    chance = random.Random(4)  # noqa: S311 - repeatable failures, no secrets
    changes = recorder.changes
    moments = [*range(len(changes) + 1)]
    moments += [len(changes) - chance.randrange(3) for _ in range(STATES)]
    return [state_after_failure(changes[:moment], chance).get(target) for moment in moments]


def test_a_name_is_whole_or_absent_after_a_power_failure_at_any_moment(drive: Path) -> None:
    found = states(drive, Recorder())
    assert set(found) == {None, PARCEL.content}


def test_a_flush_of_the_file_that_is_forgotten_would_be_noticed(drive: Path) -> None:
    found = states(drive, Recorder(deaf_to=frozenset({"fsync"})))
    assert set(found) - {None, PARCEL.content}


def test_a_sent_name_outlasts_a_power_failure(drive: Path) -> None:
    def after_the_end(recorder: Recorder) -> set[bytes | None]:
        with files.use(recorder):
            send(drive, f"with-{len(recorder.deaf_to)}")
        target = drive / f"with-{len(recorder.deaf_to)}" / PARCEL.name
        chance = random.Random(5)  # noqa: S311 - repeatable failures, no secrets
        return {state_after_failure(recorder.changes, chance).get(target) for _ in range(200)}

    assert after_the_end(Recorder()) == {PARCEL.content}
    assert None in after_the_end(Recorder(deaf_to=frozenset({"fsync_directory"})))
