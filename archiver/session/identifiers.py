"""Identifiers and codes that carry a check or a closed list.

ORCID iD: check character of ISO 7064, MOD 11-2 (documented by ORCID). Language
tags: the form of BCP 47 (RFC 5646, 2.1), without the grandfathered tags and
without the registry. Countries: ISO 3166-1 alpha-2.
"""

from __future__ import annotations

import re

from archiver.errors import InputError

__all__ = ["check_country", "check_language", "check_person_identifier", "orcid_check_character"]

_COUNTRY_CODES = (
    "AD AE AF AG AI AL AM AO AQ AR AS AT AU AW AX AZ BA BB BD BE BF BG BH BI BJ BL BM BN BO BQ BR "
    "BS BT BV BW BY BZ CA CC CD CF CG CH CI CK CL CM CN CO CR CU CV CW CX CY CZ DE DJ DK DM DO DZ "
    "EC EE EG EH ER ES ET FI FJ FK FM FO FR GA GB GD GE GF GG GH GI GL GM GN GP GQ GR GS GT GU GW "
    "GY HK HM HN HR HT HU ID IE IL IM IN IO IQ IR IS IT JE JM JO JP KE KG KH KI KM KN KP KR KW KY "
    "KZ LA LB LC LI LK LR LS LT LU LV LY MA MC MD ME MF MG MH MK ML MM MN MO MP MQ MR MS MT MU MV "
    "MW MX MY MZ NA NC NE NF NG NI NL NO NP NR NU NZ OM PA PE PF PG PH PK PL PM PN PR PS PT PW PY "
    "QA RE RO RS RU RW SA SB SC SD SE SG SH SI SJ SK SL SM SN SO SR SS ST SV SX SY SZ TC TD TF TG "
    "TH TJ TK TL TM TN TO TR TT TV TW TZ UA UG UM US UY UZ VA VC VE VG VI VN VU WF WS YE YT ZA ZM "
    "ZW"
)
_COUNTRIES = frozenset(_COUNTRY_CODES.split())

_LANGUAGE = re.compile(
    r"(?:[a-z]{2,3}(?:-[a-z]{3}){0,3}|[a-z]{4}|[a-z]{5,8})"  # language
    r"(?:-[a-z]{4})?"  # script
    r"(?:-(?:[a-z]{2}|\d{3}))?"  # region
    r"(?:-(?:[a-z0-9]{5,8}|\d[a-z0-9]{3}))*"  # variants
    r"(?:-[a-wy-z0-9](?:-[a-z0-9]{2,8})+)*"  # extensions
    r"(?:-x(?:-[a-z0-9]{1,8})+)?"  # private use
    r"|x(?:-[a-z0-9]{1,8})+",
    re.IGNORECASE | re.ASCII,
)
_ORCID = re.compile(r"(\d{4})-?(\d{4})-?(\d{4})-?(\d{3})([\dXx])", re.ASCII)
_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[^\s<>\"{}|\\^`]+")


def check_country(text: str) -> str:
    """Return a country code that is on the list.

    Raises
    ------
    InputError
        It is not.
    """
    if text in _COUNTRIES:
        return text
    accepted = "a two-letter country code of ISO 3166-1 in capitals, such as `DK`"
    if text.upper() in _COUNTRIES:
        raise InputError(
            f"`{text}` is in small letters", accepted=accepted, remedy=f"Write {text.upper()}."
        )
    if text.upper() == "UK":
        raise InputError(f"`{text}` is not on the list", accepted=accepted, remedy="Write GB.")
    raise InputError(f"`{text}` is not a country code", accepted=accepted)


def check_language(text: str) -> str:
    """Return a language tag of the form of BCP 47.

    Raises
    ------
    InputError
        The form is another. A word of four letters or more, such as ``english``, is
        refused too: the form allows it, but no such language is registered.
    """
    primary = text.partition("-")[0]
    singletons = re.findall(r"-([a-wy-z0-9])(?=-)", text.lower().partition("-x-")[0])
    if (
        _LANGUAGE.fullmatch(text)
        and (len(primary) in (2, 3) or primary.lower() == "x")
        and len(singletons) == len(set(singletons))
    ):
        return text
    why = "is not a language tag"
    if "_" in text:
        why = "has an underscore where a hyphen stands in a language tag"
    elif text.isalpha() and len(text) > 3:
        why = "is a word, not a language code"
    raise InputError(
        f"`{text}` {why}",
        accepted="a BCP 47 language tag, such as `en`, `da`, `de-CH` or `mul` for several",
    )


def orcid_check_character(digits: str) -> str:
    """Return the check character for the first 15 digits of an ORCID iD."""
    total = 0
    for digit in digits:
        total = (total + int(digit)) * 2
    rest = (12 - total % 11) % 11
    return "X" if rest == 10 else str(rest)


def check_person_identifier(text: str) -> str:
    """Return a URI of a person; the check character of an ORCID iD must fit.

    Raises
    ------
    InputError
        It is no URI, or its check character does not fit.
    """
    accepted = "a URI, such as `https://orcid.org/0000-0002-1825-0097`"
    tail = re.sub(r"^(?:https?://)?(?:www\.)?orcid\.org/", "", text, flags=re.IGNORECASE)
    match = _ORCID.fullmatch(tail)
    if match is None:
        if tail != text:
            raise InputError(
                f"`{text}` does not end in the 16 characters of an ORCID iD", accepted=accepted
            )
        if _URI.fullmatch(text):
            return text
        raise InputError(f"`{text}` is not a URI", accepted=accepted)
    digits, check = "".join(match.groups()[:4]), match[5].upper()
    if orcid_check_character(digits) != check:
        raise InputError(
            f"`{text}` has a mistyped digit: its check character does not fit the others",
            accepted=accepted,
            remedy="Copy the identifier again from its page.",
        )
    full = "https://orcid.org/" + "-".join((*match.groups()[:3], match[4] + check))
    if text != full:
        raise InputError(
            f"`{text}` is an ORCID iD without its full address",
            accepted=accepted,
            remedy=f"Write {full}.",
        )
    return text
