"""Sizes and command lines in words.

Judge of a pasted line: the shell of the machine, and :mod:`shlex`; for Windows the splitting of
``CommandLineToArgvW`` as Microsoft documents it ("Parsing C command-line arguments").
"""

from __future__ import annotations

import shlex

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.telling import byte_size, command_line, count, excerpt, laid_out, sentence


@pytest.mark.parametrize(
    ("number", "text"),
    [
        (0, "0 bytes"),
        (1, "1 byte"),
        (999, "999 bytes"),
        (1000, "1.0 kB"),
        (999_949, "999.9 kB"),
        (999_950, "1.0 MB"),
        (11_900_000, "11.9 MB"),
        (2_000_000_000, "2.0 GB"),
        (5 * 10**15, "5000.0 TB"),
    ],
)
def test_sizes_are_said_in_decimal_units(number: int, text: str) -> None:
    assert byte_size(number) == text


@pytest.mark.parametrize(
    ("said", "text"),
    [
        (count(0, "file"), "0 files"),
        (count(1, "file"), "1 file"),
        (count(2, "entry", "entries"), "2 entries"),
        (count(1, "part is", "parts are"), "1 part is"),
    ],
)
def test_one_thing_is_said_in_the_singular(said: str, text: str) -> None:
    assert said == text


@pytest.mark.parametrize(
    ("text", "most", "shown"),
    [
        ("Shaved  last\non Monday.", 40, "Shaved last on Monday."),
        ("Shaved last on 2026-10-12; the measures", 28, "Shaved last on 2026-10-12…"),
        ("Shaved last on Monday. Then", 24, "Shaved last on Monday…"),
        ("abcdefgh", 5, "abcd…"),
    ],
)
def test_an_excerpt_ends_after_a_whole_word_with_one_ellipsis(
    text: str, most: int, shown: str
) -> None:
    assert excerpt(text, most) == shown


@given(st.text(), st.integers(1, 40))
def test_an_excerpt_is_one_line_of_no_more_than_was_asked_for(text: str, most: int) -> None:
    shown = excerpt(text, most)
    assert len(shown) <= most
    assert shown == " ".join(shown.split())


@pytest.mark.parametrize(
    ("text", "said"), [("black japan", "black japan."), ("Shaved.", "Shaved."), ("last…", "last…")]
)
def test_a_sentence_has_one_end(text: str, said: str) -> None:
    assert sentence(text) == said


@given(st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1)))
def test_a_line_for_a_posix_shell_is_read_back_as_it_was_meant(words: list[str]) -> None:
    line = command_line("verify", *words, windows=False)
    assert shlex.split(line) == ["archiver", "verify", *words]


@pytest.mark.parametrize(
    ("word", "quoted"),
    [
        ("archive/lhm-2026", "archive/lhm-2026"),
        ("C:\\Archive\\lhm", "C:\\Archive\\lhm"),
        ("C:\\Our archive\\lhm", '"C:\\Our archive\\lhm"'),
        ("C:\\Our archive\\", '"C:\\Our archive\\\\"'),
        ("a&b", '"a&b"'),
        ("Prøve", "Prøve"),
    ],
)
def test_a_line_for_windows_has_double_quotes(word: str, quoted: str) -> None:
    assert command_line("verify", word, windows=True) == f"archiver verify {quoted}"


def test_letters_of_all_languages_need_no_quotes() -> None:
    assert command_line("check", "Prøve/æøå", windows=False) == "archiver check Prøve/æøå"


WORDS = st.text(st.characters(codec="utf-8", exclude_categories=["C"]), min_size=1, max_size=12)


@given(st.lists(WORDS, min_size=1, max_size=4), st.sampled_from(["", ".", "; to see it", ", or"]))
def test_a_line_to_be_pasted_is_found_whole_in_a_text(words: list[str], after: str) -> None:
    line = command_line("verify", *words, windows=False)
    pieces = laid_out(f"It is changed. To verify it: {line}{after}")
    assert pieces[:2] == [("It is changed. To verify it:", False), (line, True)]
    assert shlex.split(pieces[1][0])[2:] == words
    assert len(pieces) == (2 if after in {"", "."} else 3)


def test_two_lines_and_the_prose_between_them_are_told_apart() -> None:
    text = "To verify: archiver verify 'our bag.'; to audit all: archiver audit ../ --ledger FILE."
    assert laid_out(text) == [
        ("To verify:", False),
        ("archiver verify 'our bag.'", True),
        ("To audit all:", False),
        ("archiver audit ../ --ledger FILE", True),
    ]
    assert laid_out("a bag that archiver protect was used on") == [
        ("a bag that archiver protect was used on", False)
    ]
    assert laid_out("") == [("", False)]
