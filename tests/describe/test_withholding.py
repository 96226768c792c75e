"""What is withheld: found as whole words, in file names however joined, and taken out."""

from __future__ import annotations

import dataclasses

import pytest

from archiver.describe.documents import documents_of
from archiver.describe.ebucore import axml_for
from archiver.describe.listening import tags_for
from archiver.describe.withholding import Secret, Secrets, secrets_of, withhold
from archiver.findings import Finding, Severity, Where
from archiver.session.record_json import session_as_json, session_from_json
from archiver.session.records import Document, Session
from tests.describe.archives import PCM_24, a_session, archive_of

SECRETS = Secrets(
    Secret(text=text, where=Where(file="session.yaml", field="x"))
    for text in ("Ida Bæk", "Ida Bæk Holm", "+45 5550 0122", "a.b@c.example", "no")
)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("With Ida Bæk.", ["Ida Bæk"]),
        ("With Ida\n  Bæk", ["Ida Bæk"]),
        ("Ida Bæk Holm, Ida Bæk", ["Ida Bæk Holm", "Ida Bæk"]),
        ("Ida Bækgaard, Frida Bæk", []),
        ("(+45 5550 0122)", ["+45 5550 0122"]),
        ("+45 5550 01229", []),
        ("write to a.b@c.example!", ["a.b@c.example"]),
        ("aXb@cXexample", []),
        ("no", []),
    ],
)
def test_withheld_texts_are_found_as_whole_words(text: str, found: list[str]) -> None:
    assert [one.text for one in SECRETS.found_in(text)] == found


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("documents/ida-bæk.txt", True),
        ("documents/2026_Ida.Bæk_1.txt", True),
        ("documents/45_5550_0122.pdf", True),
        ("documents/idabæk.txt", False),
        ("documents/notes.txt", False),
    ],
)
def test_file_names_are_compared_by_their_words(name: str, found: bool) -> None:
    assert bool(SECRETS.found_in_name(name)) is found


def test_findings_are_shown_without_what_is_withheld() -> None:
    finding = Finding(
        code="x", severity=Severity.NOTE, where=Where(file="f"), message="Ida Bæk Holm sang",
        accepted="not Ida Bæk", remedy="ask +45 5550 0122",
    )  # fmt: skip
    shown = SECRETS.removed(finding)
    assert (shown.message, shown.accepted, shown.remedy) == (
        "[withheld] sang",
        "not [withheld]",
        "ask [withheld]",
    )


def test_no_secrets_find_nothing() -> None:
    assert not Secrets()
    assert Secrets().found_in("anything") == []
    assert Secrets().removed_from("anything") == "anything"


def in_all_documents(session: Session) -> str:
    archive = archive_of(session)
    parts = [document.content.decode() for document in documents_of(archive)]
    for number, take in enumerate(session.takes, start=1):
        axml = axml_for(
            session, take, samples=PCM_24, frames=1, file_name="x.wav", modified="2026-05-04"
        )
        parts.append(axml.decode())
        tags = tags_for(session, take, number=number, program="archiver")
        parts += [tag.text for tag in tags]
    return "\n".join(parts)


@pytest.mark.parametrize("public", [False, True])
def test_no_document_states_a_private_field(public: bool) -> None:
    """Every private field of the hand-made session holds this word."""
    session = withhold(a_session()).session if public else a_session()
    assert "rivate" in str(session_as_json(a_session()))
    assert "rivate" not in in_all_documents(session)


def test_the_public_record_is_read_back_and_names_nobody_without_consent() -> None:
    public = withhold(a_session()).session
    document = session_as_json(public)
    assert session_from_json(document) == public
    text = str(document)
    for word in ("Skjultgaard", "villads", "rivate"):
        assert word not in text
    assert public.takes[1].operators == ("asta", "person-2")
    assert public.photographs[1].by == "person-2"
    assert public.operators[1].name == "performer, name withheld"


def test_a_session_that_withholds_nothing_is_its_own_public_record() -> None:
    session = a_session()
    asta = dataclasses.replace(
        session.operators[0], legal_name=None, address=None, phone=None, email=None
    )
    machine = dataclasses.replace(
        session.machines[0], owner=None, location=None, insurance_value=None
    )
    takes = tuple(dataclasses.replace(take, operators=("asta",)) for take in session.takes)
    open_ = dataclasses.replace(
        session, address=None, operators=(asta,), machines=(machine,), takes=takes, photographs=()
    )
    kept = withhold(open_)
    assert kept.session == open_
    assert not kept.secrets
    assert kept.replacements == {}


def test_a_key_that_is_an_id_already_gives_way() -> None:
    session = a_session()
    other = dataclasses.replace(session.operators[0], id="person-2")
    public = withhold(dataclasses.replace(session, operators=(other, session.operators[1]))).session
    assert [one.id for one in public.operators] == ["person-2", "person-2-x"]


def test_restricted_documents_are_not_in_the_public_record() -> None:
    sealed = Document(file="documents/consent.pdf", caption="Signed", restricted=True)
    session = a_session()
    kept = withhold(dataclasses.replace(session, documents=(*session.documents, sealed)))
    assert kept.session.documents == session.documents
    assert kept.documents == ("documents/consent.pdf",)


def test_what_the_organisation_says_of_itself_is_no_secret() -> None:
    session = a_session()
    villads = dataclasses.replace(session.operators[1], name="Lydsamlingen")
    changed = dataclasses.replace(session, operators=(session.operators[0], villads))
    assert secrets_of(changed).found_in("Lydsamlingen") == []
    assert secrets_of(session).found_in("Villads Skjultgaard")
