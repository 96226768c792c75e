"""A session against the one before: counts, parts and condition carried forward."""

from __future__ import annotations

from pathlib import Path

import pytest

from archiver.errors import MisuseError
from archiver.session import Session, load_session
from archiver.session.media_wear import wear_of
from archiver.session.previous import check_against, condition_since, same_media
from tests.session.folders import edit, whole_session

SHEET = "session.yaml"
MACHINE = "machines/example-machine.yaml"


@pytest.fixture
def first(tmp_path: Path) -> Session:
    """One recording and one playing on a cylinder with 2 recordings and 0 playings."""
    return session_of(earlier_session(tmp_path / "first"))


def earlier_session(folder: Path) -> Path:
    whole_session(folder)
    edit(folder, SHEET, "  identifier: lhm-2026-04-18", "  identifier: lhm-2026-03-01")
    return folder


def session_of(folder: Path) -> Session:
    session = load_session(folder).session
    assert session is not None
    return session


def test_a_session_counts_on_from_what_is_stated_with_the_medium(first: Session) -> None:
    (wear,) = wear_of(first)
    assert (wear.recordings_before, wear.recorded, wear.recordings_after) == (2, 1, 3)
    assert (wear.playings_before, wear.played, wear.playings_after) == (0, 1, 1)
    assert wear.as_json()["playings_after"] == 1


CASES: dict[str, tuple[str, str, str, list[str]]] = {
    # name: file, old, new, codes; the sheet as laid out says recordings 2, playings 0
    "counts carried forward": (SHEET, "    recordings: 2  ", "    recordings: 3  ", ["medium-carried-backwards"]),
    "playings carried forward too": (SHEET, "    recordings: 2                           # how many had been made on it, ever (optional)\n    playings: 0  ", "    recordings: 3\n    playings: 1 ", []),
    "played between": (SHEET, "    recordings: 2                           # how many had been made on it, ever (optional)\n    playings: 0  ", "    recordings: 3\n    playings: 4 ", ["medium-played-between"]),
    "recorded anew between": (SHEET, "    recordings: 2  ", "    recordings: 4  ", ["medium-played-between"]),
    "recordings not stated": (SHEET, "    recordings: 2                           # how many had been made on it, ever (optional)\n    playings: 0  ", "    playings: 1 ", ["medium-carried-forward"]),
    "shaved less": (SHEET, "    shavings: 2                             # how often it had been shaved (optional)\n    recordings: 2                           # how many had been made on it, ever (optional)\n    playings: 0  ", "    shavings: 1\n    recordings: 3\n    playings: 1 ", ["medium-carried-backwards"]),
}  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "expected"), CASES.values(), ids=list(CASES))
def test_counts_go_on_from_session_to_session(
    tmp_path: Path, first: Session, file: str, old: str, new: str, expected: list[str]
) -> None:
    folder = whole_session(tmp_path / "second")
    edit(folder, file, old, new)
    findings = check_against(first, session_of(folder))
    assert [finding.code for finding in findings] == expected
    for finding in findings:
        assert finding.where.file == SHEET
        assert finding.where.line is not None
        assert finding.accepted


def test_the_same_counts_again_go_backwards(tmp_path: Path, first: Session) -> None:
    second = session_of(whole_session(tmp_path / "second"))
    findings = check_against(first, second)
    assert [finding.code for finding in findings] == ["medium-carried-backwards"] * 2
    assert "says 2 recordings of medium `cyl-07`, which had 3" in findings[0].message


@pytest.mark.parametrize(
    ("old", "new", "same"),
    [
        ("  - id: cyl-07", "  - id: cyl-7b", True),  # known by its inventory number
        ("LHM 2019.31 ", "LHM 2019.99 ", False),  # another object that reuses the short name
        ("    inventory_number: LHM 2019.31 ", "    # ", True),  # known by its label
    ],
)
def test_a_medium_is_known_again(
    tmp_path: Path, first: Session, old: str, new: str, same: bool
) -> None:
    folder = whole_session(tmp_path / "second")
    edit(folder, SHEET, old, new)
    assert bool(same_media(first, session_of(folder))) is same


@pytest.mark.parametrize(
    ("file", "old", "new", "code", "words"),
    [
        (SHEET, "    kind: wax cylinder\n", "    kind: celluloid cylinder\n", "medium-changed", "was a wax cylinder"),
        (SHEET, "    thickness: 6 mm ", "    thickness: 7 mm ", "medium-changed", "is 7 mm, but was 6 mm"),
        (MACHINE, "name: lid, state: missing", "name: lid, state: restored", "part-changed", "is restored, and was missing"),
        (MACHINE, "  - {name: lid, state: missing}\n", "", "part-changed", "is not listed any more"),
        (MACHINE, "  - {name: lid, state: missing}\n", "  - {name: lid, state: missing}\n  - {name: crank, state: original}\n", "part-changed", "was not listed"),
        (MACHINE, "    state: replaced\n    material: steel\n    date: 1990~\n    by: the museum's workshop\n    reversible: yes\n", "    state: original\n", "part-became-original", "was replaced"),
        (SHEET, "    grade: good\n    note: runs quietly", "    grade: poor\n    note: squeaks", "condition-worse", "example-machine as a whole: good, then poor (squeaks)"),
        (SHEET, "{part: diaphragm, grade: fair, note: fine crack near the rim}", "{part: diaphragm, grade: good}", "condition-changed", "diaphragm: fair, then good"),
    ],
)  # fmt: skip
def test_what_changed_since_the_session_before_is_told(
    tmp_path: Path, first: Session, file: str, old: str, new: str, code: str, words: str
) -> None:
    folder = whole_session(tmp_path / "second")
    edit(
        folder,
        SHEET,
        "    recordings: 2                           # how many had been made on it, ever (optional)\n    playings: 0  ",
        "    recordings: 3\n    playings: 1 ",
    )
    edit(folder, file, old, new)
    findings = check_against(first, session_of(folder))
    assert [finding.code for finding in findings] == [code]
    assert words in findings[0].message


def test_a_report_after_the_session_before_counts_more_than_one_before_it(
    tmp_path: Path,
) -> None:
    folder = earlier_session(tmp_path / "first")
    edit(
        folder,
        SHEET,
        "  - medium: cyl-07\n    when: before\n",
        "  - {machine: example-machine, when: after, grade: fair}\n  - medium: cyl-07\n    when: before\n",
    )
    second = session_of(whole_session(tmp_path / "second"))
    (change,) = [each for each in condition_since(session_of(folder), second) if not each.part]
    assert str(change) == "example-machine as a whole: fair, then good (runs quietly)"
    assert not change.is_worse


def test_the_same_session_is_no_session_before(tmp_path: Path) -> None:
    session = session_of(whole_session(tmp_path / "s"))
    with pytest.raises(MisuseError, match="the session lhm-2026-04-18 itself") as caught:
        check_against(session, session)
    assert "--version or --replaces" in caught.value.remedy


def test_a_session_that_began_later_is_no_session_before(tmp_path: Path, first: Session) -> None:
    folder = whole_session(tmp_path / "s")
    edit(folder, SHEET, "  start: 2026-04-18T14:00:00+02:00", "  start: 2026-04-18T13:00+02:00")
    with pytest.raises(MisuseError, match="began on 2026-04-18T14:00:00"):
        check_against(first, session_of(folder))
