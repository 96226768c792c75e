"""Paths in manifests, paths that are dangerous, names that travel.

Sources: RFC 8493 sections 2.1.3, 5.1 and 6.1; the list of dangerous paths is the house's.
"""

from __future__ import annotations

import re

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from archiver.findings import Where
from archiver.package.names import (
    collisions,
    danger,
    decode_path,
    encode_path,
    has_stray_percent,
    name_finding,
    obstacles,
    safe_name,
    safe_names,
    shown,
    travel_well,
)
from tests.package.strategies import paths

SAFE = re.compile(r"[a-z0-9][a-z0-9._-]*")


@pytest.mark.parametrize(
    ("path", "written"),
    [
        ("data/a\nb", "data/a%0Ab"),
        ("data/a\rb", "data/a%0Db"),
        ("data/a\r\nb", "data/a%0D%0Ab"),
        ("data/100%.txt", "data/100%25.txt"),
        ("data/%0A", "data/%250A"),
        ("data/a b~é\u2028.txt", "data/a b~é\u2028.txt"),
    ],
)
def test_only_line_ends_and_percent_are_encoded(path: str, written: str) -> None:
    # RFC 8493 section 2.1.3.
    assert encode_path(path) == written
    assert decode_path(written) == path


@pytest.mark.parametrize(
    ("text", "path"),
    [("%0a%0d", "\n\r"), ("%250A", "%0A"), ("%2525", "%25"), ("%7E", "%7E"), ("5%", "5%")],
)
def test_decoding_is_one_pass_and_takes_hexadecimal_in_either_case(text: str, path: str) -> None:
    assert decode_path(text) == path


@given(paths)
@example("%0A%")
def test_any_path_survives_a_manifest(path: str) -> None:
    assert decode_path(encode_path(path)) == path
    assert not has_stray_percent(encode_path(path))
    assert not set("\r\n") & set(encode_path(path))


@pytest.mark.parametrize(
    "path",
    [
        "",
        "/etc/passwd",
        "\\\\host\\share",
        "\\\\?\\UNC\\host\\x",
        "\\\\.\\PHYSICALDRIVE0",
        "C:\\Windows\\System32\\x.exe",
        "c:x",
        "~/x",
        "~root/x",
        "%HomeDrive%\\Windows",
        "data/../../x",
        "..",
        "..\\x",
        "data\\..\\..\\x",
        "data/..",
        "data/a\0b",
    ],
)
def test_dangerous_path_is_refused(path: str) -> None:
    assert danger(path)


@pytest.mark.parametrize(
    "path", ["data/x", "data/..x", "data/x..", "data/...", "data/a~b", "data/50%", "data/a b"]
)
def test_harmless_path_is_not_refused(path: str) -> None:
    assert not danger(path)


@pytest.mark.parametrize(
    "component",
    [
        *'<>:"\\|?*',
        "a\x1fb",
        "CON",
        "con.wav",
        "Aux.tar.gz",
        "com1",
        "LPT9.txt",
        "COM\u00b9",
        "trailing.",
        "trailing ",
        "x" * 256,
        "é" * 128,
    ],
)
def test_name_that_another_system_refuses_is_told(component: str) -> None:
    # RFC 8493 section 6.1.2; trailing blank and full stop are common practice.
    assert obstacles(f"data/{component}/x")
    assert not danger(f"data/{component}")


@pytest.mark.parametrize("component", ["console", "com10", "lpt", "nulls.txt", "a.con", "x" * 255])
def test_name_that_only_resembles_a_refused_one_is_not_told(component: str) -> None:
    assert not obstacles(f"data/{component}")


TRAVELLING = st.text("aB0._-/\n \u00e9:conPRNlptauxmul1", min_size=1, max_size=9)


@given(st.lists(st.one_of(TRAVELLING, paths), max_size=6))
@example(["a\nb", "a"])
@example(["data/con"])
@example(["data/x.", "data/y"])
@example(["data/" + "x" * 256])
def test_one_look_at_many_paths_overlooks_nothing(names: list[str]) -> None:
    if travel_well(names):
        assert [obstacles(name) for name in names] == [()] * len(names)
        assert collisions(names) == ()


def test_one_look_is_enough_for_usual_names() -> None:
    assert travel_well([])
    assert travel_well(["bagit.txt", "data/masters/t01.wav", "metadata/premis.xml"])
    assert not travel_well(["data/a", "data/A"])


def test_collisions_are_found_over_case_and_unicode_form() -> None:
    # RFC 8493 section 6.1.
    assert collisions(["a/X", "a/x", "b"]) == (("a/X", "a/x"),)
    assert collisions(["caf\u00e9", "cafe\u0301"]) == (("cafe\u0301", "caf\u00e9"),)
    assert collisions(["a", "b", "a"]) == ()


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Foto Nr. 1.PNG", "foto-nr.1.png"),
        ("Ærø Ållé.wav", "aero-alle.wav"),
        ("Straße (2).jpeg", "strasse-2.jpeg"),
        ("Кино.txt", "kino.txt"),
        ("日本.wav", "u65e5u672c.wav"),
        ("CON.wav", "x-con.wav"),
        ("..hidden", "hidden"),
        ("a/b\\c", "a-b-c"),
        ("", "unnamed"),
        ("???", "unnamed"),
        ("t01.wav", "t01.wav"),
        ("x" * 150 + ".flac", "x" * 95 + ".flac"),
    ],
)
def test_safe_name_transliterates_and_keeps_the_extension(text: str, name: str) -> None:
    assert safe_name(text) == name


@given(st.text(max_size=200))
def test_safe_name_is_safe_whatever_comes(text: str) -> None:
    name = safe_name(text)
    assert SAFE.fullmatch(name)
    assert len(name) <= 100
    assert not obstacles(name)
    assert not danger(name)


@given(st.text(max_size=120))
@example("x" * 99 + "-.b")
def test_safe_name_of_a_safe_name_is_that_name(text: str) -> None:
    assert safe_name(safe_name(text)) == safe_name(text)


@given(st.lists(st.text(st.sampled_from("aAäÄ.-2"), max_size=4), max_size=8))
def test_safe_names_are_all_different(texts: list[str]) -> None:
    names = safe_names(texts)
    assert len(set(names)) == len(texts)
    assert all(SAFE.fullmatch(name) and len(name) <= 100 for name in names)


def test_second_of_two_equal_names_is_numbered_before_its_extension() -> None:
    assert safe_names(["A.png", "a.png", "a-2.png"]) == ("a.png", "a-2.png", "a-2-2.png")
    assert safe_names(["a", "A"]) == ("a", "a-2")


def test_changed_name_is_a_finding_and_kept_name_is_none() -> None:
    where = Where(file="session.yaml", line=3)
    assert name_finding("a.png", "a.png", where=where) is None
    finding = name_finding("Horn 1.png", "horn-1.png", where=where)
    assert finding is not None
    assert finding.code == "bag-name-changed"
    assert "'Horn 1.png'" in finding.message
    assert "'horn-1.png'" in finding.message


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("a\x1b[31m", "a\\x1b[31m"),
        ("a\u202eb", "a\\u202eb"),
        ("\x85", "\\x85"),
        ("\udcff", "\\udcff"),
        ("é b", "é b"),
    ],
)
def test_shown_name_cannot_steer_a_terminal(text: str, seen: str) -> None:
    assert shown(text) == seen
