"""The date of a machine from its evidence; expected days are worked out by hand.

Rules of object dating (common practice): a
patent or plate is post quem, a replaced part says nothing of the whole, a part that is
original is no younger than the whole.
"""

from __future__ import annotations

import json

import pytest
from jsonschema import Draft202012Validator

from archiver.schema_store import schema
from archiver.session.dating import Dating, Effect, Reach, date_machine, dating_as_json
from archiver.session.machine_record import Evidence
from tests.session.machines import machine, piece


def dated(*evidence: Evidence) -> Dating:
    dating = date_machine(machine(*evidence))
    assert dating is not None
    Draft202012Validator(schema("dating")).validate({"datings": [dating_as_json(dating)]})
    return dating


def test_a_machine_without_evidence_has_no_reckoned_date() -> None:
    assert date_machine(machine()) is None


@pytest.mark.parametrize(
    ("evidence", "expected"),
    [
        ([piece("[1909..]"), piece("[..1912]")], "[1909..1912]"),
        ([piece("1909/1912"), piece("[1911..]")], "[1911..1912]"),
        ([piece("[1907,1909..1910]"), piece("[1905..1908,1910-03]")], "[1907,1910-03]"),
        ([piece("1909"), piece("1909-05")], "1909-05"),
        ([piece("[..1912]")], "[..1912]"),
        # An approximate date limits by its margin only: 1909 less 2 and more 2 years.
        ([piece("1909~", within_years=2)], "[1907..1911]"),
        ([piece("1909~")], None),
        # A question mark is never firm.
        ([piece("1909?"), piece("[..1912]")], "[..1912]"),
        # A part that is original: the machine is not older. One that is not says nothing.
        ([piece("1909", part="motor")], "[1909..]"),
        ([piece("1909", part="Motor")], "[1909..]"),
        ([piece("1909", part="horn")], None),
        ([piece("1909", part="lid")], None),
        ([piece("1909", "probable"), piece("1910", "weak")], None),
    ],
)
def test_the_date_that_firm_evidence_allows(evidence: list[Evidence], expected: str | None) -> None:
    date = dated(*evidence).date
    assert (None if date is None else date.text) == expected


def test_the_pieces_that_hold_each_end_are_named() -> None:
    dating = dated(piece("[1905..]"), piece("[1909..]"), piece("[..1912]"), piece("[1909..1930]"))
    assert dating.binding_first.sets == ((1,), (3,))
    assert dating.binding_last.sets == ((2,),)
    assert str(dating.date.earliest) == "1909-01-01" if dating.date else False
    assert str(dating.date.latest) == "1912-12-31" if dating.date else False


def test_what_each_weaker_piece_would_change_is_told() -> None:
    dating = dated(
        piece("[1909..]"),
        piece("[..1912]"),
        piece("[1911..]", "probable"),
        piece("[1900..]", "weak"),
        piece("1920", "weak"),
    )
    assert [each.effect for each in dating.weaker] == [
        Effect.NARROWS,
        Effect.NOTHING,
        Effect.CONTRADICTS,
    ]
    assert dating.weaker[2].against == ((1,),)
    narrowed = dating.weaker[0].allowed.as_edtf()
    assert narrowed is not None
    assert narrowed.text == "[1911..1912]"


def test_a_conflict_names_the_smallest_sets_and_the_ways_out() -> None:
    dating = dated(piece("[1909..]"), piece("[..1905]"), piece("[..1908]"), piece("[1900..]"))
    assert not dating.allowed
    assert dating.date is None
    assert dating.conflicts.sets == ((0, 1), (0, 2))
    assert dating.ways_out.sets == ((0,), (1, 2))
    assert "contradicts itself" in dating.statement
    assert "The rest agrees without evidence 1 or evidence 2 and evidence 3." in dating.statement


def test_three_pieces_with_gaps_may_conflict_though_any_two_agree() -> None:
    dating = dated(piece("[1907,1909]"), piece("[1909,1911]"), piece("[1907,1911]"))
    assert dating.conflicts.sets == ((0, 1, 2),)
    assert dating.ways_out.sets == ((0,), (1,), (2,))


def test_the_statement_is_one_paragraph_a_stranger_can_check() -> None:
    statement = dated(
        piece("[1909..]", what="the plate has the address Kanalgade 11", source="directory 1909"),
        piece("[..1912]", what="entered in the inventory", source="inventory, leaf 41"),
        piece("1911", "probable", what="the motor is dated 1911", source="motor", part="motor"),
        piece("1908~", "weak", what="the lettering", source="comparison"),
    ).statement
    assert statement == (
        "Made from 1909 to 1912, as all firm evidence allows. "
        "It is not earlier than 1909: the plate has the address Kanalgade 11 (evidence 1; "
        "directory 1909). "
        "It is not later than 1912: entered in the inventory (evidence 2; inventory, leaf 41). "
        "Evidence 3 (probable: the motor is dated 1911; motor) would narrow it: "
        "from 1911 to 1912. "
        "The lettering (evidence 4; comparison) limits nothing: an approximate date without "
        "within_years limits nothing."
    )
    assert "\n" not in statement


@pytest.mark.parametrize(
    ("says", "words"),
    [
        ("1907", "Made in 1907,"),
        ("1907-04", "Made in April 1907,"),
        ("1907-04-21", "Made on 21 April 1907,"),
        ("1907-01-01", "Made on 1 January 1907,"),
        ("[1907-04..]", "Made not before April 1907,"),
        ("[..1910]", "Made not after 1910,"),
        ("[1907,1909]", "Made in 1907, or in 1909,"),
        # Year 0 is 1 BC (ISO 8601-1:2019); the machine is impossible, the words are not.
        ("0000", "Made in 1 BC,"),
        ("-0099", "Made in 100 BC,"),
        ("0999", "Made in 999,"),
    ],
)
def test_a_date_is_said_in_words(says: str, words: str) -> None:
    assert words in dated(piece(says)).statement


def test_the_reach_of_a_piece_is_told() -> None:
    dating = dated(piece("1909"), piece("1909", part="motor"), piece("1909", part="horn"))
    assert [each.reach for each in dating.weighed] == [
        Reach.WHOLE,
        Reach.NOT_BEFORE,
        Reach.NOTHING,
    ]
    assert "not known to be original" in dating.weighed[2].why


def test_as_json_counts_pieces_from_1_and_is_json() -> None:
    document = dating_as_json(dated(piece("[1909..]"), piece("[..1912]"), piece("1920", "weak")))
    assert json.loads(json.dumps(document)) == document
    assert document["date"] == "[1909..1912]"
    assert document["earliest"] == "1909-01-01"
    assert document["latest"] == "1912-12-31"
    assert document["earliest_held_by"] == {"sets": [[1]], "complete": True}
    assert document["weaker"] == [
        {
            "number": 3,
            "effect": "contradicts the firm evidence",
            "leaves": None,
            "against": [[2]],
        }
    ]
