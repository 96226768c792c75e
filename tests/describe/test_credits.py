"""Who is credited in a take, and what it is called: the same in every description.

``IART`` is the artist of the original subject (Microsoft and IBM, RIFF 1991, chapter 2).
"""

from __future__ import annotations

import dataclasses
import re

import pytest

from archiver.describe.ebucore import axml_for_capture
from archiver.describe.embedded import embedded_for
from archiver.describe.listening import tags_for
from archiver.describe.people import credited_in
from archiver.describe.statements import check_statements
from archiver.session.capture_files import capture_files
from archiver.session.records import Consent, Operator, Role, Session, Take, TakeKind
from archiver.signal.sampleformat import SampleFormat
from archiver.wave.coding import Fidelity, SoundCoding
from tests.describe.archives import a_session

SAMPLES = SampleFormat(
    encoding="pcm", container_bits=24, valid_bits=24, channels=1, sample_rate_hz=48_000
)
CODING = SoundCoding(container="WAVE", codec="PCM", fidelity=Fidelity.LINEAR)


def person(id_: str, name: str, role: Role) -> Operator:
    return Operator(id=id_, name=name, role=role, consent=Consent(given=True))


def session_of(*takes: Take) -> Session:
    return dataclasses.replace(
        a_session(),
        operators=(
            person("eng", "Inge Sorte", Role.RECORDING_ENGINEER),
            person("perf", "Pia Gul", Role.PERFORMER),
            person("ann", "Ane Blaa", Role.ANNOUNCER),
        ),
        takes=takes,
    )


def a_take(id_: str, kind: TakeKind, *operators: str, reproduces: str | None = None) -> Take:
    return dataclasses.replace(
        a_session().takes[0],
        id=id_,
        file=f"takes/{id_}.wav",
        kind=kind,
        operators=operators,
        reproduces=reproduces,
        title=None,
    )


def everywhere(session: Session, number: int) -> tuple[list[str], list[str], str, str]:
    """Return credits of the master and of an access copy, the engineer, and the EBUCore text."""
    held = capture_files(session)[number]
    embedded = embedded_for(
        session, held, samples=SAMPLES, coding=CODING, frames=48_000, program="archiver"
    )
    info = embedded.info
    tags = tags_for(session, held.lead, number=number + 1, program="archiver")
    axml = axml_for_capture(
        session, held, samples=SAMPLES, frames=48_000, file_name="a.wav", modified="2026-05-04"
    )
    return (
        [name for name in (info.get("IART") or "").split("; ") if name],
        [tag.text for tag in tags if tag.name == "ARTIST"],
        info.get("IENG") or "",
        axml.decode(),
    )


PLAYED = a_take("t9", TakeKind.PERFORMANCE, "eng", "perf")


@pytest.mark.parametrize(
    ("take", "names"),
    [
        (a_take("t1", TakeKind.ROOM_TONE), []),
        (a_take("t1", TakeKind.ROOM_TONE, "eng", "perf"), []),
        (a_take("t1", TakeKind.TEST_TONE), []),
        (a_take("t1", TakeKind.PERFORMANCE), []),
        (a_take("t1", TakeKind.ANNOUNCEMENT), []),
        (a_take("t1", TakeKind.ANNOUNCEMENT, "ann"), ["Ane Blaa"]),
        (a_take("t1", TakeKind.PERFORMANCE, "perf", "ann", "eng"), ["Pia Gul", "Ane Blaa"]),
        (a_take("t1", TakeKind.REPRODUCTION, "eng"), []),
        (a_take("t1", TakeKind.REPRODUCTION, "eng", reproduces="t9"), ["Pia Gul"]),
        (a_take("t1", TakeKind.REPRODUCTION, "ann", reproduces="t9"), ["Ane Blaa"]),
        (a_take("t1", TakeKind.REPRODUCTION, reproduces="t1"), []),
        (a_take("t1", TakeKind.REPRODUCTION, reproduces="gone"), []),
    ],
)
def test_only_who_is_named_in_a_take_is_credited_in_it(take: Take, names: list[str]) -> None:
    session = session_of(take, PLAYED)
    assert [one.name for one in credited_in(session, take)] == names
    master, tags, engineer, axml = everywhere(session, 0)
    assert master == names
    assert tags == names
    assert engineer == ("Inge Sorte" if "eng" in take.operators else "")
    named = {"Pia Gul": "perf", "Ane Blaa": "ann", "Inge Sorte": "eng"}
    for name, id_ in named.items():
        assert (f">{name}<" in axml) == (name in names or id_ in take.operators), name


def test_a_take_that_names_nobody_is_noted_once() -> None:
    takes = [a_take(f"t{n}", TakeKind.PERFORMANCE) for n in (1, 2)]
    takes.append(a_take("t3", TakeKind.ROOM_TONE))
    found = [
        one.message
        for one in check_statements(session_of(*takes, PLAYED))
        if one.code == "describe-nobody-credited"
    ]
    assert found == [
        "no performer or announcer is credited in t1, t2: the sheet names nobody there"
    ]


def test_a_take_without_a_title_is_called_the_same_everywhere() -> None:
    takes = [a_take(f"t{n}", TakeKind.PERFORMANCE, "perf") for n in (1, 2)]
    session = session_of(*takes, a_take("t3", TakeKind.ROOM_TONE))
    for number, title in enumerate(("Performance 1", "Performance 2", "Room tone")):
        held = capture_files(session)[number]
        embedded = embedded_for(
            session, held, samples=SAMPLES, coding=CODING, frames=1, program="archiver"
        )
        tags = {one.name: one.text for one in tags_for(session, held.lead, number=1, program="a")}
        full = embedded.info.get("INAM") or ""
        assert full.startswith(title)
        assert tags["TITLE"] == full
        titles = re.findall(r"<dc:title[^>]*>([^<]*)<", everywhere(session, number)[3])
        assert titles[0] == full
