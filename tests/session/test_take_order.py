"""Takes in time: playing counts and overlaps."""

from __future__ import annotations

from pathlib import Path

import pytest

from archiver.session import Session, check_durations, load_session
from tests.session.folders import codes, edit, whole_session, write

SHEET = "session.yaml"


def with_takes(folder: Path, *takes: str) -> Path:
    """Replace the takes of the template by others, each with a file of its own."""
    whole_session(folder)
    text = (folder / SHEET).read_text(encoding="utf-8")
    head, rest = text.split("takes:\n  - id", 1)
    tail = rest[rest.index("# Photographs of the session") :]
    listed = ""
    for number, take in enumerate(takes, start=1):
        write(folder, f"takes/{number:04d}.wav", b"RIFF")
        listed += f"  - {{id: t{number:02d}, file: takes/{number:04d}.wav, setup: s1, {take}}}\n"
    (folder / SHEET).write_text(f"{head}takes:\n{listed}{tail}", encoding="utf-8")
    for path in sorted((folder / "takes").glob("*.wav"))[len(takes) :]:
        path.unlink()
    return folder


PLAY = "kind: reproduction"
RECORD = "kind: performance"
BOTH = "kind: performance and reproduction"


@pytest.mark.parametrize(
    ("takes", "expected"),
    [
        ((f"{RECORD}, playings_before: 0", f"{PLAY}, playings_before: 0", f"{PLAY}, playings_before: 1"), []),
        # Played elsewhere in between: more is no contradiction.
        ((f"{PLAY}, playings_before: 3", f"{PLAY}, playings_before: 9"), []),
        # Nothing is stated in between; the plays still count.
        ((f"{PLAY}, playings_before: 3", PLAY, f"{PLAY}, playings_before: 5"), []),
        ((f"{PLAY}, playings_before: 3", PLAY, f"{PLAY}, playings_before: 4"), ["take-playings-not-counted"]),
        ((f"{PLAY}, playings_before: 3", f"{PLAY}, playings_before: 3"), ["take-playings-not-counted"]),
        ((f"{PLAY}, playings_before: 3", f"{PLAY}, playings_before: 2"), ["take-playings-backwards"]),
        # Shaved and recorded anew.
        ((f"{PLAY}, playings_before: 3", f"{RECORD}, playings_before: 0", f"{PLAY}, playings_before: 0"), []),
        ((f"{BOTH}, playings_before: 0", f"{PLAY}, playings_before: 1"), []),
        ((f"{BOTH}, playings_before: 0", f"{PLAY}, playings_before: 0"), ["take-playings-not-counted"]),
        # Another medium has a count of its own.
        ((f"{PLAY}, playings_before: 3", f"{PLAY}, medium: cyl-08, playings_before: 0"), []),
    ],
)  # fmt: skip
def test_playing_counts_of_a_medium(
    tmp_path: Path, takes: tuple[str, ...], expected: list[str]
) -> None:
    folder = with_takes(tmp_path, *takes)
    edit(folder, SHEET, "media:\n", "media:\n  - {id: cyl-08, kind: wax cylinder}\n")
    assert codes(load_session(folder)) == expected


def test_playing_counts_follow_the_start_times_where_all_are_stated(tmp_path: Path) -> None:
    folder = with_takes(
        tmp_path,
        f"{PLAY}, playings_before: 4, start: 2026-04-18T15:00:00+02:00",
        f"{PLAY}, playings_before: 3, start: 2026-04-18T14:30:00+02:00",
    )
    assert load_session(folder).findings == ()


def _session(folder: Path) -> Session:
    session = load_session(whole_session(folder)).session
    assert session is not None
    return session


@pytest.mark.parametrize(
    ("duration_s", "expected"),
    [
        (60.0, []),
        (516.0, []),  # from 14:12:05 to 14:20:41
        (517.0, []),  # start times are written to the second
        (517.5, ["take-overlap"]),
        (576.0, ["take-overlap"]),  # what 6 in at 160 tpi hold at 100 rpm: 960 turns
        (3600.0, ["take-exceeds-capacity", "take-overlap"]),
    ],
)
def test_takes_of_one_chain_do_not_overlap(
    tmp_path: Path, duration_s: float, expected: list[str]
) -> None:
    findings = check_durations(_session(tmp_path), {"t01": duration_s})
    assert [finding.code for finding in findings] == expected


def test_a_take_without_a_known_duration_is_passed_over(tmp_path: Path) -> None:
    assert check_durations(_session(tmp_path), {}) == []
