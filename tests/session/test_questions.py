"""Asking for a session: somebody answers, and the sheet is judged by its reading."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from archiver.errors import MisuseError
from archiver.pipeline.new import KEPT_ANSWERS, new_session, new_session_by_questions
from archiver.session import DriveKind, Role, Session, TakeKind, load_session
from tests.session.folders import codes, write


class Person:
    """Answers questions by how they begin, one answer after the other, then empty lines."""

    def __init__(self, answers: dict[str, list[str]]) -> None:
        self.asked: list[str] = []
        self.told: list[str] = []
        self._left: dict[str, Iterator[str]] = {
            beginning: iter(given) for beginning, given in answers.items()
        }

    def ask(self, prompt: str) -> str:
        self.asked.append(prompt)
        if len(self.asked) > 300:
            raise EOFError
        for beginning, left in self._left.items():
            if prompt.startswith(beginning):
                return next(left, "") + "\n"
        return "\n"

    def tell(self, line: str) -> None:
        self.told.append(line)


NEEDED = {
    "Name of the session": ["lhm-2026-05-03"],
    "Title of the session": ["A trial: the first"],
    "When the session began": ["2026-05-03T10:00:00+02:00"],
    "Where the session": ["Workshop"],
    "Full name": ["Museet for Lyd"],
    "Country": ["DK"],
    "Short name in ASCII": ["MFL"],
    "The rights": ["Free to use"],
    "What channel": ["horn mouth"],
    "The captured file": ["takes/1.wav"],
    "What the take is": ["announcement"],
}
WHOLE = NEEDED | {
    "Name as it may": ["Åse Brønd", "Åse Brønd"],
    "What the person did": ["performer", "rec"],
    "Whether consent": ["yes", "yes"],
    "How the channels": ["stereo"],
    "What channel": ["horn mouth", "room"],
    "Name of the machine": ["Vesterholm B"],
    "What kind of machine": ["dictating machine"],
    "When it was made": ["1907-02-29", "[1907..1910]"],
    "Pitch": ["160 rpm", "160 tpi"],
    "Identifier written": ["No. 7"],
    "What kind of medium": ["wax", "wax cylinder"],
    "How often": ["3"],
    "Kind of drive": ["spring"],
    "Speed at which": ["100 rpm"],
    "The captured file": ["takes/1.wav", "takes/2.wav"],
    "What the take is": ["performance", "repro"],
    "Which take it reproduces": ["t9", "t01"],
    "Who took part": ["ase-brond, nobody", "ase-brond, ase-brond-2"],
}


def answered(folder: Path, person: Person) -> Session:
    made = new_session_by_questions(folder, person.ask, person.tell)
    assert "session.yaml" in made.files
    session = load_session(folder).session
    assert session is not None
    return session


def test_what_is_needed_makes_a_sheet_without_a_fault_of_form(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    session = answered(folder, Person(NEEDED))
    assert codes(load_session(folder)) == ["take-file-missing"]
    assert session.title == "A trial: the first"
    assert session.rights.holder == "Museet for Lyd"  # offered, and taken by an empty answer
    assert session.language == "en"
    assert [take.kind for take in session.takes] == [TakeKind.ANNOUNCEMENT]


def test_a_whole_session_is_asked_for(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    person = Person(WHOLE)
    session = answered(folder, person)
    for number in (1, 2):
        write(folder, f"takes/{number}.wav", b"RIFF")
    assert codes(load_session(folder)) == []
    assert [each.id for each in session.operators] == ["ase-brond", "ase-brond-2"]
    assert session.operators[1].role is Role.RECORDING_ENGINEER  # begun, and completed
    assert session.chains[0].channels == ("horn mouth", "room")
    machine = session.machines[0]
    assert machine.id == "vesterholm-b"
    assert machine.made is not None
    assert machine.made.date is not None
    assert machine.made.date.text == "[1907..1910]"
    assert session.setups[0].drive is not None
    assert session.setups[0].drive.kind is DriveKind.SPRING
    first, second = session.takes
    assert session.machine_of(first) is machine
    assert session.medium_of(second) is session.media[0]
    assert second.reproduces == "t01"
    assert second.operators == ()
    told = " ".join(person.told)
    assert "1907 was no leap year" in told
    assert "speed of rotation" in told
    assert "There is no nobody" in told
    assert "There is no t9" in told


def test_an_answer_is_refused_as_the_sheet_would_refuse_it(tmp_path: Path) -> None:
    person = Person(NEEDED | {"Name of the session": ["LHM 2026", "?", "", "lhm-2026-05-03"]})
    session = answered(tmp_path / "s", person)
    assert session.identifier == "lhm-2026-05-03"
    told = " ".join(person.told)
    assert "`LHM 2026` is not of the accepted form" in told
    assert "Example: lhm-2026-04-18" in told
    assert "This is needed, such as" in told


def test_answers_that_end_before_the_first_leave_nothing(tmp_path: Path) -> None:
    person = Person({})
    with pytest.raises(MisuseError, match="ended before the last question"):
        new_session_by_questions(tmp_path / "s", person.ask, person.tell)
    assert not (tmp_path / "s").exists()


class LeavingError(Exception):
    """The person goes away in the middle of a question."""


@pytest.mark.parametrize("until", range(1, 60, 7))
def test_what_was_answered_is_kept_and_gone_on_with(tmp_path: Path, until: int) -> None:
    """Whoever goes on is asked each question once, and gets the sheet of one sitting."""
    person, at_once = Person(WHOLE), Person(WHOLE)
    new_session_by_questions(tmp_path / "once", at_once.ask, at_once.tell)

    def ask(prompt: str) -> str:
        if len(person.asked) == until:
            raise LeavingError
        return person.ask(prompt)

    folder = tmp_path / "s"
    with pytest.raises(LeavingError):
        new_session_by_questions(folder, ask, person.tell)
    assert [path.name for path in folder.iterdir()] == [KEPT_ANSWERS]
    with pytest.raises(MisuseError, match="answers that were given before"):
        new_session(folder)
    new_session_by_questions(folder, person.ask, person.tell)
    assert person.asked == at_once.asked
    assert not (folder / KEPT_ANSWERS).exists()
    for name in ("session.yaml", "machines/vesterholm-b.yaml"):
        assert (folder / name).read_bytes() == (tmp_path / "once" / name).read_bytes()


def test_answers_to_other_questions_are_not_taken_over(tmp_path: Path) -> None:
    write(tmp_path / "s", KEPT_ANSWERS, b"Another question:\tAnother answer\nStill another:\tX\n")
    session = answered(tmp_path / "s", Person(NEEDED))
    assert session.title == "A trial: the first"


def test_without_a_take_the_sheet_lacks_the_takes(tmp_path: Path) -> None:
    person = Person({key: value for key, value in NEEDED.items() if "captured file" not in key})
    made = new_session_by_questions(tmp_path / "s", person.ask, person.tell)
    assert made.takes_named is False
    assert codes(load_session(tmp_path / "s")) == ["sheet-missing-field"]


def test_a_question_after_a_moment_or_a_quantity_shows_how_it_is_written(tmp_path: Path) -> None:
    person = Person(WHOLE)
    new_session_by_questions(tmp_path / "s", person.ask, person.tell)
    (began,) = [asked for asked in person.asked if asked.startswith("When the session began")]
    assert "such as 2026-04-18T14:00:00+02:00" in began


def test_an_everyday_moment_is_answered_with_the_corrected_form(tmp_path: Path) -> None:
    begins = ["03.05.2026 10:00", "2026-05-03T10:00:00+02:00"]
    person = Person(NEEDED | {"When the session began": begins})
    answered(tmp_path / "s", person)
    assert "Write 2026-05-03T10:00+02:00" in " ".join(person.told)


def test_a_folder_in_use_is_refused_before_the_first_question(tmp_path: Path) -> None:
    write(tmp_path, "note.txt", b"kept")
    person = Person(NEEDED)
    with pytest.raises(MisuseError, match="not empty"):
        new_session_by_questions(tmp_path, person.ask, person.tell)
    assert person.asked == []


def test_moments_that_cannot_be_are_refused_at_once(tmp_path: Path) -> None:
    person = Person(
        NEEDED
        | {
            "When the session began": [
                "1826-05-03T10:00+02:00", "2026-05-03T10:00+22:00", "2026-05-03T10:00+02:00",
            ],
            "When the session ended": ["2026-05-02T12:00+02:00", "2026-05-03T12:00+02:00"],
        }
    )  # fmt: skip
    session = answered(tmp_path / "s", person)
    assert session.start.text == "2026-05-03T10:00+02:00"
    assert session.end is not None
    assert session.end.text == "2026-05-03T12:00+02:00"
    told = "\n".join(person.told)
    assert "the session starts at 1826" in told
    assert "the offset +22:00, which does not exist" in told
    assert "ends at 2026-05-02T12:00+02:00, before its start" in told


def test_an_answer_can_be_taken_back(tmp_path: Path) -> None:
    person = Person(
        NEEDED
        | {
            "Title of the session": ["Wrong", "A trial: the first"],
            "When the session began": ["back", "2026-05-03T10:00:00+02:00"],
        }
    )
    session = answered(tmp_path / "s", person)
    assert session.title == "A trial: the first"
    assert session.identifier == "lhm-2026-05-03"
    asked = [prompt.split()[0] for prompt in person.asked[:5]]
    assert asked == ["Name", "Title", "When", "Title", "When"]
    assert "back returns to the question before" in " ".join(person.told)


def test_refused_answers_are_no_question_to_go_back_to(tmp_path: Path) -> None:
    person = Person(
        NEEDED
        | {
            "Title of the session": ["Wrong", "A trial: the first"],
            "When the session began": ["yesterday", "?", "back", "2026-05-03T10:00:00+02:00"],
        }
    )
    assert answered(tmp_path / "s", person).title == "A trial: the first"


def test_before_the_first_question_there_is_none_to_go_back_to(tmp_path: Path) -> None:
    person = Person(NEEDED | {"Name of the session": ["back", "back", "lhm-2026-05-03"]})
    assert answered(tmp_path / "s", person).identifier == "lhm-2026-05-03"


@pytest.mark.parametrize("at", range(2, 50, 5))
def test_going_back_anywhere_and_answering_the_same_changes_nothing(
    tmp_path: Path, at: int
) -> None:
    once = Person(WHOLE)
    new_session_by_questions(tmp_path / "once", once.ask, once.tell)
    given: list[tuple[str, str]] = []
    person = Person(WHOLE)
    again: list[str] = []

    def ask(prompt: str) -> str:
        if len(given) == at and not again:
            asked = prompt
            # Refused answers of the question before are given again as they were.
            before = [g for g in given if g[0] != asked][-1][0]
            tail = given[max(i for i, g in enumerate(given) if g[0] not in (asked, before)) + 1 :]
            again.extend(answer for _, answer in tail)
            return "back\n"
        if len(again) > 0 and again[0] != "done":
            answer = again.pop(0)
            if not again:
                again.append("done")
            return answer
        answer = person.ask(prompt)
        given.append((prompt, answer))
        return answer

    new_session_by_questions(tmp_path / "s", ask, person.tell)
    for name in ("session.yaml", "machines/vesterholm-b.yaml"):
        assert (tmp_path / "s" / name).read_bytes() == (tmp_path / "once" / name).read_bytes()


def test_the_machine_is_called_by_the_name_that_was_given(tmp_path: Path) -> None:
    person = Person(WHOLE)
    answered(tmp_path / "s", person)
    assert "\nHow Vesterholm B was set up" in person.told


def test_check_of_answers_that_are_not_complete_says_how_to_go_on(tmp_path: Path) -> None:
    write(tmp_path / "s", KEPT_ANSWERS, b"Name:\tx\n")
    (finding,) = load_session(tmp_path / "s").findings
    assert finding.code == "folder-no-sheet"
    assert "archiver new" in finding.remedy
    assert "--ask" in finding.remedy
