"""Text in chunks: character sets, transliteration, cutting."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.findings import Where
from archiver.wave.fitting import fit_field
from archiver.wave.text import cut_at_word, decode_text, fit_ascii, transliterate


# Letters: ICAO Doc 9303 part 3, section 6 (from memory); marks: our own table.
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("Blåbærgrød", "Blaabaergroed"),
        ("Café Ångström", "Cafe AAngstroem"),
        ("Cafe\u0301", "Cafe"),
        ("A\u030arhus", "AArhus"),
        ("straße", "strasse"),
        ("“wax” — ‘foil’ …", "\"wax\" - 'foil' ..."),
        ("2 × 3½ in, 90°", "2 x 3 1/2 in, 90 deg"),
        ("Łódź", "Lodz"),
        ("10\u00a0kHz", "10 kHz"),
        ("25 µm, 8Ω", "25 um, 8 ohm"),
        ("Ж語", "??"),
        ("a\u200bb", "ab"),
        ("one\r\ntwo\tthree", "one\r\ntwo three"),
    ],
)
def test_text_becomes_ascii(text: str, expected: str) -> None:
    assert transliterate(text) == expected


@given(st.text(max_size=60))
def test_the_result_is_always_printable_ascii_and_stays_so(text: str) -> None:
    result = transliterate(text)
    assert all(" " <= character <= "~" or character in "\r\n" for character in result)
    assert transliterate(result) == result


@given(st.text(max_size=80), st.integers(1, 80))
def test_a_cut_text_is_never_wider_than_its_field(text: str, width: int) -> None:
    result = cut_at_word(text, width)
    assert len(result) <= width
    assert text.startswith(result)


@pytest.mark.parametrize(
    ("text", "width", "expected"),
    [
        ("wax cylinder", 12, "wax cylinder"),
        ("wax cylinder office", 12, "wax cylinder"),
        ("wax cylinder office", 15, "wax cylinder"),
        ("one, two; three", 10, "one, two"),
        ("abcdefghij", 4, "abcd"),
    ],
)
def test_text_is_cut_at_the_end_of_a_word(text: str, width: int, expected: str) -> None:
    assert cut_at_word(text, width) == expected


@given(st.binary(max_size=40))
def test_every_byte_string_is_read_and_comes_back(raw: bytes) -> None:
    text, charset = decode_text(raw)
    assert text.encode(charset) == raw


def test_what_was_changed_is_told() -> None:
    fitted = fit_ascii("Blåbær og grød", 8)
    assert (fitted.text, fitted.transliterated, fitted.cut) == ("Blaabaer", True, True)
    plain = fit_ascii("plain", 8)
    assert (plain.text, plain.transliterated, plain.cut) == ("plain", False, False)


def test_each_change_of_a_field_makes_its_finding() -> None:
    where = Where(file="session.yaml", line=3, field="session.title")
    text, findings = fit_field("originator", "Lydhistorisk Museum i Ærøskøbing, Danmark", where)
    assert text == "Lydhistorisk Museum i"
    assert [f.code for f in findings] == ["master-text-transliterated", "master-text-cut"]
    assert all(f.where == where for f in findings)
    assert "32" in findings[1].accepted


def test_a_text_that_fits_makes_no_finding() -> None:
    assert fit_field("originator", "DK, LHM", Where(file="session.yaml")) == ("DK, LHM", ())


def test_a_lost_letter_is_told() -> None:
    _, (finding,) = fit_field("originator", "博物館", Where(file="session.yaml"))
    assert "no ASCII form" in finding.message
