"""Rights that contradict each other; what the licences mean is what their publishers say."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from archiver.describe.facts import FileRole
from archiver.describe.layers import RightsMap, opening_day
from archiver.describe.rights_checks import check_rights
from archiver.session.edtf import parse_edtf
from archiver.session.records import (
    Basis,
    Consent,
    Layer,
    Purpose,
    Rights,
    RightsLayer,
    Session,
)
from tests.describe.archives import a_session

BY = "https://creativecommons.org/licenses/by/4.0/"
ZERO = "https://creativecommons.org/publicdomain/zero/1.0/"
MARK = "https://creativecommons.org/publicdomain/mark/1.0/"
IN_COPYRIGHT = "http://rightsstatements.org/vocab/InC/1.0/"
NOT_EVALUATED = "http://rightsstatements.org/vocab/CNE/1.0/"


def layer(number: int = 0, **facts: Any) -> RightsLayer:
    given = {"layer": Layer.RECORDING, "statement": "s", "holder": "h", "basis": Basis.CONTRACT}
    return RightsLayer(**{**given, "at": f"session.rights.layers[{number}]", **facts})


def with_rights(*layers: RightsLayer, **facts: Any) -> Session:
    rights = Rights(**{"statement": "s", "holder": "h", "layers": layers, **facts})
    return dataclasses.replace(a_session(), rights=rights)


def found(session: Session) -> list[tuple[str, str]]:
    return [(one.code, one.where.field) for one in check_rights(session)]


def test_the_session_with_every_layer_has_only_the_contradiction_that_it_states() -> None:
    """The performance is closed, and the session as a whole is under CC BY."""
    assert [one.code for one in check_rights(a_session())] == ["rights-licence-over-closed-layer"]


@pytest.mark.parametrize(
    ("basis", "uri", "wrong"),
    [
        (Basis.LICENCE, BY, False),
        (Basis.LICENCE, IN_COPYRIGHT, True),
        (Basis.COPYRIGHT, IN_COPYRIGHT, False),
        (Basis.COPYRIGHT, BY, True),
        (Basis.PUBLIC_DOMAIN, MARK, False),
        (Basis.PUBLIC_DOMAIN, ZERO, False),
        (Basis.PUBLIC_DOMAIN, IN_COPYRIGHT, True),
        (Basis.UNKNOWN, NOT_EVALUATED, False),
        (Basis.UNKNOWN, MARK, True),
        (Basis.CONSENT, BY, False),
        (Basis.STATUTE, IN_COPYRIGHT, False),
        (Basis.LICENCE, "https://example.org/own-terms", False),
    ],
)
def test_basis_and_address_say_the_same(basis: Basis, uri: str, wrong: bool) -> None:
    expected = [("rights-basis-contradicts-uri", "session.rights.layers[0].basis")]
    assert found(with_rights(layer(basis=basis, uri=uri))) == (expected if wrong else [])


def test_a_licence_of_which_nothing_is_known_is_asked_about() -> None:
    assert found(with_rights(layer(basis=Basis.LICENCE))) == [
        ("rights-licence-without-evidence", "session.rights.layers[0]")
    ]
    assert found(with_rights(layer(basis=Basis.LICENCE, evidence="folder 3"))) == []


@pytest.mark.parametrize(
    ("one", "two", "wrong"),
    [
        ({}, {}, True),
        ({"takes": ("t01",)}, {"takes": ("t02",)}, False),
        ({"takes": ("t01", "t02")}, {"takes": ("t02",)}, True),
        ({"takes": ("t01",)}, {}, True),
        ({"work": "a"}, {"work": "b"}, False),
        ({"work": "a"}, {"work": "a"}, True),
        ({}, {"layer": Layer.PERFORMANCE}, False),
    ],
)
def test_two_statements_on_the_same_thing(
    one: dict[str, Any], two: dict[str, Any], wrong: bool
) -> None:
    expected = [("rights-layer-twice", "session.rights.layers[1]")]
    session = with_rights(layer(0, **one), layer(1, **two))
    assert found(session) == (expected if wrong else [])


def test_takes_that_are_not_there_and_layers_that_are_in_no_take() -> None:
    assert found(with_rights(layer(takes=("t01", "t99")))) == [
        ("rights-layer-takes", "session.rights.layers[0].takes[1]")
    ]
    assert found(with_rights(layer(layer=Layer.TEXT, takes=("t01",)))) == [
        ("rights-layer-takes", "session.rights.layers[0].takes")
    ]


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("2040", None),
        ("2040-12", None),
        ("2040-12-31", None),
        ("2040~", "rights-closed-until-form"),
        ("2030/2040", "rights-closed-until-form"),
        ("[2030..2040]", "rights-closed-until-form"),
        ("2020-01-01", "rights-closed-until-past"),
        ("2026-05-02", "rights-closed-until-past"),
        ("2026-05-03", None),
    ],
)
def test_a_closure_ends_on_one_day_after_the_session(text: str, code: str | None) -> None:
    closed = parse_edtf(text)
    expected = [] if code is None else [(code, "session.rights.closed_until")]
    assert found(with_rights(closed_until=closed)) == expected
    at = "session.rights.layers[0].closed_until"
    assert found(with_rights(layer(closed_until=closed))) == [(code, at) for _, _ in expected]


def test_what_is_given_to_everybody_is_not_closed() -> None:
    session = with_rights(uri=BY, closed_until=parse_edtf("2040"))
    assert found(session) == [("rights-closed-and-licensed", "session.rights.closed_until")]


@pytest.mark.parametrize(
    "facts",
    [
        {"uri": IN_COPYRIGHT, "basis": Basis.COPYRIGHT},
        {"closed_until": parse_edtf("2040")},
        {"basis": Basis.UNKNOWN},
    ],
)
def test_a_licence_of_the_whole_over_a_layer_that_is_not_free(facts: dict[str, Any]) -> None:
    one = layer(**{"layer": Layer.PERFORMANCE, **facts})
    assert found(with_rights(one, uri=BY)) == [
        ("rights-licence-over-closed-layer", "session.rights.layers[0]")
    ]
    assert found(with_rights(one)) == []
    photographs = dataclasses.replace(one, layer=Layer.PHOTOGRAPHS)
    assert found(with_rights(photographs, uri=BY)) == []


def consenting(*purposes: Purpose, until: str | None = None, **rights: Any) -> Session:
    session = with_rights(**rights)
    consent = Consent(given=True, purposes=purposes, until=parse_edtf(until) if until else None)
    person = dataclasses.replace(session.operators[0], consent=consent, at="operators[0]")
    return dataclasses.replace(session, operators=(person, *session.operators[1:]))


@pytest.mark.parametrize(
    ("purposes", "codes"),
    [
        ((), []),
        ((Purpose.RECORDING, Purpose.ARCHIVING, Purpose.PUBLICATION), []),
        ((Purpose.RECORDING, Purpose.ARCHIVING), ["consent-without-publication"]),
        ((Purpose.ARCHIVING, Purpose.PUBLICATION), ["consent-does-not-cover"]),
        ((Purpose.PUBLICATION, Purpose.NAME), ["consent-does-not-cover"] * 2),
    ],
)
def test_nothing_is_done_that_a_person_has_not_agreed_to(
    purposes: tuple[Purpose, ...], codes: list[str]
) -> None:
    findings = check_rights(consenting(*purposes, uri=BY))
    assert [one.code for one in findings] == codes
    assert {one.where.field for one in findings} <= {"operators[0].consent.purposes"}


def test_recordings_that_are_closed_need_no_consent_to_publication() -> None:
    session = consenting(Purpose.RECORDING, Purpose.ARCHIVING, closed_until=parse_edtf("2040"))
    assert found(session) == []


def test_a_consent_that_had_ended_before_the_session() -> None:
    assert found(consenting(until="2025")) == [("consent-ended", "operators[0].consent.until")]
    assert found(consenting(until="2026-05-03")) == []


@pytest.mark.parametrize(
    ("text", "day"),
    [("2040", "2041-01-01"), ("2040-02", "2040-03-01"), ("2039-12-31", "2040-01-01")],
)
def test_the_day_after_the_last_closed_one_is_open(text: str, day: str) -> None:
    opened = opening_day(parse_edtf(text))
    assert opened is not None
    assert opened.isoformat() == day


def test_each_file_has_the_statements_of_its_layers_and_the_whole_where_one_is_missing() -> None:
    rights = RightsMap(a_session())
    of = {one.identifier: one.layer for one in rights.statements}
    assert list(of.values()) == [
        None, Layer.COMPOSITION, Layer.PERFORMANCE, Layer.PHOTOGRAPHS, Layer.TEXT,
    ]  # fmt: skip
    assert [one.identifier for one in rights.of_take("t01")] == ["rights-1", "rights-2"]
    assert [one.identifier for one in rights.of_take("t02")] == ["rights-1", "rights-2", "rights-3"]
    assert [one.identifier for one in rights.of(FileRole.PHOTOGRAPH)] == ["rights-4"]
    assert [one.identifier for one in rights.of(FileRole.DOCUMENT)] == ["rights-5"]


def test_layers_that_speak_of_all_leave_nothing_to_the_whole() -> None:
    layers = [
        layer(number, layer=one)
        for number, one in enumerate((Layer.COMPOSITION, Layer.PERFORMANCE, Layer.RECORDING))
    ]
    rights = RightsMap(with_rights(*layers))
    assert [one.layer for one in rights.of_take("t01")] == [one.layer for one in layers]
    assert [one.layer for one in rights.of(FileRole.PHOTOGRAPH)] == [None]
