"""What an institution misses in a bag, and what of it is foreseen before the bag is made."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from archiver.findings import RULES
from archiver.package.validate import validate
from archiver.pipeline.fitness import (
    Fitness,
    check_profile,
    fit,
)
from archiver.pipeline.profiles import find_profile
from tests.package.small_bags import write_bag
from tests.pipeline.institutions import IDENTIFIER, profile, write_profile

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
