"""URIs as rightsstatements.org (data model 1.0) and Creative Commons publish them."""

from __future__ import annotations

import dataclasses

import pytest

from archiver.describe.rights import RightsKind, check_rights_uri, known_rights
from archiver.session.records import Rights, Session
from tests.describe.archives import a_session

STATEMENTS = [
    "InC",
    "InC-OW-EU",
    "InC-EDU",
    "InC-NC",
    "InC-RUU",
    "NoC-CR",
    "NoC-NC",
    "NoC-OKLR",
    "NoC-US",
    "CNE",
    "UND",
    "NKC",
]
LICENCES = ["by", "by-sa", "by-nd", "by-nc", "by-nc-sa", "by-nc-nd"]


@pytest.mark.parametrize("code", STATEMENTS)
def test_each_of_the_twelve_statements_is_known(code: str) -> None:
    uri = f"http://rightsstatements.org/vocab/{code}/1.0/"
    known = known_rights(uri)
    assert known is not None
    assert known.uri == uri
    assert (known.kind is RightsKind.COPYRIGHTED) is code.startswith("InC")


@pytest.mark.parametrize("code", LICENCES)
def test_each_licence_is_known_with_its_spdx_identifier(code: str) -> None:
    uri = f"https://creativecommons.org/licenses/{code}/4.0/"
    known = known_rights(uri)
    assert known is not None
    assert (known.uri, known.kind) == (uri, RightsKind.LICENCE)
    assert known.spdx == f"CC-{code.upper()}-4.0"


@pytest.mark.parametrize(
    ("uri", "canonical"),
    [
        (
            "https://rightsstatements.org/page/InC/1.0/?language=en",
            "http://rightsstatements.org/vocab/InC/1.0/",
        ),
        (
            "http://creativecommons.org/licenses/by/4.0/legalcode",
            "https://creativecommons.org/licenses/by/4.0/",
        ),
        (
            "https://creativecommons.org/licenses/by-sa/4.0/deed.en",
            "https://creativecommons.org/licenses/by-sa/4.0/",
        ),
        (
            "https://creativecommons.org/publicdomain/zero/1.0",
            "https://creativecommons.org/publicdomain/zero/1.0/",
        ),
    ],
)
def test_another_form_is_recognised_and_reported(uri: str, canonical: str) -> None:
    known = known_rights(uri)
    assert known is not None
    assert known.uri == canonical
    assert [one.code for one in check_rights_uri(with_uri(uri))] == ["describe-rights-uri-form"]


def with_uri(uri: str | None) -> Session:
    session = a_session()
    rights = Rights(statement="s", uri=uri, holder="h")
    return dataclasses.replace(session, rights=rights)


def test_an_older_licence_is_kept_as_found() -> None:
    uri = "http://creativecommons.org/licenses/by/3.0/de/"
    known = known_rights(uri)
    assert known is not None
    assert (known.uri, known.label, known.spdx) == (uri, "CC BY 3.0 DE", "")


@pytest.mark.parametrize(
    "uri",
    [
        None,
        "https://example.org/licence",
        "http://rightsstatements.org/vocab/InC-XX/1.0/",
        "https://creativecommons.org/licenses/by-sa-nc/4.0/",
        "https://creativecommons.org.example/licenses/by/4.0/",
    ],
)
def test_anything_else_is_not_known(uri: str | None) -> None:
    assert known_rights(uri) is None


def test_a_canonical_uri_and_no_uri_are_no_finding() -> None:
    assert check_rights_uri(a_session()) == ()
    assert check_rights_uri(with_uri(None)) == ()


def test_an_unknown_uri_is_a_note() -> None:
    findings = check_rights_uri(with_uri("https://example.org/x"))
    assert [(one.code, str(one.severity)) for one in findings] == [
        ("describe-rights-uri-unknown", "note")
    ]
