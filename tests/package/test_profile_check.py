"""Checking bags against BagIt Profiles.

Source: BagIt Profiles specification 1.4.0: the profile that ships with it, the order of checks
it asks for, and cases worked from the meaning that its tables give each key.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.package.bagprofile import BagProfile
from archiver.package.profile_check import FOLDER, same_media_type
from archiver.package.profile_reading import read_bag_profile
from tests.package.profiles import NAMED, bag_with, codes, judged, profile_of

ZIP = "application/zip"
FETCH = b"https://example.org/b.txt 1 data/b.txt\n"


def test_a_bag_that_is_asked_for_nothing_passes(tmp_path: Path) -> None:
    assert codes(bag_with(tmp_path / "bag"), profile_of(), media_type=FOLDER) == []


# --- the specification's own example --------------------------------------------------

FOO = "http://www.library.yale.edu/mssa/bagitprofiles/disk_images.json"
FOO_INFO = f"""\
BagIt-Profile-Identifier: {FOO}
Source-Organization: York University
Bagging-Date: 2011-07-01
Contact-Phone: +1 555 0100
"""


@pytest.fixture
def foo(official_schemas: Path) -> BagProfile:
    content = (official_schemas / "bagit-profiles/bagProfileFoo.json").read_bytes()
    profile, _ = read_bag_profile(content, "bagProfileFoo.json")
    assert profile is not None
    return profile


def test_a_bag_as_the_example_asks_for_it_passes(tmp_path: Path, foo: BagProfile) -> None:
    bag = bag_with(tmp_path / "bag", info=FOO_INFO, version="0.97", algorithm="md5")
    assert codes(bag, foo, media_type=ZIP) == []
    assert codes(bag, foo, media_type="application/x-tar") == []


@pytest.mark.parametrize(
    ("change", "found"),
    [
        (("York University", "University of York"), "bag-profile-info-value"),
        (("Bagging-Date: 2011-07-01\n", ""), "bag-profile-info-missing"),
        (("Contact-Phone: +1 555 0100\n", "Contact-Phone: \n"), "bag-profile-info-missing"),
        ((FOO, "https://example.org/other.json"), "bag-profile-not-named"),
    ],
)
def test_a_bag_that_differs_from_the_example_fails(
    tmp_path: Path, foo: BagProfile, change: tuple[str, str], found: str
) -> None:
    info = FOO_INFO.replace(*change)
    bag = bag_with(tmp_path / "bag", info=info, version="0.97", algorithm="md5")
    assert codes(bag, foo, media_type=ZIP)[:1] == [found]


def test_the_example_wants_md5_and_no_fetch(tmp_path: Path, foo: BagProfile) -> None:
    bag = bag_with(tmp_path / "bag", info=FOO_INFO, version="0.97", extra={"fetch.txt": FETCH})
    assert codes(bag, foo, media_type=ZIP) == [
        "bag-profile-fetch",
        "bag-profile-manifest-missing",
    ]


# --- fatal checks come first and end the rest -----------------------------------------


def test_a_form_that_is_not_taken_ends_the_check(tmp_path: Path, foo: BagProfile) -> None:
    bag = bag_with(tmp_path / "bag", info="", version="0.97")
    assert codes(bag, foo, media_type=FOLDER) == ["bag-profile-serialisation"]
    assert codes(bag, foo, media_type="application/gzip") == ["bag-profile-serialisation"]


def test_a_version_that_is_not_taken_ends_the_check(tmp_path: Path, foo: BagProfile) -> None:
    bag = bag_with(tmp_path / "bag", info="", version="1.0")
    assert codes(bag, foo, media_type=ZIP) == ["bag-profile-bagit-version"]
    assert codes(bag, foo, media_type=FOLDER) == [
        "bag-profile-serialisation",
        "bag-profile-bagit-version",
    ]


def test_a_form_that_is_not_known_yet_is_not_judged(tmp_path: Path, foo: BagProfile) -> None:
    bag = bag_with(tmp_path / "bag", info=FOO_INFO, version="0.97", algorithm="md5")
    assert codes(bag, foo, media_type=None) == []


@pytest.mark.parametrize(
    ("serialisation", "taken", "media_type", "passes"),
    [
        ("forbidden", [], FOLDER, True),
        ("forbidden", [], ZIP, False),
        # "without meaning when forbidden"
        ("forbidden", [ZIP], ZIP, False),
        ("required", [ZIP], ZIP, True),
        ("required", [ZIP], FOLDER, False),
        ("required", [ZIP], "application/x-tar", False),
        ("optional", [ZIP], FOLDER, True),
        ("optional", [ZIP], ZIP, True),
        ("optional", [ZIP], "application/x-tar", False),
        ("required", ["application/tar"], "application/x-tar", True),
        ("required", ["Application/ZIP"], ZIP, True),
    ],
)
def test_serialisation_is_forbidden_required_or_optional(
    tmp_path: Path, serialisation: str, taken: list[str], media_type: str, passes: bool
) -> None:
    profile = profile_of(**{"Serialization": serialisation, "Accept-Serialization": taken})
    found = codes(bag_with(tmp_path / "bag"), profile, media_type=media_type)
    assert found == ([] if passes else ["bag-profile-serialisation"])


def test_media_types_of_one_form_are_one() -> None:
    """application/tar is of the specification's example, the others are common practice."""
    assert same_media_type("application/tar", "application/x-tar")
    assert same_media_type("application/x-gzip", "application/gzip; charset=binary")
    assert not same_media_type("application/gzip", "application/zstd")


# --- key by key -----------------------------------------------------------------------

INFO = "Bag-Info"


@pytest.mark.parametrize(
    ("rule", "lines", "found"),
    [
        ({"required": True}, "", ["bag-profile-info-missing"]),
        ({"required": True}, "Contact-Name: A\n", []),
        # labels: upper and lower case are one (RFC 8493 section 2.2.2)
        ({"required": True}, "CONTACT-NAME: A\n", []),
        ({"required": False}, "", []),
        ({}, "", []),
        ({"recommended": True}, "", ["bag-profile-info-recommended"]),
        ({"recommended": True}, "Contact-Name: A\n", []),
        ({"required": True, "recommended": True}, "", ["bag-profile-info-missing"]),
        ({"values": ["A", "B"]}, "", []),
        ({"values": ["A", "B"]}, "Contact-Name: B\n", []),
        ({"values": ["A", "B"]}, "Contact-Name: b\n", ["bag-profile-info-value"]),
        ({"values": []}, "Contact-Name: anything\n", []),
        (
            {"values": ["A", "B"]},
            "Contact-Name: A\nContact-Name: C\nContact-Name: D\n",
            ["bag-profile-info-value", "bag-profile-info-value"],
        ),
        ({"repeatable": True}, "Contact-Name: A\nContact-Name: B\n", []),
        ({}, "Contact-Name: A\nContact-Name: B\n", []),
        (
            {"repeatable": False},
            "Contact-Name: A\ncontact-name: B\n",
            ["bag-profile-info-repeated"],
        ),
        ({"repeatable": False}, "Contact-Name: A\n", []),
        ({"description": "Who is responsible"}, "", []),
    ],
)
def test_a_rule_of_bag_info_is_obeyed(
    tmp_path: Path, rule: dict[str, Any], lines: str, found: list[str]
) -> None:
    bag = bag_with(tmp_path / "bag", info=NAMED + lines)
    assert codes(bag, profile_of(**{INFO: {"Contact-Name": rule}})) == found


def test_a_finding_on_bag_info_names_the_line(tmp_path: Path) -> None:
    bag = bag_with(tmp_path / "bag", info=f"{NAMED}A: 1\nContact-Name: X\n")
    (finding,) = judged(bag, profile_of(**{INFO: {"Contact-Name": {"values": ["Y"]}}}))
    assert str(finding.where) == "bag-info.txt:3, Contact-Name"
    assert finding.message == "the value is 'X'"
    assert finding.accepted == "Y"


def test_a_bag_names_its_profile_even_where_bag_info_asks_for_nothing(tmp_path: Path) -> None:
    """The element is always required, and not listed in Bag-Info."""
    assert codes(bag_with(tmp_path / "a", info=""), profile_of()) == ["bag-profile-not-named"]
    listed, _ = read_bag_profile(b"{}", "p.json")
    assert listed is not None
    assert codes(bag_with(tmp_path / "b", info=""), listed) == []


@pytest.mark.parametrize(
    ("keys", "algorithm", "found"),
    [
        ({"Manifests-Required": ["sha256"]}, "sha256", []),
        ({"Manifests-Required": ["sha512"]}, "sha256", ["bag-profile-manifest-missing"]),
        ({"Manifests-Allowed": ["sha256", "sha512"]}, "sha256", []),
        # both kinds are counted apart: the tag manifest is not meant here
        ({"Manifests-Allowed": ["sha512"]}, "sha256", ["bag-profile-manifest-not-allowed"]),
        ({"Manifests-Allowed": []}, "sha256", ["bag-profile-manifest-not-allowed"]),
        ({"Tag-Manifests-Required": ["sha256"]}, "sha256", []),
        ({"Tag-Manifests-Required": ["md5"]}, "sha256", ["bag-profile-manifest-missing"]),
        ({"Tag-Manifests-Allowed": ["md5"]}, "sha256", ["bag-profile-manifest-not-allowed"]),
    ],
)
def test_manifests_are_required_and_allowed_by_algorithm(
    tmp_path: Path, keys: dict[str, Any], algorithm: str, found: list[str]
) -> None:
    assert codes(bag_with(tmp_path / "bag", algorithm=algorithm), profile_of(**keys)) == found


@pytest.mark.parametrize(
    ("keys", "fetch", "found"),
    [
        ({}, False, []),
        ({}, True, []),
        ({"Allow-Fetch.txt": False}, False, []),
        ({"Allow-Fetch.txt": False}, True, ["bag-profile-fetch"]),
        ({"Fetch.txt-Required": True}, False, ["bag-profile-fetch"]),
        ({"Fetch.txt-Required": True}, True, []),
    ],
)
def test_fetch_is_allowed_and_required(
    tmp_path: Path, keys: dict[str, Any], fetch: bool, found: list[str]
) -> None:
    extra = {"fetch.txt": FETCH} if fetch else {}
    assert codes(bag_with(tmp_path / "bag", extra=extra), profile_of(**keys)) == found


@pytest.mark.parametrize(
    ("payload", "passes"),
    [
        ({}, True),
        ({".keep": b""}, True),
        ({".keep": b"x"}, False),
        ({"a": b"", "b": b""}, False),
    ],
)
def test_an_empty_payload_is_no_file_or_one_of_no_bytes(
    tmp_path: Path, payload: dict[str, bytes], passes: bool
) -> None:
    bag = bag_with(tmp_path / "bag", payload)
    found = codes(bag, profile_of(**{"Data-Empty": True}))
    assert found == ([] if passes else ["bag-profile-data-not-empty"])


TAGS = {"READ-ME.txt": b"", "metadata/mets.xml": b"<mets/>"}


@pytest.mark.parametrize(
    ("keys", "found"),
    [
        ({"Tag-Files-Required": ["metadata/mets.xml"]}, []),
        ({"Tag-Files-Required": ["mets.xml"]}, ["bag-profile-file-missing"]),
        # a required path is no pattern
        ({"Tag-Files-Required": ["metadata/*"]}, ["bag-profile-file-missing"]),
        ({"Tag-Files-Allowed": ["*"]}, []),
        ({"Tag-Files-Allowed": ["READ-ME.txt", "metadata/*"]}, []),
        ({"Tag-Files-Allowed": ["metadata/*"]}, ["bag-profile-file-not-allowed"]),
        ({"Tag-Files-Allowed": []}, ["bag-profile-file-not-allowed"] * 2),
    ],
)
def test_tag_files_are_required_and_allowed(
    tmp_path: Path, keys: dict[str, Any], found: list[str]
) -> None:
    """bagit.txt, bag-info.txt, fetch.txt and manifests do not count: every bag has them."""
    bag = bag_with(tmp_path / "bag", extra=TAGS | {"fetch.txt": FETCH})
    assert codes(bag, profile_of(**keys)) == found


PAYLOAD = {"masters/t01.wav": b"RIFF", "notes.txt": b"x"}


@pytest.mark.parametrize(
    ("keys", "found"),
    [
        ({"Payload-Files-Required": ["data/notes.txt", "data/masters/"]}, []),
        ({"Payload-Files-Required": ["data/notes"]}, ["bag-profile-file-missing"]),
        # a directory ends in "/" and holds something
        ({"Payload-Files-Required": ["data/masters"]}, ["bag-profile-file-missing"]),
        ({"Payload-Files-Required": ["data/notes.txt/"]}, ["bag-profile-file-missing"]),
        ({"Payload-Files-Required": ["data/access/"]}, ["bag-profile-file-missing"]),
        ({"Payload-Files-Allowed": ["data/*"]}, []),
        ({"Payload-Files-Allowed": ["data/masters/*", "data/notes.txt"]}, []),
        ({"Payload-Files-Allowed": ["data/masters/*"]}, ["bag-profile-file-not-allowed"]),
    ],
)
def test_payload_files_are_required_and_allowed(
    tmp_path: Path, keys: dict[str, Any], found: list[str]
) -> None:
    assert codes(bag_with(tmp_path / "bag", PAYLOAD), profile_of(**keys)) == found


def test_payload_that_is_still_to_be_fetched_counts(tmp_path: Path) -> None:
    bag = bag_with(tmp_path / "bag", extra={"fetch.txt": FETCH})
    assert codes(bag, profile_of(**{"Payload-Files-Required": ["data/b.txt"]})) == []
    assert codes(bag, profile_of(**{"Payload-Files-Allowed": ["data/a.txt"]})) == [
        "bag-profile-file-not-allowed"
    ]


def test_many_files_that_are_not_allowed_are_counted_after_the_first_few(tmp_path: Path) -> None:
    bag = bag_with(tmp_path / "bag", {f"{n}.txt": b"" for n in range(9)})
    found = judged(bag, profile_of(**{"Payload-Files-Allowed": []}))
    assert [str(finding.where) for finding in found][-1] == "."
    assert found[-1].message.startswith("4 more")


# --- several profiles -----------------------------------------------------------------


def test_a_bag_is_checked_against_each_profile_that_it_names(tmp_path: Path) -> None:
    """BagIt-Profile-Identifier may be repeated, one for each profile."""
    one = profile_of(**{"Manifests-Required": ["sha512"]})
    content = b'{"BagIt-Profile-Info": {"BagIt-Profile-Identifier": "urn:x:two"}}'
    two, _ = read_bag_profile(content, "two.json")
    assert two is not None
    info = f"{NAMED}BagIt-Profile-Identifier: urn:x:two\n"
    bag = bag_with(tmp_path / "bag", info=info)
    assert codes(bag, one, two) == ["bag-profile-manifest-missing"]
    # A fatal failure of one says nothing of the other.
    other = profile_of(**{"Accept-BagIt-Version": ["0.97"]})
    assert codes(bag, other, two) == ["bag-profile-bagit-version"]


def test_a_profile_that_is_not_at_hand_is_named_and_not_judged(tmp_path: Path) -> None:
    info = f"{NAMED}BagIt-Profile-Identifier: https://example.org/other.json\n"
    (finding,) = judged(bag_with(tmp_path / "bag", info=info), profile_of())
    assert (finding.code, str(finding.severity)) == ("bag-profile-other", "note")


# --- a profile made of a bag ----------------------------------------------------------

names = st.sampled_from(["a.txt", "b/c.txt", "d.wav", "e/f/g.bin"])


@given(
    payload=st.dictionaries(names, st.binary(max_size=3), min_size=1),
    tags=st.dictionaries(st.sampled_from(["x.txt", "metadata/y.xml"]), st.just(b"z")),
    missing=st.sampled_from(["none", "payload", "tag", "info", "manifest"]),
)
def test_a_profile_that_asks_for_what_a_bag_has_passes_it_and_for_one_thing_more_does_not(
    tmp_path_factory: pytest.TempPathFactory,
    payload: dict[str, bytes],
    tags: dict[str, bytes],
    missing: str,
) -> None:
    bag = bag_with(tmp_path_factory.mktemp("made") / "bag", payload, extra=tags)
    paths = [f"data/{name}" for name in payload]
    keys: dict[str, Any] = {
        "Payload-Files-Required": list(paths),
        "Payload-Files-Allowed": [*paths, "data/zz.txt"],
        "Tag-Files-Required": list(tags),
        "Tag-Files-Allowed": [*tags, "zz.txt"],
        "Manifests-Required": ["sha256"],
        "Tag-Manifests-Required": ["sha256"],
        "Bag-Info": {},
    }
    if missing == "payload":
        keys["Payload-Files-Required"].append("data/zz.txt")
    elif missing == "tag":
        keys["Tag-Files-Required"].append("zz.txt")
    elif missing == "info":
        keys["Bag-Info"]["Zz"] = {"required": True}
    elif missing == "manifest":
        keys["Manifests-Required"].append("sha512")
    assert len(codes(bag, profile_of(**keys))) == (missing != "none")
