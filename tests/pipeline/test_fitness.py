"""What an institution misses in a bag, and what of it is foreseen before the bag is made."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import bagit
import pytest

from archiver.findings import RULES
from archiver.package.validate import validate
from archiver.pipeline.archive import archive_session
from archiver.pipeline.check import check_session
from archiver.pipeline.fitness import Fitness, check_profile, fit, foreseen
from archiver.pipeline.new import new_institution
from archiver.pipeline.profiles import find_profile
from tests.package.small_bags import contents, write_bag
from tests.pipeline.institutions import IDENTIFIER, NAME, profile, write_profile
from tests.pipeline.making import make_session, make_session_with_machine

INFO = f"""\
Source-Organization: Museet for Lyd
Contact-Email: a@b.example
BagIt-Profile-Identifier: {IDENTIFIER}
"""


def small_bag(root: Path, payload: dict[str, bytes] | None = None, info: str = INFO) -> Path:
    held = {"masters/t1.wav": b"RIFF"} if payload is None else payload
    return write_bag(root, held, extra={"bag-info.txt": info.encode()})


def told(fitness: Fitness) -> list[str]:
    return [f"{finding.code} {finding.where}" for finding in fitness.findings]


def test_a_bag_passes_an_institution_that_asks_for_nothing(tmp_path: Path) -> None:
    found = fit(small_bag(tmp_path / "bag"), profile(tmp_path / "egeskov"))
    assert found.fits
    assert told(found) == []


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (
            "bag_info: [{label: Series, asks: The series}]",
            "institution-field-missing bag-info.txt, Series",
        ),
        (
            "bag_info: [{label: Series, asks: The series, required: no}]",
            "institution-field-wished bag-info.txt, Series",
        ),
        (
            "bag_info: [{label: contact-email, asks: Where to, values: [c@d.example]}]",
            "institution-field-value bag-info.txt, contact-email",
        ),
        (
            "reception: {senders: [Museet for Film]}",
            "institution-sender-unknown bag-info.txt, Source-Organization",
        ),
        ("documents: [premis]", "institution-document-missing metadata"),
        (
            "papers: [{file: data/documents/*report*, asks: A report}]",
            "institution-paper-missing data/documents/*report*",
        ),
        ("digests: [sha512]", "institution-digest-missing manifest-sha512.txt"),
        ("access: [opus]", "institution-access-missing data/access"),
        ("bag_name: 'x-{session}'", "institution-bag-name ."),
        (
            "naming: {asks: Short, longest_path: 20}",
            "institution-path-not-taken tagmanifest-sha256.txt",
        ),
        ("largest_package: 10 B", "institution-bag-too-large ."),
    ],
)
def test_what_an_institution_asks_for_and_a_bag_lacks_is_named(
    tmp_path: Path, text: str, found: str
) -> None:
    fitness = fit(small_bag(tmp_path / "bag"), profile(tmp_path / "egeskov", f"{text}\n"))
    assert told(fitness) == [found]
    rule = RULES[fitness.findings[0].code]
    assert fitness.fits == (str(rule.severity) != "error")


@pytest.mark.parametrize(
    "text",
    [
        "bag_info: [{label: contact-email, asks: Where to, values: [a@b.example]}]",
        "reception: {senders: [Museet for Lyd]}",
        "papers: [{file: 'data/masters/*', asks: A master}]",
        "digests: [sha256]",
        "bag_name: '{session}'",
        "naming: {asks: Small, characters: small ascii, longest_path: 99}",
        "largest_package: 1 MB",
        "restricted: left out",
    ],
)
def test_what_a_bag_has_is_not_asked_for(tmp_path: Path, text: str) -> None:
    assert told(fit(small_bag(tmp_path / "bag"), profile(tmp_path / "e", f"{text}\n"))) == []


@pytest.mark.parametrize(
    ("characters", "name", "passes"),
    [
        ("any", "Åse Brønd.txt", True),
        ("ascii", "Notes.txt", True),
        ("ascii", "Åse.txt", False),
        ("ascii", "a b.txt", False),
        ("small ascii", "notes_1-a.txt", True),
        ("small ascii", "Notes.txt", False),
    ],
)
def test_characters_of_a_path_are_those_that_the_rule_names(
    tmp_path: Path, characters: str, name: str, passes: bool
) -> None:
    asks = profile(tmp_path / "e", f"naming: {{asks: As we say, characters: {characters}}}\n")
    found = fit(small_bag(tmp_path / "bag", {name: b"x"}), asks)
    assert [f.code for f in found.findings] == ([] if passes else ["institution-path-not-taken"])


def test_a_restricted_part_that_is_not_wanted_is_found(tmp_path: Path) -> None:
    bag = small_bag(tmp_path / "bag", {"restricted/session.yaml": b"x"})
    found = fit(bag, profile(tmp_path / "e", "restricted: left out\n"))
    assert told(found) == ["institution-restricted-present data/restricted"]


# --- the institution's words and ours -------------------------------------------------


def test_a_lack_is_told_in_our_words_and_in_those_of_the_institution(tmp_path: Path) -> None:
    text = "bag_info: [{label: Series, asks: The series of our register., values: [SOUND]}]\n"
    (lack,) = fit(small_bag(tmp_path / "bag"), profile(tmp_path / "e", text)).lacks
    assert lack.asks == "The series of our register."
    assert lack.finding.message == (
        "the element Series is missing. Egeskov asks for: “The series of our register”"
    )
    assert lack.finding.accepted == "SOUND"
    assert lack.as_json()["asks"] == lack.asks


def test_a_missing_element_says_where_it_is_stated(tmp_path: Path) -> None:
    rules = {"Contact-Phone": {"required": True}, "Series": {"required": True}}
    asks = profile(tmp_path / "e", "", {"Bag-Info": rules})
    phone, series = fit(small_bag(tmp_path / "bag"), asks).findings
    assert phone.remedy.startswith("Fill in organisation.contact.phone on the session sheet, or")
    assert series.remedy.startswith("State it under `value` of this field in bag_info")


def test_the_description_in_the_bagit_profile_is_the_institutions_words(tmp_path: Path) -> None:
    rule = {"Series": {"required": True, "description": "What we file it under"}}
    (lack,) = fit(
        small_bag(tmp_path / "bag"), profile(tmp_path / "e", "", {"Bag-Info": rule})
    ).lacks
    assert (lack.finding.code, lack.asks) == ("bag-profile-info-missing", "What we file it under")


def test_what_both_profiles_ask_for_is_told_once_in_the_words_of_the_first(tmp_path: Path) -> None:
    rule = {"Series": {"required": True, "description": "By the profile"}}
    text = "bag_info: [{label: series, asks: By the institution}]\n"
    asks = profile(tmp_path / "e", text, {"Bag-Info": rule})
    (lack,) = fit(small_bag(tmp_path / "bag"), asks).lacks
    assert (lack.finding.code, lack.asks) == ("bag-profile-info-missing", "By the institution")


def test_papers_and_names_carry_their_words_too(tmp_path: Path) -> None:
    text = (
        "papers: [{file: data/documents/a, asks: Signed consent}]\n"
        "naming: {asks: No capitals, characters: small ascii}\n"
    )
    found = fit(small_bag(tmp_path / "bag", {"A": b""}), profile(tmp_path / "e", text))
    assert [lack.asks for lack in found.lacks] == ["No capitals", "Signed consent"]


# --- the BagIt Profile ----------------------------------------------------------------


def test_a_bag_is_judged_by_the_bagit_profile_beside_the_institution_profile(
    tmp_path: Path,
) -> None:
    asks = profile(tmp_path / "e", "", {"Manifests-Required": ["sha512"]})
    found = fit(small_bag(tmp_path / "bag"), asks)
    assert told(found) == ["bag-profile-manifest-missing manifest-sha512.txt"]
    assert found.as_json()["bagit_profile"] == IDENTIFIER


def test_the_form_is_the_one_of_the_institution_profile_unless_another_is_told(
    tmp_path: Path,
) -> None:
    keys = {"Serialization": "required", "Accept-Serialization": ["application/zip"]}
    bag = small_bag(tmp_path / "bag")
    assert told(fit(bag, profile(tmp_path / "a", "serialisation: zip\n", keys))) == []
    told_none = profile(tmp_path / "b", "", keys)
    assert told(fit(bag, told_none)) == []
    assert [f.code for f in fit(bag, told_none, media_type="").findings] == [
        "bag-profile-serialisation"
    ]


@pytest.mark.parametrize(
    ("text", "keys", "found"),
    [
        (
            "serialisation: tar\n",
            {"Serialization": "required", "Accept-Serialization": ["application/zip"]},
            "institution-form-contradiction",
        ),
        ("serialisation: tar\n", {"Serialization": "forbidden"}, "institution-form-contradiction"),
        (
            "serialisation: folder\n",
            {"Serialization": "required", "Accept-Serialization": ["application/zip"]},
            "institution-form-contradiction",
        ),
        ("", {"Manifests-Required": ["sha512"]}, "institution-digests-contradiction"),
        (
            "digests: [md5, sha512]\n",
            {"Manifests-Allowed": ["sha512"]},
            "institution-digests-contradiction",
        ),
    ],
)
def test_two_profiles_that_contradict_each_other_are_found(
    tmp_path: Path, text: str, keys: dict[str, Any], found: str
) -> None:
    checked = check_profile(profile(tmp_path / "e", text, keys))
    assert [finding.code for finding in checked.findings] == [found]


def test_a_bagit_profile_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    found = fit(small_bag(tmp_path / "bag"), profile(tmp_path / "e", "bagit_profile: q.json\n"))
    assert told(found) == ["institution-bagit-profile-missing institution.yaml, bagit_profile"]


def test_an_address_is_not_looked_up_and_that_is_said(tmp_path: Path) -> None:
    asks = profile(tmp_path / "e", "bagit_profile: https://egeskov.example/p.json\n")
    found = fit(small_bag(tmp_path / "bag"), asks)
    assert told(found) == ["institution-bagit-profile-not-read institution.yaml, bagit_profile"]
    assert found.fits


def test_a_copy_stands_for_the_address(tmp_path: Path) -> None:
    write_profile(tmp_path / "e", "", {"Manifests-Required": ["sha512"]})
    text = "bagit_profile: https://egeskov.example/p.json\nbagit_profile_copy: p.json\n"
    found = fit(small_bag(tmp_path / "bag"), profile(tmp_path / "e", text))
    assert told(found) == ["bag-profile-manifest-missing manifest-sha512.txt"]


def test_a_bagit_profile_that_is_broken_stops_the_check_with_its_findings(tmp_path: Path) -> None:
    asks = profile(tmp_path / "e", "", {"Serialization": "maybe"})
    assert told(fit(small_bag(tmp_path / "bag"), asks)) == [
        "profile-key-value p.json, Serialization"
    ]
    (tmp_path / "e/p.json").write_bytes(b"{")
    found = fit(small_bag(tmp_path / "bag2"), find_profile(tmp_path, str(tmp_path / "e")))
    assert [f.code for f in found.findings] == ["profile-unreadable"]


# --- bags that are damaged ------------------------------------------------------------


def test_a_bag_that_is_not_whole_does_not_fit(tmp_path: Path) -> None:
    bag = small_bag(tmp_path / "bag")
    (bag / "data/masters/t1.wav").unlink()
    found = fit(bag, profile(tmp_path / "e"))
    assert not found.fits
    assert "bag-file-missing data/masters/t1.wav" in told(found)


def test_a_validation_that_was_made_is_not_made_again(tmp_path: Path) -> None:
    bag = small_bag(tmp_path / "bag")
    (bag / "data/masters/t1.wav").write_bytes(b"RIFX")
    report = validate(bag)
    found = fit(bag, profile(tmp_path / "e"), report=report)
    assert told(found) == ["bag-checksum-differs data/masters/t1.wav"]


# --- bags that are made for an institution --------------------------------------------


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
