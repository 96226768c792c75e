"""Reading BagIt Profiles.

Sources: BagIt Profiles specification 1.4.0 (2023-01-13); the profile that ships with it as an
example; and cases worked from its tables of keys, one or more for each key.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.package.bagprofile import BagProfile, InfoRule, matches
from archiver.package.profile_reading import read_bag_profile
from tests.package.profiles import document, profile_of, read
from tests.package.strategies import hostile_bytes


def test_the_example_of_the_specification_is_read_without_a_finding(
    official_schemas: Path,
) -> None:
    """The file of the specification's own repository; values by eye from that file."""
    content = (official_schemas / "bagit-profiles/bagProfileFoo.json").read_bytes()
    profile, findings = read_bag_profile(content, "bagProfileFoo.json")
    assert findings == ()
    assert profile == BagProfile(
        identifier="http://www.library.yale.edu/mssa/bagitprofiles/disk_images.json",
        organisation="Yale University",
        description="BagIt Profile for packaging disk images",
        version="0.3",
        edition="1.1.0",
        contact_name="Mark Matienzo",
        info=(
            InfoRule(label="Bagging-Date", required=True),
            InfoRule(
                label="Source-Organization",
                required=True,
                values=("Simon Fraser University", "York University"),
            ),
            InfoRule(label="Contact-Phone", required=True),
        ),
        manifests_required=("md5",),
        allow_fetch=False,
        serialisation="required",
        accept_serialisation=("application/zip", "application/tar"),
        accept_versions=("0.96", "0.97"),
    )


def test_what_is_left_out_has_the_default_of_the_table() -> None:
    """Source: the column of types and defaults, BagIt Profiles 1.4.0."""
    profile = profile_of()
    assert (profile.allow_fetch, profile.fetch_required, profile.data_empty) == (True, False, False)
    assert profile.serialisation == "optional"
    assert profile.manifests_allowed is None
    assert profile.tag_manifests_allowed is None
    assert profile.tag_files_allowed is None
    assert profile.payload_files_allowed is None
    rule = profile_of(**{"Bag-Info": {"Contact-Name": {}}}).rule_for("contact-NAME")
    assert rule == InfoRule(label="Contact-Name", required=False, repeatable=True, values=())


def test_a_profile_without_an_edition_follows_the_first() -> None:
    """BagIt-Profile-Version is required since 1.2.0; without it 1.1.0 counts."""
    content = document()
    del content["BagIt-Profile-Info"]["BagIt-Profile-Version"]
    profile, findings = read(content)
    assert findings == []
    assert profile is not None
    assert profile.edition == "1.1.0"


@pytest.mark.parametrize(
    ("keys", "found"),
    [
        # BagIt-Profile-Info, and what must be in it
        ({"BagIt-Profile-Info": 1}, "profile-key-value BagIt-Profile-Info"),
        ({"BagIt-Profile-Info": []}, "profile-key-value BagIt-Profile-Info"),
        # Bag-Info
        ({"Bag-Info": ["Contact-Name"]}, "profile-key-value Bag-Info"),
        ({"Bag-Info": {"Contact-Name": True}}, "profile-key-value Bag-Info.Contact-Name"),
        (
            {"Bag-Info": {"Contact-Name": {"required": "yes"}}},
            "profile-key-value Bag-Info.Contact-Name.required",
        ),
        (
            {"Bag-Info": {"Contact-Name": {"required": "true"}}},
            "profile-key-loose Bag-Info.Contact-Name.required",
        ),
        (
            {"Bag-Info": {"Contact-Name": {"values": "A"}}},
            "profile-key-value Bag-Info.Contact-Name.values",
        ),
        (
            {"Bag-Info": {"Contact-Name": {"values": ["A", 1]}}},
            "profile-key-value Bag-Info.Contact-Name.values[1]",
        ),
        (
            {"Bag-Info": {"Contact-Name": {"repeatable": None}}},
            "profile-key-value Bag-Info.Contact-Name.repeatable",
        ),
        (
            {"Bag-Info": {"Contact-Name": {"description": 1}}},
            "profile-key-value Bag-Info.Contact-Name.description",
        ),
        (
            {"Bag-Info": {"Contact-Name": {"requierd": True}}},
            "profile-key-unknown Bag-Info.Contact-Name.requierd",
        ),
        # "SHOULD NOT be listed here", since every bag must name its profile
        (
            {"Bag-Info": {"BagIt-Profile-Identifier": {"required": True}}},
            "profile-key-loose Bag-Info.BagIt-Profile-Identifier",
        ),
        # the grammar of the specification writes it so once
        ({"Bagit-Info": {"Contact-Name": {}}}, "profile-key-loose Bagit-Info"),
        # lists of algorithms
        ({"Manifests-Required": "sha512"}, "profile-key-value Manifests-Required"),
        ({"Manifests-Required": ["sha512", None]}, "profile-key-value Manifests-Required[1]"),
        (
            {"Manifests-Required": ["sha512"], "Manifests-Allowed": ["sha256"]},
            "profile-contradiction Manifests-Allowed",
        ),
        (
            {"Tag-Manifests-Required": ["sha512"], "Tag-Manifests-Allowed": []},
            "profile-contradiction Tag-Manifests-Allowed",
        ),
        # fetch.txt and empty payload
        ({"Allow-Fetch.txt": "no"}, "profile-key-value Allow-Fetch.txt"),
        (
            {"Allow-Fetch.txt": False, "Fetch.txt-Required": True},
            "profile-contradiction Fetch.txt-Required",
        ),
        (
            {"Data-Empty": True, "Payload-Files-Required": ["data/a"]},
            "profile-contradiction Payload-Files-Required",
        ),
        # serialisation
        ({"Serialization": "maybe"}, "profile-key-value Serialization"),
        ({"Serialization": True}, "profile-key-value Serialization"),
        ({"Serialization": "required"}, "profile-key-missing Accept-Serialization"),
        ({"Serialization": "optional"}, "profile-key-missing Accept-Serialization"),
        # versions of BagIt
        ({"Accept-BagIt-Version": []}, "profile-key-value Accept-BagIt-Version"),
        ({"Accept-BagIt-Version": [1.0]}, "profile-key-value Accept-BagIt-Version[0]"),
        # files
        ({"Tag-Files-Required": ["data/a"]}, "profile-key-value Tag-Files-Required"),
        ({"Tag-Files-Required": ["../a"]}, "profile-key-value Tag-Files-Required"),
        ({"Payload-Files-Required": ["a"]}, "profile-key-value Payload-Files-Required"),
        ({"Payload-Files-Required": ["/data/a"]}, "profile-key-value Payload-Files-Required"),
        (
            {"Tag-Files-Required": ["a", "b"], "Tag-Files-Allowed": ["a"]},
            "profile-contradiction Tag-Files-Allowed",
        ),
        (
            {"Payload-Files-Required": ["data/b/"], "Payload-Files-Allowed": ["data/a/*"]},
            "profile-contradiction Payload-Files-Allowed",
        ),
        # what the specification does not have
        ({"Manifest-Required": ["md5"]}, "profile-key-unknown Manifest-Required"),
    ],
)
def test_what_is_wrong_with_a_profile_is_named_by_its_key(keys: dict[str, Any], found: str) -> None:
    _, findings = read(document(**keys))
    assert findings == [found]


@pytest.mark.parametrize(
    "key", ["Source-Organization", "External-Description", "Version", "BagIt-Profile-Identifier"]
)
def test_what_describes_a_profile_is_required(key: str) -> None:
    """Source: the table of BagIt-Profile-Info."""
    content = document()
    del content["BagIt-Profile-Info"][key]
    assert read(content)[1] == [f"profile-key-missing BagIt-Profile-Info.{key}"]
    content["BagIt-Profile-Info"][key] = " "
    assert read(content)[1] == [f"profile-key-value BagIt-Profile-Info.{key}"]


@pytest.mark.parametrize("text", ["profile", "https://a b", "https://a\n", "1:x"])
def test_an_identifier_is_a_uri_that_a_bag_can_carry(text: str) -> None:
    content = document()
    content["BagIt-Profile-Info"]["BagIt-Profile-Identifier"] = f"{text}é"
    assert read(content)[1] == ["profile-key-value BagIt-Profile-Info.BagIt-Profile-Identifier"]


@pytest.mark.parametrize(
    ("edition", "found"),
    [
        ("1.3.0", []),
        ("1.4.0", []),
        ("1.4.7", []),
        ("1.5.0", ["profile-version-newer BagIt-Profile-Info.BagIt-Profile-Version"]),
        ("2.0.0", ["profile-version-newer BagIt-Profile-Info.BagIt-Profile-Version"]),
        ("newest", ["profile-key-value BagIt-Profile-Info.BagIt-Profile-Version"]),
    ],
)
def test_an_edition_that_is_not_known_is_said(edition: str, found: list[str]) -> None:
    content = document()
    content["BagIt-Profile-Info"]["BagIt-Profile-Version"] = edition
    assert read(content)[1] == found


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"[]",
        b'"text"',
        b"null",
        b"{",
        b"\xff\xfe{}",
        b"{}}",
        b"[" * 100_000,
        b'{"a": 1' + b"0" * 5_000 + b"}",
        json.dumps(document() | {"x": "\ud800"}).encode(),
    ],
)
def test_what_is_no_json_object_is_one_finding(content: bytes) -> None:
    assert read(content) == (None, ["profile-unreadable"])


def test_a_line_is_named_where_the_json_breaks_off() -> None:
    _, findings = read_bag_profile(b'{\n"a": 1,\n}', "p.json")
    assert findings[0].where.line == 3


def test_a_byte_order_mark_before_the_json_is_passed_over() -> None:
    assert read(b"\xef\xbb\xbf" + json.dumps(document()).encode())[1] == []


def test_a_key_that_stands_twice_is_said() -> None:
    content = json.dumps(document())[:-1] + ', "Data-Empty": true, "Data-Empty": false}'
    assert read(content.encode())[1] == ["profile-key-loose Data-Empty"]


def test_an_empty_object_lacks_what_every_profile_has() -> None:
    profile, findings = read({})
    assert profile == BagProfile()
    assert findings == [
        "profile-key-missing BagIt-Profile-Info",
        "profile-key-missing Accept-BagIt-Version",
    ]


def test_names_of_algorithms_are_brought_to_the_form_of_manifests() -> None:
    """RFC 8493 section 2.4: small letters and digits only."""
    profile = profile_of(**{"Manifests-Required": ["SHA-512", "sha512"]})
    assert profile.manifests_required == ("sha512",)


# --- anything at all ------------------------------------------------------------------

json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=12),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["required", "values", "Contact-Name", "x"]) | st.text(max_size=5),
            inner,
            max_size=3,
        )
    ),
    max_leaves=6,
)
KEYS = [
    "BagIt-Profile-Info", "Bag-Info", "Bagit-Info", "Manifests-Required", "Manifests-Allowed",
    "Allow-Fetch.txt", "Fetch.txt-Required", "Data-Empty", "Serialization",
    "Accept-Serialization", "Accept-BagIt-Version", "Tag-Manifests-Required",
    "Tag-Manifests-Allowed", "Tag-Files-Required", "Tag-Files-Allowed",
    "Payload-Files-Required", "Payload-Files-Allowed",
]  # fmt: skip


@given(st.dictionaries(st.sampled_from(KEYS), json_values, max_size=6))
def test_any_json_object_gives_a_profile_and_findings(keys: dict[str, Any]) -> None:
    profile, findings = read_bag_profile(json.dumps(document() | keys).encode(), "p.json")
    if profile is None:
        assert [finding.code for finding in findings] == ["profile-unreadable"]
    for finding in findings:
        assert finding.code.startswith("profile-")
        assert finding.message


@given(hostile_bytes)
def test_any_bytes_give_a_profile_or_a_finding(content: bytes) -> None:
    profile, findings = read_bag_profile(content, "p.json")
    assert profile is not None or findings


# --- patterns -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "pattern", "expected"),
    [
        # "*" is zero or more characters (Tag-Files-Allowed)
        ("metadata/mets.xml", "*", True),
        ("metadata/mets.xml", "metadata/*", True),
        ("metadata/", "metadata/*", True),
        ("metadata/lido/a.xml", "metadata/*", True),
        ("metadata/lido/a.xml", "metadata/*.xml", True),
        ("metadata", "metadata/*", False),
        ("METADATA/mets.xml", "metadata/*", False),
        ("a.txt", "?.txt", True),
        ("a1.txt", "a[0-9].txt", True),
        # a name that itself holds such characters
        ("a[0-9].txt", "a[0-9].txt", True),
        ("a.txt", "a", False),
    ],
)
def test_patterns_are_those_of_the_specification(path: str, pattern: str, expected: bool) -> None:
    assert matches(path, [pattern]) is expected


@given(st.text("ab/.", max_size=8), st.text("ab/.*", max_size=6))
def test_an_asterisk_stands_for_any_run_of_characters(path: str, pattern: str) -> None:
    """Judged by the definition, letter by letter."""

    def fits(rest: str, form: str) -> bool:
        if not form:
            return not rest
        if form[0] == "*":
            return fits(rest, form[1:]) or (bool(rest) and fits(rest[1:], form))
        return bool(rest) and rest[0] == form[0] and fits(rest[1:], form[1:])

    assert matches(path, [pattern]) is fits(path, pattern)


def test_a_pattern_made_to_take_long_does_not() -> None:
    assert not matches("data/" + "a" * 5_000, ["data/" + "*a" * 40 + "b"])
