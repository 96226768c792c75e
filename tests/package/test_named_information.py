"""Names by digest.

Source: RFC 6920, the examples of sections 8.1 and 8.2. The texts of the examples are from
memory; each is recomputed here from its input, so that only what is hashed rests on memory.
"""

from __future__ import annotations

import base64
import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.package.named_information import (
    ALGORITHMS,
    NamedInformation,
    is_ni,
    ni_of,
    parse_ni,
)

HELLO = b"Hello World!"
HELLO_HEX = "7f83b1657ff1fc53b92dc18148a1d65dfc2d4b1fa3d677284addd200126d9069"
HELLO_NI = "ni:///sha-256;f4OxZX_x_FO5LcGBSKHWXfwtSx-j1ncoSt3SABJtkGk"
KEY_HEX = "53269057e12fe2b74ba07c892560a2d753877eb62ff44d5a19002530ed97ffe4"
KEY_NI = "ni:///sha-256;UyaQV-Ev4rdLoHyJJWCi11OHfrYv9E1aGQAlMO2X_-Q"
AUTHORITY_NI = "ni://example.com/sha-256;f4OxZX_x_FO5LcGBSKHWXfwtSx-j1ncoSt3SABJtkGk"


def test_hello_world_is_the_example_of_section_8_1() -> None:
    assert hashlib.sha256(HELLO).hexdigest() == HELLO_HEX
    assert ni_of("sha256", HELLO_HEX) == HELLO_NI
    assert ni_of("sha256", HELLO_HEX, "example.com") == AUTHORITY_NI
    assert parse_ni(HELLO_NI) == NamedInformation(algorithm="sha256", digest=HELLO_HEX)
    assert parse_ni(AUTHORITY_NI) == NamedInformation(
        algorithm="sha256", digest=HELLO_HEX, authority="example.com"
    )


def test_the_digest_of_a_key_is_the_example_of_section_8_2() -> None:
    assert ni_of("sha256", KEY_HEX) == KEY_NI
    assert parse_ni(KEY_NI) == NamedInformation(algorithm="sha256", digest=KEY_HEX)


def test_a_content_type_is_passed_over() -> None:
    """Section 3: a query string may follow, such as ``?ct=text/plain``."""
    assert parse_ni(f"{HELLO_NI}?ct=text/plain") == parse_ni(HELLO_NI)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "ni:///sha-256;",
        # Section 8.2 shows truncated names; they prove too little to copy a file by.
        "ni:///sha-256-32;UyaQVw",
        "ni:///sha-256-120;UyaQV-Ev4rdLoHyJJWCi",
        HELLO_NI[:-1],
        f"{HELLO_NI}A",
        f"{HELLO_NI}=",
        HELLO_NI.replace("_", "/"),
        # bits behind the last byte that are not zero
        HELLO_NI[:-1] + "l",
        HELLO_NI.replace("sha-256", "md5"),
        HELLO_NI.replace("ni:", "nih:"),
        HELLO_NI.replace("///", "//"),
        f" {HELLO_NI}",
        f"{HELLO_NI}\n",
        f"https://example.com/.well-known/ni/{HELLO_NI[6:]}",
    ],
)
def test_what_does_not_name_a_whole_digest_is_none(text: str) -> None:
    assert parse_ni(text) is None


@pytest.mark.parametrize(
    ("algorithm", "digest", "authority"),
    [
        ("md5", "0" * 32, ""),
        ("sha256", "0" * 62, ""),
        ("sha256", "zz" * 32, ""),
        ("sha256", HELLO_HEX, "a/b"),
        ("sha256", HELLO_HEX, "a b"),
    ],
)
def test_no_name_is_made_of_what_cannot_be_one(algorithm: str, digest: str, authority: str) -> None:
    with pytest.raises(ValueError, match=r"."):
        ni_of(algorithm, digest, authority)


@given(
    st.sampled_from(sorted(ALGORITHMS)),
    st.binary(max_size=40),
    st.sampled_from(["", "example.com", "example.com:8080", "[::1]"]),
)
def test_a_name_comes_back_and_is_base64url_without_padding(
    algorithm: str, content: bytes, authority: str
) -> None:
    """RFC 4648 section 5, by the standard library."""
    digest = hashlib.new(algorithm, content)
    uri = ni_of(algorithm, digest.hexdigest(), authority)
    value = uri.rpartition(";")[2]
    assert base64.urlsafe_b64decode(value + "==") == digest.digest()
    assert is_ni(uri)
    assert parse_ni(uri) == NamedInformation(
        algorithm=algorithm, digest=digest.hexdigest(), authority=authority
    )


@given(st.text("ni:/sha-2565f4OxZX_;?=A ", max_size=70))
def test_any_text_is_a_name_or_none(text: str) -> None:
    named = parse_ni(text)
    assert named is None or parse_ni(ni_of(named.algorithm, named.digest, named.authority)) == named
