"""Power may fail at any moment: under a final name lies the whole or nothing."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from archiver import files
from archiver.package.form import Form
from archiver.package.serialising import serialise
from archiver.package.storing import store
from archiver.package.unpacking import unpack
from tests.package.small_bags import contents, make_bag, sources
from tests.power import Recorder, state_after_failure

STATES = 1_000


def states_of_the_bag(tmp_path: Path, recorder: Recorder, seed: int) -> list[dict[str, bytes]]:
    """What lies under the bag's final name in many possible disks; absent ones left out."""
    with files.use(recorder):
        bag = make_bag(tmp_path / "archive", sources(tmp_path / "session"))
    chance = random.Random(seed)  # noqa: S311 - repeatable failures, no secrets
    changes = recorder.changes
    prefixes = list(range(len(changes) + 1))
    # Every moment once, and the moments from just before the rename on again and again.
    moments = prefixes + [len(changes) - chance.randrange(3) for _ in range(STATES)]
    found = []
    for moment in moments:
        held = state_after_failure(changes[:moment], chance)
        under = {p.relative_to(bag).as_posix(): c for p, c in held.items() if bag in p.parents}
        if under:
            found.append(under)
    return found


def test_bag_is_whole_or_absent_after_a_power_failure_at_any_moment(tmp_path: Path) -> None:
    recorder = Recorder()
    states = states_of_the_bag(tmp_path, recorder, seed=2)
    whole = contents(tmp_path / "archive" / "lhm-2026-04-18")
    assert len(states) > STATES // 4
    assert all(state == whole for state in states)


@pytest.mark.parametrize("forgotten", ["fsync", "fsync_directory"])
def test_flush_that_is_forgotten_would_be_noticed(tmp_path: Path, forgotten: str) -> None:
    recorder = Recorder(deaf_to=frozenset({forgotten}))
    states = states_of_the_bag(tmp_path, recorder, seed=2)
    whole = contents(tmp_path / "archive" / "lhm-2026-04-18")
    assert states
    assert any(state != whole for state in states)


def outcomes(tmp_path: Path, recorder: Recorder) -> set[bytes]:
    place = tmp_path / "record.json"
    place.write_bytes(b"old")
    with files.use(recorder):
        files.write_whole(place, b"new")
    chance = random.Random(3)  # noqa: S311 - repeatable failures, no secrets
    return {
        state_after_failure(recorder.changes[:moment], chance, {place: b"old"})[place]
        for moment in range(len(recorder.changes) + 1)
        for _ in range(50)
    }


def test_small_file_is_old_or_new_after_a_power_failure_at_any_moment(tmp_path: Path) -> None:
    assert outcomes(tmp_path, Recorder()) == {b"old", b"new"}


def test_small_file_that_was_not_flushed_would_be_noticed(tmp_path: Path) -> None:
    assert len(outcomes(tmp_path, Recorder(deaf_to=frozenset({"fsync"})))) > 2


def after_failures(recorder: Recorder, folder: Path) -> list[dict[str, bytes]]:
    """What lies in a folder in many possible disks, as paths below it."""
    chance = random.Random(4)  # noqa: S311 - repeatable failures, no secrets
    changes = recorder.changes
    moments = [*range(len(changes) + 1)] * 4
    moments += [len(changes) - chance.randrange(8) for _ in range(STATES)]
    return [
        {p.relative_to(folder).as_posix(): c for p, c in held.items() if folder in p.parents}
        for moment in moments
        for held in [state_after_failure(changes[:moment], chance)]
    ]


def test_where_the_list_of_a_package_stands_everything_stands(tmp_path: Path) -> None:
    bag = make_bag(tmp_path / "archive", sources(tmp_path / "session"))
    recorder = Recorder()
    with files.use(recorder):
        store(serialise(bag, Form.TAR), tmp_path / "out", part_bytes=1 << 16)
    whole = contents(tmp_path / "out")
    states = after_failures(recorder, tmp_path / "out")
    listed = [state for state in states if f"{bag.name}.tar.sha256" in state]
    assert len(listed) > STATES // 10
    for state in listed:
        # Its own temporary name may have been left behind.
        assert {name: c for name, c in state.items() if not name.startswith(".")} == whole


def test_an_unpacked_bag_is_whole_or_absent_with_what_completes_it(tmp_path: Path) -> None:
    bag = make_bag(tmp_path / "archive", sources(tmp_path / "session"))
    omitted = "data/photographs/horn.png"
    stored = store(serialise(bag, Form.TAR, omit=[omitted]), tmp_path / "out")

    def complete(root: Path) -> None:
        """Bring in what was left out, in a directory that was not there."""
        files.make_directory((root / omitted).parent)
        files.write_whole(root / omitted, (bag / omitted).read_bytes())

    recorder = Recorder()
    with files.use(recorder):
        unpack(tmp_path / "out" / stored.listed.package, tmp_path / "in", complete=complete)
    whole = contents(tmp_path / "in")
    states = [
        found
        for state in after_failures(recorder, tmp_path / "in")
        if (found := {n: c for n, c in state.items() if not n.startswith(".")})
    ]
    assert len(states) > STATES // 10
    assert all(state == whole for state in states)
