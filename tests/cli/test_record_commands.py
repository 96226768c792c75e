"""Machines, media and rules on the command line."""

from __future__ import annotations

import ast
import json
import shutil
from pathlib import Path

import pytest

import archiver
from archiver.pipeline.all_rules import all_rules, nearest_codes
from archiver.pipeline.archive import Archived
from tests.cli.running import Runner
from tests.session.folders import edit, whole_session

SHEET = "session.yaml"


def defined_codes() -> set[str]:
    """Codes of all rules, found by reading the source and not by running it.

    A code is written out, or composed of a prefix and the first argument of a function
    that makes the rules of its module.
    """
    codes: set[str] = set()
    for path in Path(archiver.__path__[0]).rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        prefixes = {
            function.name: prefix
            for function in tree.body
            if isinstance(function, ast.FunctionDef)
            for prefix in composed_prefixes(function)
        }
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
                continue
            if node.func.id == "Rule":
                codes |= {text for word in node.keywords if (text := code_of(word))}
            elif node.func.id in prefixes:
                first = node.args[0]
                assert isinstance(first, ast.Constant), f"{path}: a code that nobody can read"
                codes.add(prefixes[node.func.id] + str(first.value))
    return codes


def code_of(word: ast.keyword) -> str:
    constant = word.value if word.arg == "code" and isinstance(word.value, ast.Constant) else None
    return str(constant.value) if constant is not None else ""


def composed_prefixes(function: ast.FunctionDef) -> list[str]:
    """What a function puts before its first argument to make the code of a rule."""
    return [
        str(word.value.values[0].value)
        for node in ast.walk(function)
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Rule"
        for word in node.keywords
        if word.arg == "code"
        and isinstance(word.value, ast.JoinedStr)
        and isinstance(word.value.values[0], ast.Constant)
    ]


def test_every_rule_of_every_room_can_be_explained() -> None:
    codes = defined_codes()
    assert len(codes) > 150
    assert codes == set(all_rules())


def test_a_rule_is_explained(run: Runner) -> None:
    ran = run("check", "--explain", "take-exceeds-capacity")
    assert ran.status == 0
    assert "Why: A groove of this pitch and length holds no more" in " ".join(ran.out.split())
    assert "What to do:" in ran.out
    facts = json.loads(run("check", "--explain", "TAKE-EXCEEDS-CAPACITY", "--json").out)
    assert (facts["code"], facts["severity"]) == ("take-exceeds-capacity", "warning")


def test_an_unknown_code_names_the_nearest(run: Runner) -> None:
    ran = run("check", "--explain", "take-exeeds-capacity")
    assert ran.status == 2
    assert "take-exceeds-capacity" in ran.err
    assert nearest_codes("capacity")
    assert all("capacity" in code for code in nearest_codes("capacity")[:3])


def test_a_code_near_none_names_none(run: Runner) -> None:
    for code in ("nonsense", "no such"):
        assert nearest_codes(code) == []
        ran = run("check", "--explain", code)
        assert ran.status == 2
        assert f"there is no rule with the code `{code}`" in ran.err
        assert "the last line of a finding, such as take-file-missing" in ran.err


def test_check_without_a_folder_says_what_is_missing(run: Runner) -> None:
    ran = run("check")
    assert ran.status == 2
    assert "--explain CODE" in ran.err


def test_check_shows_the_cautions(run: Runner, sample_session: Path) -> None:
    ran = run("check", sample_session)
    text = " ".join(ran.out.split())
    assert "spring under tension: A wound spring can maim." in text
    assert "local codes come first" in text
    facts = json.loads(run("check", sample_session, "--json").out)
    assert {"lead", "spring", "mains"} <= {caution["code"] for caution in facts["cautions"]}
    told = run("check", sample_session).out
    assert told.index("describe-term-unmapped") < told.index("Cautions") < told.index("Ready: ")


def test_check_against_the_session_before(run: Runner, tmp_path: Path) -> None:
    first, second = whole_session(tmp_path / "first"), whole_session(tmp_path / "second")
    edit(first, "session.yaml", "  identifier: lhm-2026-04-18", "  identifier: lhm-2026-03-01")
    ran = run("check", second, "--previous", first, "--json")
    codes = [finding["code"] for finding in json.loads(ran.out)["findings"]]
    assert codes.count("medium-carried-backwards") == 2
    ran = run("check", second, "--previous", tmp_path / "nowhere")
    assert ran.status == 4
    assert "session.yaml" in ran.err


def test_dates_of_machines(run: Runner, tmp_path: Path) -> None:
    folder = whole_session(tmp_path)
    ran = run("machine", "date", folder)
    assert ran.status == 0
    text = " ".join(ran.out.split())
    assert "reckoned: [1907..1910]" in text
    assert "It is not earlier than 1907: the plate has the address Kanalgade 11" in text
    assert "in favour, maker's plate, original screws" in text
    (facts,) = json.loads(run("machine", "date", folder, "--json").out)["machines"]
    assert facts["dating"]["earliest"] == "1907-01-01"


def test_an_unknown_machine_names_the_nearest(run: Runner, tmp_path: Path) -> None:
    ran = run("machine", "date", whole_session(tmp_path), "--id", "exampel-machine")
    assert ran.status == 2
    assert "Did you mean example-machine?" in ran.err


def test_parts_and_media_since_the_session_before(run: Runner, tmp_path: Path) -> None:
    first, second = whole_session(tmp_path / "first"), whole_session(tmp_path / "second")
    edit(first, "session.yaml", "  identifier: lhm-2026-04-18", "  identifier: lhm-2026-03-01")
    edit(
        second,
        "machines/example-machine.yaml",
        "name: lid, state: missing",
        "name: lid, state: restored",
    )
    ran = run("machine", "parts", second, "--previous", first)
    assert ran.status == 0
    assert "the part `lid` of machine `example-machine` is restored" in " ".join(
        ran.out.replace("The part", "the part").split()
    )
    facts = json.loads(run("media", second, "--previous", first, "--json").out)
    (medium,) = facts["media"]
    assert (medium["playings_before"], medium["playings_after"]) == (0, 1)
    assert len(facts["since_previous"]) == 2
    assert "0, then 1" in run("media", second).out


def test_80_columns_break_no_word(
    run: Runner, sample_session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    for command in (("machine", "parts"), ("media",)):
        shown = run(*command, sample_session).out
        assert max(map(len, shown.splitlines())) <= 80
        for word in ("electrician", "back-spacing", "mainspring", "transcribing", "cyl-07"):
            assert word in shown or word not in run(*command, sample_session, "--json").out


def test_a_medium_is_told_as_an_object_with_its_takes(run: Runner, sample_session: Path) -> None:
    shown = " ".join(run("media", sample_session).out.split())
    for text in (
        "brown metallic soap wax",
        "5.5 mm thick",
        "supplier: cast by the museum's workshop, 2025",
        "recorded in t03; played in t04, t05",
        "recordings 3, then 4; playings 0, then 3; planned playings 6",
    ):
        assert text in shown
    (medium,) = json.loads(run("media", sample_session, "--json").out)["media"]
    assert (medium["recorded_in"], medium["played_in"]) == (["t03"], ["t04", "t05"])


@pytest.fixture
def bag(sample_archived: Archived) -> Path:
    """The bag of the sample session, made once."""
    assert sample_archived.bag is not None
    return sample_archived.bag


def test_two_machines_of_a_bag_are_compared_with_what_was_measured(run: Runner, bag: Path) -> None:
    ran = run("machine", "compare", bag, "vesterholm-b", "vesterholm-c", "--json")
    assert ran.status == 0
    rows = {row["name"]: row for row in json.loads(ran.out)["rows"]}
    assert rows["nominal speed"]["differs"] is False
    assert rows["weight"]["differs"] is True
    speed = rows["reproduction: speed, measured"]
    assert speed["basis"] == "measured"
    assert speed["differs"] is True
    # The generator of the sample session turned the machines at 98.99 and 103.55 rpm.
    (left,), (right,) = speed["figures"]["left"]["t04"], speed["figures"]["right"]["t05"]
    for figure, truth in ((left, 98.99), (right, 103.55)):
        assert figure["unit"] == "rpm"
        assert figure["value"] == pytest.approx(truth, rel=0.002)
        assert 0 < figure["uncertainty"] < 0.5
    assert "LUFS" in rows["reproduction: loudness, measured"]["left"]
    shown = run("machine", "compare", bag, "vesterholm-b", "vesterholm-c")
    assert "both are known and differ" in shown.out


def test_what_a_bag_measured_is_set_beside_machines_of_a_folder(
    run: Runner, sample_session: Path, bag: Path, tmp_path: Path
) -> None:
    pair = (sample_session, "vesterholm-b", "vesterholm-c")
    plain = json.loads(run("machine", "compare", *pair, "--json").out)
    assert "performance" not in {row["section"] for row in plain["rows"]}
    ran = run("machine", "compare", *pair, "--from", bag, "--json")
    rows = {row["name"]: row for row in json.loads(ran.out)["rows"]}
    speed = rows["reproduction: speed, measured"]
    assert list(speed["figures"]["left"]) == ["t04"]
    assert list(speed["figures"]["right"]) == ["t05"]
    again = tmp_path / "again"
    shutil.copytree(bag, again)
    ran = run("machine", "compare", *pair, "--from", bag, "--from", again, "--json")
    rows = {row["name"]: row for row in json.loads(ran.out)["rows"]}
    assert list(rows["reproduction: speed, measured"]["figures"]["left"]) == ["lhm-2026-10-17 t04"]
    saved = tmp_path / "motion.json"
    saved.write_bytes((bag / "metadata/motion.json").read_bytes())
    ran = run("machine", "compare", *pair, "--from", saved, "--json")
    rows = {row["name"]: row for row in json.loads(ran.out)["rows"]}
    assert list(rows["reproduction: speed, measured"]["figures"]["left"]) == ["t04"]


def test_a_source_that_tells_nothing_is_refused(
    run: Runner, sample_session: Path, tmp_path: Path
) -> None:
    pair = (sample_session, "vesterholm-b", "vesterholm-c")
    gone = run("machine", "compare", *pair, "--from", tmp_path / "gone.json")
    assert gone.status == 2
    assert "is not there" in gone.err
    folder = run("machine", "compare", *pair, "--from", whole_session(tmp_path / "s"))
    assert folder.status == 2
    assert "a session folder, in which nothing is measured" in folder.err
    other = tmp_path / "motion.json"
    other.write_text('{"schema": "motion 1", "takes": [], "media": []}', encoding="utf-8")
    nothing = run("machine", "compare", *pair, "--from", other)
    assert nothing.status == 2
    assert "nothing measured on vesterholm-b, vesterholm-c" in nothing.err
    other.write_text("{", encoding="utf-8")
    assert run("machine", "compare", *pair, "--from", other).status == 1


def test_a_bag_serves_as_the_session_before(
    run: Runner, tmp_path: Path, sample_session: Path, bag: Path
) -> None:
    later = tmp_path / "later"
    shutil.copytree(sample_session, later)
    (identifier,) = [
        line
        for line in (later / "session.yaml").read_text(encoding="utf-8").splitlines()
        if line.startswith("  identifier: ")
    ]
    edit(later, "session.yaml", identifier, "  identifier: another-session")
    for command in ("media", "check", ("machine", "parts")):
        words = (command,) if isinstance(command, str) else command
        refused = run(*words, sample_session, "--previous", bag)
        assert refused.status == 2
        assert "itself, or another version of it" in refused.err
    facts = json.loads(run("media", later, "--previous", bag, "--json").out)
    assert {f["code"] for f in facts["since_previous"]} == {"medium-carried-backwards"}
    info = (bag / "bag-info.txt").read_text(encoding="utf-8")
    assert "Note-To-Receiver: The objects of this session call for care" in info


@pytest.mark.parametrize("damage", [b"{", b"[]", b"\xff\xfe", b'{"session": {}}'])
def test_a_damaged_record_of_the_session_before_is_named(
    run: Runner, tmp_path: Path, damage: bytes
) -> None:
    record = tmp_path / "bag" / "metadata" / "session.json"
    record.parent.mkdir(parents=True)
    record.write_bytes(damage)
    ran = run("media", whole_session(tmp_path / "s"), "--previous", tmp_path / "bag")
    assert ran.status == 1
    assert "session.json" in ran.err
    assert "Traceback" not in ran.err


def test_the_sound_of_a_bag_is_not_checked_by_check(run: Runner, bag: Path) -> None:
    refused = run("check", bag, "--sound")
    assert refused.status == 2
    assert "verify --sound" in refused.err
