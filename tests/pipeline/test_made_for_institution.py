"""Bags that are made for an institution: they pass its check, or they are not made."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import bagit
import pytest

from archiver.package.builder import StoredFile
from archiver.package.reader import read_bag
from archiver.package.tree import survey
from archiver.pipeline.archive import archive_session
from archiver.pipeline.check import check_session
from archiver.pipeline.fitness import fit, fit_before_sealing, foreseen
from archiver.pipeline.new import new_institution
from archiver.pipeline.previous import read_previous
from archiver.pipeline.profiles import find_profile
from tests.package.small_bags import contents
from tests.pipeline.institutions import NAME, profile, write_profile
from tests.pipeline.making import make_session, make_session_with_machine
from tests.pipeline.test_fitness import small_bag, told


@pytest.fixture(scope="module")
def made_for_example(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A bag made for the example that ships, and the folder of the example."""
    root = tmp_path_factory.mktemp("example")
    folder = new_institution(root / "egeskov").folder
    session = make_session_with_machine(root / "session", takes=1)
    made = archive_session(session, root / "out", profile=str(folder))
    assert made.bag is not None, made.findings
    return made.bag, folder


def test_a_bag_made_for_the_example_passes_its_check(
    made_for_example: tuple[Path, Path],
) -> None:
    bag, folder = made_for_example
    found = fit(bag, find_profile(bag, str(folder)))
    assert [f for f in told(found) if "field-wished" not in f] == []
    assert found.bag_profile is not None
    bagit.Bag(str(bag)).validate()


def test_such_a_bag_names_the_bagit_profile_and_holds_what_the_profile_states(
    made_for_example: tuple[Path, Path],
) -> None:
    """Read by the ``bagit`` library."""
    info = bagit.Bag(str(made_for_example[0])).info
    assert info["BagIt-Profile-Identifier"] == "https://egeskov.example/bagit-profile-1.0.json"
    assert info["Accession-Series"] == "SOUND"
    assert info["Depositor-Reference"] == "MFL/trial-1"


def test_a_value_of_the_profile_takes_the_place_of_ours(tmp_path: Path) -> None:
    write_profile(
        tmp_path / "e",
        "bag_info:\n"
        "  - {label: source-organization, asks: Your name in our register, value: 'Museum {code}'}\n"
        "  - {label: Version-Of, asks: x, value: '{replaces} {bag} {version} {date} {holder}'}\n",
    )
    session = make_session(tmp_path / "session", seconds=0.2)
    made = archive_session(session, tmp_path / "out", profile=str(tmp_path / "e"))
    assert made.bag is not None
    lines = (made.bag / "bag-info.txt").read_text(encoding="utf-8").splitlines()
    assert lines[0] == "Source-Organization: Museum MFL"
    assert "Version-Of: none trial-1 1 2026-05-03 Museet" in lines
    assert sum(line.lower().startswith("source-organization") for line in lines) == 1


def test_the_profile_beside_the_sheet_goes_into_the_bag_with_its_bagit_profile(
    tmp_path: Path,
) -> None:
    session = make_session(tmp_path / "session", seconds=0.2)
    write_profile(session, "", {})
    (session / "other.json").write_bytes(b"{}")
    strays = [f.where.file for f in check_session(session).findings if f.code == "folder-stray"]
    assert strays == ["other.json"]
    made = archive_session(session, tmp_path / "out")
    assert made.bag is not None
    held = {path.name for path in (made.bag / "data/documents").iterdir()}
    assert held == {"session.yaml", "institution.yaml", "p.json"}
    assert told(fit(made.bag, find_profile(tmp_path, str(session)))) == []


def test_a_bagit_profile_that_is_not_at_hand_is_named_by_its_address(tmp_path: Path) -> None:
    write_profile(tmp_path / "e", "bagit_profile: https://egeskov.example/p.json\n")
    session = make_session(tmp_path / "session", seconds=0.2)
    made = archive_session(session, tmp_path / "out", profile=str(tmp_path / "e"))
    assert made.bag is not None
    info = bagit.Bag(str(made.bag)).info
    assert info["BagIt-Profile-Identifier"] == "https://egeskov.example/p.json"


def test_a_bag_that_an_institution_would_refuse_is_not_made(tmp_path: Path) -> None:
    write_profile(
        tmp_path / "e",
        "bag_info: [{label: Series, asks: The series}]\n"
        "papers: [{file: data/documents/*consent*, asks: Signed consent}]\n",
    )
    session = make_session(tmp_path / "session", seconds=0.2)
    made = archive_session(session, tmp_path / "out", profile=str(tmp_path / "e"))
    assert made.bag is None
    errors = [f.code for f in made.findings if str(f.severity) == "error"]
    assert sorted(errors) == ["institution-field-missing", "institution-paper-missing"]
    assert not (tmp_path / "out").exists()


def test_bags_and_masters_are_named_as_the_institution_asks(tmp_path: Path) -> None:
    text = 'bag_name: "{code}.{session}"\nfile_name: "{date}_{number}"\n'
    asks = profile(tmp_path / "e", text)
    session = make_session(tmp_path / "session", seconds=0.2)
    made = archive_session(session, tmp_path / "out", profile=str(tmp_path / "e"))
    assert made.bag is not None
    assert made.bag.name == "mfl.trial-1"
    assert told(fit(made.bag, asks)) == []
    other = profile(tmp_path / "f", 'bag_name: "{session}_x"\nfile_name: "{take}"\n')
    assert told(fit(made.bag, other)) == [
        "institution-bag-name .",
        "institution-master-name data/masters",
    ]


def test_what_is_foreseen_is_what_the_check_of_the_bag_finds(tmp_path: Path) -> None:
    text = "bag_info: [{label: Series, asks: The series}]\n"
    keys = {"Bag-Info": {"Payload-Oxum": {"required": True}, "Shelf": {"required": True}}}
    asks = profile(tmp_path / "e", text, keys)
    info = "Payload-Oxum: 4.1\n"
    before = foreseen(asks, [], ["data/masters/t1.wav"])
    after = fit(small_bag(tmp_path / "bag", info=info), asks).findings
    assert before == after


def test_the_check_of_a_session_foresees_what_stops_archiving(tmp_path: Path) -> None:
    text = "bag_info: [{label: Series, asks: The series}]\n"
    write_profile(tmp_path / "e", text, {"Bag-Info": {"Contact-Phone": {"required": True}}})
    session = make_session(tmp_path / "session", seconds=0.2)
    before = check_session(session, profile=str(tmp_path / "e")).findings
    made = archive_session(session, tmp_path / "out", profile=str(tmp_path / "e"))
    assert made.bag is None
    stopping = [finding for finding in made.findings if str(finding.severity) == "error"]
    assert [finding.where.field for finding in stopping] == ["Contact-Phone", "Series"]
    assert [finding for finding in before if str(finding.severity) == "error"] == stopping


def test_checking_changes_nothing(tmp_path: Path, made_for_example: tuple[Path, Path]) -> None:
    bag, folder = made_for_example
    before = contents(bag), contents(folder)
    fit(bag, find_profile(tmp_path, str(folder)))
    assert (contents(bag), contents(folder)) == before


def test_the_name_of_the_institution_is_in_the_facts_for_machines(tmp_path: Path) -> None:
    facts = fit(small_bag(tmp_path / "bag"), profile(tmp_path / "e", "digests: [md5]\n")).as_json()
    assert (facts["institution"], facts["fits"], len(facts["findings"])) == (NAME, False, 1)


def test_a_run_without_an_institution_loads_nothing_of_institutions(tmp_path: Path) -> None:
    session = make_session(tmp_path / "session", seconds=0.2)
    code = (
        "import sys; from pathlib import Path\n"
        "from archiver.pipeline.archive import archive_session\n"
        f"assert archive_session(Path({str(session)!r}), Path({str(tmp_path / 'out')!r})).bag\n"
        "print(*sorted(name for name in sys.modules if name.startswith('archiver.')))\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(ran.stdout.split())
    assert "archiver.pipeline.archive" in loaded
    for room, name in [
        ("package", "bagprofile"),
        ("package", "profile_reading"),
        ("package", "profile_check"),
        ("pipeline", "fitness"),
        ("pipeline", "asked_fields"),
        ("pipeline", "new_version"),
    ]:
        assert f"archiver.{room}.{name}" not in loaded


@pytest.mark.parametrize(
    ("text", "keys", "code"),
    [
        ("", {"Payload-Files-Allowed": ["data/masters/*"]}, "bag-profile-file-not-allowed"),
        ("", {"Tag-Files-Required": ["metadata/mods.xml"]}, "bag-profile-file-missing"),
        ("", {"Manifests-Required": ["sha512"]}, "bag-profile-manifest-missing"),
        ("", {"Tag-Manifests-Allowed": ["sha512"]}, "bag-profile-manifest-not-allowed"),
        ("", {"Fetch.txt-Required": True}, "bag-profile-fetch"),
        ("", {"Accept-BagIt-Version": ["0.97"]}, "bag-profile-bagit-version"),
        ("largest_package: 1 kB\n", {}, "institution-bag-too-large"),
        ("naming: {asks: Short, longest_path: 20}\n", {}, "institution-path-not-taken"),
    ],
)
def test_what_only_the_whole_bag_shows_keeps_it_from_being_made(
    tmp_path: Path, text: str, keys: dict[str, Any], code: str
) -> None:
    write_profile(tmp_path / "e", text, keys)
    session = make_session(tmp_path / "session", seconds=0.1)
    made = archive_session(session, tmp_path / "out", profile=str(tmp_path / "e"))
    assert made.bag is None
    assert code in {f.code for f in made.findings if str(f.severity) == "error"}
    assert not (tmp_path / "out").exists()


def test_a_bag_that_was_made_and_one_about_to_be_sealed_are_judged_alike(
    tmp_path: Path, made_for_example: tuple[Path, Path]
) -> None:
    bag, _ = made_for_example
    text = "access: [flac]\nnaming: {asks: Short, longest_path: 30}\nlargest_package: 1 kB\n"
    keys = {
        "Payload-Files-Allowed": ["data/masters/*"],
        "Manifests-Required": ["md5"],
        "Bag-Info": {"Payload-Oxum": {"repeatable": False, "required": True}},
    }
    asks = profile(tmp_path / "e", text, keys)
    said = read_bag(bag)
    stored = [
        StoredFile(path=file.path, size=file.size, digests=())
        for file in survey(bag).files
        if file.path not in {"bagit.txt", "bag-info.txt", "metadata/findings.json"}
        and "manifest-" not in file.path
    ]
    fitness = fit_before_sealing(
        asks,
        read_previous(bag),
        name=bag.name,
        elements=[
            (one.label, one.value)
            for one in said.info.elements
            if one.label not in {"Bag-Size", "Payload-Oxum"}
        ],
        stored=stored,
        algorithms=["sha512", "sha256"],
    )
    before = fitness.findings
    # What manifests and bag-info.txt themselves hold is not counted before they are there.
    sized = "institution-bag-too-large"
    assert [f for f in before if f.code != sized] == [
        f for f in fit(bag, asks).findings if f.code != sized
    ]
    assert sized in [f.code for f in before]


def test_a_bag_says_by_which_profiles_it_was_judged_and_what_was_found(tmp_path: Path) -> None:
    """Digests by hashlib, of the files as they lie beside each other."""
    text = "bag_info:\n  - {label: Shelf, asks: Our shelf, required: no}\n"
    asks = profile(tmp_path / "e", text, {})
    session = make_session(tmp_path / "session", seconds=0.1)
    made = archive_session(session, tmp_path / "out", profile=str(tmp_path / "e"))
    assert made.bag is not None, made.findings
    document = json.loads((made.bag / "metadata/findings.json").read_bytes())
    judged = document["judged_for"]
    assert judged["fits"] is True
    assert judged["institution"] == asks.institution.name
    own, theirs = (
        hashlib.sha256((tmp_path / "e" / name).read_bytes()).hexdigest()
        for name in ("institution.yaml", asks.institution.bagit_profile)
    )
    assert (judged["profile_sha256"], judged["bagit_profile_sha256"]) == (own, theirs)
    assert [(one["code"], one["asks"]) for one in judged["findings"]] == [
        ("institution-field-wished", "Our shelf")
    ]
    # The judgement is that of the bag as it is when it is checked.
    after = fit(made.bag, asks)
    assert judged["findings"] == [lack.as_json() for lack in after.lacks]
    again = archive_session(session, tmp_path / "again", profile=str(tmp_path / "e"))
    assert again.bag is not None
    name = "metadata/findings.json"
    assert (again.bag / name).read_bytes() == (made.bag / name).read_bytes()


def test_a_bag_for_nobody_says_nothing_of_an_institution(tmp_path: Path) -> None:
    made = archive_session(make_session(tmp_path / "session", seconds=0.1), tmp_path / "out")
    assert made.bag is not None
    assert "judged_for" not in json.loads((made.bag / "metadata/findings.json").read_bytes())
