"""Judged by XML 1.0 (fifth edition), production 2, and by lxml reading the result."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from archiver.describe.xmltext import illegal_characters, legal, legal_uri, path_reference
from archiver.describe.xmltree import Namespace, serialised
from tests.describe.strategies import HARD_TEXTS, LONG

EVERY_CHARACTER = st.text(st.characters(exclude_categories=()))
URN = Namespace("urn:example", {"e": "urn:example"})


def is_char(code: int) -> bool:
    """Production 2 of XML 1.0."""
    return (
        code in (0x9, 0xA, 0xD)
        or 0x20 <= code <= 0xD7FF
        or 0xE000 <= code <= 0xFFFD
        or 0x10000 <= code <= 0x10FFFF
    )


def test_exactly_the_characters_of_production_2_stay() -> None:
    for code in range(0x11000):
        character = chr(code)
        assert (legal(character) == character) is (is_char(code) or code == 0xFFFD)
    assert legal(chr(0x10FFFF)) == chr(0x10FFFF)


def test_illegal_characters_are_named_once() -> None:
    assert illegal_characters("a\x00b\x00c\ud800") == ("U+0000", "U+D800")
    assert illegal_characters("emoji 🎙️ and \u202e") == ()


@pytest.mark.parametrize("text", [*HARD_TEXTS, LONG])
@pytest.mark.parametrize("place", ["text", "attribute"])
def test_hard_texts_come_back_from_a_parser(text: str, place: str) -> None:
    root = URN.root("r")
    URN.add(root, "c", text if place == "text" else None, {"a": text})
    child = etree.fromstring(serialised(root), etree.XMLParser(huge_tree=True))[0]
    assert (child.text if place == "text" else child.get("a")) == legal(text)


@given(text=EVERY_CHARACTER, attribute=EVERY_CHARACTER)
def test_any_text_comes_back_from_a_parser(text: str, attribute: str) -> None:
    root = URN.root("r", {"a": attribute})
    URN.add(root, "c", text)
    read = etree.fromstring(serialised(root))
    assert read.get("a") == legal(attribute)
    assert (read[0].text or "") == legal(text)


def test_an_attribute_without_value_is_left_out() -> None:
    root = URN.root("r", {"a": None, "b": ""})
    read = etree.fromstring(serialised(root))
    assert (read.get("a"), read.get("b")) == (None, "")


@pytest.mark.parametrize(
    ("text", "uri"),
    [
        # Left alone: the forms of RFC 3986, 1.1.2.
        ("ftp://ftp.is.co.za/rfc/rfc1808.txt", "ftp://ftp.is.co.za/rfc/rfc1808.txt"),
        ("ldap://[2001:db8::7]/c=GB?one", "ldap://[2001:db8::7]/c=GB?one"),
        ("urn:oasis:names:specification", "urn:oasis:names:specification"),
        ("https://a.example/b%20c#d", "https://a.example/b%20c#d"),
        # Encoded: what 2.2 and 2.3 do not list, and a percent sign that begins nothing.
        ("https://a.example/ø b", "https://a.example/%C3%B8%20b"),
        ("https://a.example/100%", "https://a.example/100%25"),
        ("https://a.example/[x]#y#z", "https://a.example/%5Bx%5D#y%23z"),
    ],
)
def test_a_uri_is_percent_encoded_where_it_must_be(text: str, uri: str) -> None:
    assert legal_uri(text) == uri


@given(text=EVERY_CHARACTER)
def test_an_encoded_uri_stays_as_it_is(text: str) -> None:
    assert legal_uri(legal_uri(text)) == legal_uri(text)


def test_a_file_name_is_no_scheme_and_no_fragment() -> None:
    assert path_reference("a b/c#1%:é.wav") == "a%20b/c%231%25%3A%C3%A9.wav"
