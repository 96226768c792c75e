from __future__ import annotations

from archiver.describe.listening import cover_of, tags_for
from tests.describe.archives import a_session


def as_pairs(number: int) -> list[tuple[str, str]]:
    session = a_session()
    take = session.takes[number - 1]
    tags = tags_for(session, take, number=number, program="archiver 0.1.0")
    return [(tag.name, tag.text) for tag in tags]


def test_a_take_carries_its_identifier_title_and_rights() -> None:
    tags = dict(as_pairs(2))
    assert tags["TITLE"] == "Vise om <voks> & messing"
    assert tags["ALBUM"] == "Prøve af talevalsen, ført på voks"
    assert tags["TRACKNUMBER"] == "2"
    assert tags["DATE"] == "2026-05-03"
    assert tags["LICENSE"] == "https://creativecommons.org/licenses/by/4.0/"
    assert tags["MACHINE"] == "Hornblad Talevalse A"
    assert tags["TAKE"] == "hm-2026-05-03_t02"


def test_who_gave_no_consent_is_not_named() -> None:
    pairs = as_pairs(2)
    assert ("ARTIST", "performer, name withheld") in pairs
    assert ("PERFORMER", "Åsta Ørnvig (recording engineer)") in pairs
    assert "Skjultgaard" not in str(pairs)


def test_the_cover_is_the_machine_of_the_take_or_the_first_picture() -> None:
    session = a_session()
    with_machine, without = cover_of(session, session.takes[1]), cover_of(session, session.takes[0])
    assert with_machine is not None
    assert with_machine.file == "photographs/horn.png"
    assert without is not None
    assert without.file == "photographs/room.png"
