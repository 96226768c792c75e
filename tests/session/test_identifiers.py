"""Identifiers, judged by published examples and lists."""

from __future__ import annotations

from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.errors import InputError
from archiver.session.identifiers import (
    check_country,
    check_language,
    check_person_identifier,
    orcid_check_character,
)


def _published_countries() -> set[str]:
    """ISO 3166-1 alpha-2 codes as the time zone database lists them (iso3166.tab)."""
    table = resources.files("tzdata").joinpath("zoneinfo", "iso3166.tab")
    lines = table.read_text(encoding="utf-8").splitlines()
    return {line.split("\t")[0] for line in lines if line and not line.startswith("#")}


def test_countries_are_those_that_the_time_zone_database_lists() -> None:
    published = _published_countries()
    assert len(published) == 249
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    accepted = set()
    for code in (a + b for a in letters for b in letters):
        try:
            accepted.add(check_country(code))
        except InputError:
            continue
    assert accepted == published


@pytest.mark.parametrize(
    ("text", "remedy"), [("dk", "Write DK."), ("UK", "Write GB."), ("Denmark", ""), ("XX", "")]
)
def test_a_country_not_on_the_list_is_refused(text: str, remedy: str) -> None:
    with pytest.raises(InputError) as refusal:
        check_country(text)
    assert refusal.value.remedy == remedy


# RFC 5646, appendix A
@pytest.mark.parametrize(
    "tag",
    ["de", "fr", "ja", "zh-Hant", "zh-cmn-Hans-CN", "cmn-Hans-CN", "zh-yue-HK", "sr-Latn-RS",
     "sl-rozaj", "sl-rozaj-biske", "sl-nedis", "de-CH-1901", "sl-IT-nedis", "hy-Latn-IT-arevela",
     "de-DE", "en-US", "es-419", "de-CH-x-phonebk", "az-Arab-x-AZE-derbend", "x-whatever",
     "qaa-Qaaa-QM-x-southern", "de-Qaaa", "en-US-u-islamcal", "zh-CN-a-myext-x-private",
     "en-a-myext-b-another", "mul"],
)  # fmt: skip
def test_published_language_tags_are_accepted(tag: str) -> None:
    assert check_language(tag) == tag


@pytest.mark.parametrize(
    ("tag", "reason"),
    [
        ("de-419-DE", "not a language tag"),  # RFC 5646, appendix A: two regions
        ("a-DE", "not a language tag"),  # a lone letter cannot begin a tag
        ("ar-a-aaa-b-bbb-a-ccc", "not a language tag"),  # one singleton twice
        ("english", "word"),
        ("en_GB", "underscore"),
        ("", "not a language tag"),
    ],
)
def test_malformed_language_tags_are_refused(tag: str, reason: str) -> None:
    with pytest.raises(InputError, match=reason):
        check_language(tag)


# Examples of ORCID's documentation (from memory): all three are documented iDs.
@pytest.mark.parametrize(
    "identifier", ["0000-0002-1825-0097", "0000-0001-5109-3700", "0000-0002-1694-233X"]
)
def test_published_orcid_check_characters_fit(identifier: str) -> None:
    digits = identifier.replace("-", "")
    assert orcid_check_character(digits[:15]) == digits[15]
    assert check_person_identifier(f"https://orcid.org/{identifier}").endswith(identifier)


@given(st.integers(min_value=0, max_value=10**15 - 1), st.integers(0, 14), st.integers(1, 9))
def test_one_wrong_digit_is_always_found(number: int, place: int, change: int) -> None:
    digits = f"{number:015d}"
    wrong = digits[:place] + str((int(digits[place]) + change) % 10) + digits[place + 1 :]
    assert orcid_check_character(wrong) != orcid_check_character(digits)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("https://orcid.org/0000-0002-1825-0098", "mistyped digit"),
        ("https://orcid.org/0000-0002-1825", "16 characters"),
        ("0000-0002-1825-0097", "without its full address"),
        ("http://orcid.org/0000-0002-1825-0097", "without its full address"),
        ("Anna Sandberg", "not a URI"),
    ],
)
def test_a_wrong_identifier_is_refused_with_the_reason(text: str, found: str) -> None:
    with pytest.raises(InputError, match=found):
        check_person_identifier(text)


def test_another_uri_is_accepted() -> None:
    uri = "https://people.invalid/ansa"
    assert check_person_identifier(uri) == uri
