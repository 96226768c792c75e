"""bagit.txt, bag-info.txt and fetch.txt. Source: RFC 8493 sections 2.1.1, 2.2.2, 2.2.3."""

from __future__ import annotations

import pytest
from hypothesis import example, given

from archiver.package.tagfiles import (
    BagInfo,
    InfoElement,
    bag_size,
    decode_bag_info,
    decode_fetch,
    encode_bag_info,
)
from archiver.package.text import Declaration, decode_declaration, encode_declaration
from tests.package.strategies import elements, hostile_bytes

RFC = Declaration(version=(1, 0), encoding="UTF-8")
OLD = Declaration(version=(0, 97), encoding="UTF-8")


def pairs(content: bytes, declaration: Declaration = RFC) -> list[tuple[str, str]]:
    return [(e.label, e.value) for e in decode_bag_info(content, declaration)[0].elements]


def codes(content: bytes, declaration: Declaration = RFC) -> list[str]:
    return [finding.code for finding in decode_bag_info(content, declaration)[1]]


def test_declaration_survives() -> None:
    assert decode_declaration(encode_declaration()) == (RFC, ())


@given(hostile_bytes)
def test_hostile_bytes_give_a_declaration_that_can_be_worked_with(content: bytes) -> None:
    declaration, _ = decode_declaration(content)
    assert b"abc".decode(declaration.encoding, "replace") is not None


@pytest.mark.parametrize(
    "content",
    [
        # The RFC's own first example writes the label with a small v (section 4.1, from memory).
        b"BagIt-version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        b"BagIt-Version: 1.0\r\nTag-File-Character-Encoding: UTF-8",
        b"BagIt-Version: 1.0\rTag-File-Character-Encoding: utf-8\r",
        b"BagIt-Version: 0.93\nTag-File-Character-Encoding: UTF-8",
        b"BagIt-Version : 0.97 \nTag-File-Character-Encoding:  UTF-8\n",
    ],
)
def test_accepted_declaration(content: bytes) -> None:
    assert decode_declaration(content)[1] == ()


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "bag-declaration-malformed"),
        (b"BagIt-Version: 1.0\n", "bag-declaration-malformed"),
        (b"\xef\xbb\xbf" + encode_declaration(), "bag-declaration-malformed"),
        (encode_declaration() + b"\n", "bag-declaration-malformed"),
        (b"BagIt-Version : 1.0\nTag-File-Character-Encoding: UTF-8\n", "bag-declaration-malformed"),
        (b"BagIt-Version: 1.0 \nTag-File-Character-Encoding: UTF-8\n", "bag-declaration-malformed"),
        (b"BagIt-Version:  1.0\nTag-File-Character-Encoding: UTF-8\n", "bag-declaration-malformed"),
        (b"BagIt-Version: .97\nTag-File-Character-Encoding: UTF-8\n", "bag-declaration-malformed"),
        (b"Tag-File-Character-Encoding: UTF-8\nBagIt-Version: 1.0\n", "bag-declaration-malformed"),
        (b"BagIt-Version: 1.0\nTag-File-Character-Encoding: \xff\n", "bag-declaration-malformed"),
        (b"BagIt-Version: 2.0\nTag-File-Character-Encoding: UTF-8\n", "bag-version-unknown"),
        (b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-9\n", "bag-text-encoding"),
        (b"BagIt-Version: 1.0\nTag-File-Character-Encoding: hex\n", "bag-text-encoding"),
        (b"BagIt-Version: 1.0\nTag-File-Character-Encoding: unicode_escape\n", "bag-text-encoding"),
    ],
)
def test_wrong_declaration_is_told(content: bytes, code: str) -> None:
    assert code in [finding.code for finding in decode_declaration(content)[1]]


@given(elements)
@example([("A", "x" * 200)])
@example([("A", "")])
@example([("A", f"{'x' * 75} y {'z' * 77} w")])
def test_any_elements_survive(written: list[tuple[str, str]]) -> None:
    assert pairs(encode_bag_info(written)) == written


@given(elements)
def test_lines_are_at_most_79_columns_unless_one_word_is_longer(
    written: list[tuple[str, str]],
) -> None:
    for line in encode_bag_info(written).decode().split("\n"):
        words = line.strip().split(": ", 1)[-1].split(" ")
        assert len(line) <= 79 or len(words) == 1


@given(hostile_bytes)
def test_hostile_bytes_give_elements_and_findings(content: bytes) -> None:
    for declaration in (RFC, OLD):
        info, _ = decode_bag_info(content, declaration)
        assert all(element.label for element in info.elements)
        decode_fetch(content, declaration)


def test_line_ends_and_other_separators_in_a_value_become_blanks() -> None:
    content = encode_bag_info([("Label", "one\r\ntwo\u2028three\x85four\t five ")])
    assert content == b"Label: one two three four five\n"


@pytest.mark.parametrize("label", ["", "a:b", " a", "a ", "a\nb", "a\tb", "a\u2028b"])
def test_label_that_cannot_be_written_is_refused(label: str) -> None:
    with pytest.raises(ValueError, match="cannot be a label"):
        encode_bag_info([(label, "x")])


def test_example_of_the_rfc_is_read() -> None:
    # RFC 8493 section 2.2.2, the example with a folded description (from memory).
    content = (
        b"Source-Organization: FOO University\n"
        b"Organization-Address: 1 Main St., Cupertino, California, 11111\n"
        b"Contact-Name: Jane Doe\n"
        b"Contact-Phone: +1 111-111-1111\n"
        b"Contact-Email: example@example.com\n"
        b"External-Description: Uncompressed greyscale TIFF images from the\n"
        b"     FOO papers collection.\n"
        b"Bagging-Date: 2008-01-15\n"
        b"External-Identifier: university_foo_001\n"
        b"Payload-Oxum: 279164409832.1198\n"
        b"Bag-Group-Identifier: university_foo\n"
        b"Bag-Count: 1 of 15\n"
        b"Internal-Sender-Identifier: /storage/images/foo\n"
        b"Internal-Sender-Description: Uncompressed greyscale TIFFs created\n"
        b"     from microfilm and are part of the foo project.\n"
    )
    info, findings = decode_bag_info(content, RFC)
    assert findings == ()
    assert len(info.elements) == 13
    assert info.values("External-Description") == (
        "Uncompressed greyscale TIFF images from the FOO papers collection.",
    )
    assert info.oxum == (279164409832, 1198)


def test_values_are_found_in_any_case_and_kept_in_order() -> None:
    info, _ = decode_bag_info(b"Contact-Name: A\ncontact-name: B\nX: C: D\n", RFC)
    assert info.values("CONTACT-NAME") == ("A", "B")
    assert info.values("x") == ("C: D",)
    assert info.values("none") == ()


@pytest.mark.parametrize(
    "line", [b"Label : x", b"Label:x", b":x", b"no colon", b"", b" begins with a blank"]
)
def test_line_out_of_form_is_told_since_1_0(line: bytes) -> None:
    assert codes(line + b"\nA: b\n") == ["bag-info-malformed"]


@pytest.mark.parametrize("line", [b"Label : x", b"Label:x", b"Label  :  x  ", b"Label\t:\tx"])
def test_blanks_around_the_colon_are_accepted_before_1_0(line: bytes) -> None:
    assert pairs(line + b"\n", OLD) == [("Label", "x")]
    assert codes(line + b"\n", OLD) == []


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"Payload-Oxum: 1.1\nPayload-Oxum: 1.1\n", "bag-oxum"),
        (b"Payload-Oxum: many\n", "bag-oxum"),
        (b"Payload-Oxum: 1.1.1\n", "bag-oxum"),
        (b"Payload-Oxum: " + b"9" * 5000 + b".1\n", "bag-oxum"),
        (b"Bagging-Date: 18.4.2026\n", "bag-info-value"),
        (b"Bag-Count: 1/5\n", "bag-info-value"),
        (b"Bag-Size: 1 MB\nbag-size: 1 MB\n", "bag-info-repeated"),
    ],
)
def test_value_out_of_form_is_told(content: bytes, code: str) -> None:
    assert codes(content) == [code]


def test_oxum_counts_only_when_it_is_stated_once() -> None:
    twice = (InfoElement(label="Payload-Oxum", value="1.1"),) * 2
    assert BagInfo(elements=twice).oxum is None
    assert BagInfo().oxum is None


@pytest.mark.parametrize(
    ("size", "text"),
    [
        (0, "0.000 MB"),
        (25_000, "0.025 MB"),
        (42_600_000, "42.6 MB"),
        (42_600_000_000, "42.6 GB"),
        (1_000_000_000_000, "1.0 TB"),
    ],
)
def test_bag_size_is_written_for_people(size: int, text: str) -> None:
    assert bag_size(size) == text


def test_fetch_line_is_read() -> None:
    # Form of RFC 8493 section 2.2.3.
    content = (
        b"https://museum.example/a%20b.wav 26583985 data/a b.wav\nhttps://x.example/ - data/c\n"
    )
    lines, findings = decode_fetch(content, RFC)
    assert findings == ()
    assert [(line.url, line.length, line.path) for line in lines] == [
        ("https://museum.example/a%20b.wav", 26583985, "data/a b.wav"),
        ("https://x.example/", None, "data/c"),
    ]


@pytest.mark.parametrize(
    ("line", "code"),
    [
        (b"https://x.example/ data/c", "bag-fetch-malformed"),
        (b"https://x.example/ -5 data/c", "bag-fetch-malformed"),
        (b"https://x.example/ 5", "bag-fetch-malformed"),
        (b"https://x.example/ - ../../c", "bag-path-dangerous"),
        (b"https://x.example/ - /etc/c", "bag-path-dangerous"),
        (b"https://x.example/ - ~root/c", "bag-path-dangerous"),
        (b"https://x.example/ - C:\\Windows\\c", "bag-path-dangerous"),
        (b"https://x.example/ - \\\\?\\UNC\\server\\c", "bag-path-dangerous"),
        (b"https://x.example/ - bag-info.txt", "bag-path-misplaced"),
        (b"https://x.example/ - data/%41", "bag-percent-stray"),
    ],
)
def test_wrong_fetch_line_is_told(line: bytes, code: str) -> None:
    assert [finding.code for finding in decode_fetch(line + b"\n", RFC)[1]] == [code]
