"""What a standard can hold comes back from its document equal, read by lxml or json alone."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from lxml import etree

from archiver.describe import datacite, dublincore, ebucore, lido, mets, places, premis, rocrate
from archiver.describe.documents import documents_of, facts_of_document
from archiver.describe.facts import Archive
from archiver.describe.people import public_name
from archiver.describe.xmltext import encodable, legal
from archiver.session.vocabulary import PartState
from tests.describe.archives import an_archive
from tests.describe.strategies import archives

EXAMPLES = 15
HUGE = etree.XMLParser(huge_tree=True, resolve_entities=False)


def read(content: bytes) -> etree._Element:
    return etree.fromstring(content, HUGE)


def texts(root: etree._Element, path: str) -> list[str]:
    return [one.text or "" for one in root.findall(path)]


def legals(values: Any) -> list[str]:
    return [legal(value) for value in values]


@settings(max_examples=EXAMPLES)
@given(archive=archives())
def test_dublin_core_holds_the_session(archive: Archive) -> None:
    session = archive.session
    root = read(dublincore.document(archive))
    assert texts(root, "{*}title") == [legal(session.title)]
    assert texts(root, "{*}subject") == legals(session.subjects)
    assert texts(root, "{*}description") == legals(
        text for text in (session.summary, session.purpose) if text
    )
    assert texts(root, "{*}coverage") == [legal(session.place)]
    assert texts(root, "{*}language") == [session.language]
    rights = texts(root, "{*}rights")
    assert rights[0] == legal(session.rights.statement)
    assert rights[len(rights) - len(session.restrictions) :] == legals(session.restrictions)


@settings(max_examples=EXAMPLES)
@given(archive=archives())
def test_ebucore_holds_takes_people_and_what_was_measured(archive: Archive) -> None:
    session = archive.session
    root = read(ebucore.document(archive))
    parts = root.findall("{*}coreMetadata/{*}part")
    assert [part.get("partName") for part in parts] == [take.id for take in session.takes]
    for part, take, master in zip(parts, session.takes, archive.masters, strict=True):
        if take.title:
            assert part.findtext("{*}title/{*}title") == legal(take.title)
        remarks = part.find("{*}description[@typeLabel='remarks']/{*}description")
        assert (remarks.text if remarks is not None else None) == (
            legal(take.remarks) if take.remarks else None
        )
        genre = part.find("{*}type/{*}genre")
        assert genre is not None
        assert genre.get("typeLabel") == str(take.kind)
        audio = part.find("{*}format/{*}audioFormat")
        assert audio is not None
        assert audio.findtext("{*}samplingRate") == str(master.samples.sample_rate_hz)
        assert audio.findtext("{*}sampleSize") == str(master.samples.valid_bits)
        assert audio.findtext("{*}channels") == str(master.samples.channels)
        tracks = [track.get("trackName") for track in audio.findall("{*}audioTrack")]
        meanings: list[str | None] = list(legals(session.channels_of(take)))
        padding: list[str | None] = [None] * master.samples.channels
        assert tracks == (meanings + padding)[: master.samples.channels]
        names = texts(part, "{*}contributor/{*}contactDetails/{*}name")
        people = [one for id_ in take.operators if (one := session.operator(id_)) is not None]
        own = list(legals(public_name(person) for person in people))
        assert names[: len(own)] == own
        # Nobody else, but for the performers of what is played back.
        assert len(names) == len(own) or take.reproduces


@settings(max_examples=EXAMPLES)
@given(archive=archives())
def test_premis_holds_files_masters_and_events(archive: Archive) -> None:
    root = read(premis.document(archive))
    kind = "{http://www.w3.org/2001/XMLSchema-instance}type"
    files = [one for one in root.findall("{*}object") if one.get(kind) == "premis:file"]
    assert [
        (
            one.findtext(".//{*}contentLocationValue"),
            int(one.findtext(".//{*}size") or 0),
            texts(one, ".//{*}messageDigest"),
            one.findtext("{*}originalName"),
        )
        for one in files
    ] == [
        (file.path, file.size_bytes, list(file.digests.values()), file.original_name)
        for file in archive.files
    ]
    samples = [one for one in root.findall("{*}object") if one.get(kind) == "premis:bitstream"]
    assert [one.findtext(".//{*}messageDigest") for one in samples] == [
        master.samples_md5 for master in archive.masters
    ]
    events = root.findall("{*}event")[len(archive.session.takes) :]
    assert [
        (
            one.findtext("{*}eventDateTime"),
            one.findtext(".//{*}eventDetail"),
            one.findtext(".//{*}eventOutcome"),
            one.findtext(".//{*}eventOutcomeDetailNote") or "",
        )
        for one in events
    ] == [
        (event.when, event.detail, str(event.outcome), event.outcome_note)
        for event in archive.run.events
    ]


@settings(max_examples=EXAMPLES)
@given(archive=archives())
def test_lido_holds_the_machine(archive: Archive) -> None:
    for machine in archive.session.machines:
        root = read(lido.document(archive, machine))
        assert texts(root, ".//{*}titleSet/{*}appellationValue") == legals(machine.names)
        assert root.findtext(".//{*}objectWorkType/{*}term") == legal(machine.type)
        assert texts(root, ".//{*}inscriptionTranscription") == legals(
            mark.text for mark in machine.marks
        )
        held = root.findall(".//{*}objectMaterialsTechSet")
        whole = held[:1] if machine.materials else []
        assert [
            term for one in whole for term in texts(one, ".//{*}termMaterialsTech/{*}term")
        ] == legals(machine.materials)
        assert [
            (one.findtext(".//{*}extentMaterialsTech"), one.findtext(".//{*}term"))
            for one in held[len(whole) :]
        ] == [
            (legal(part.name), legal(part.material))
            for part in machine.parts
            if part.material and part.state is not PartState.MISSING
        ]
        parts = root.findall(".//{*}objectDescriptionSet[@{http://www.lido-schema.org}type='part']")
        assert [
            (part.findtext("{*}descriptiveNoteID"), texts(part, "{*}descriptiveNoteValue"))
            for part in parts
        ] == [
            (
                legal(part.name),
                [str(part.state), *([legal(part.note)] if part.note else [])],
            )
            for part in machine.parts
        ]
        values = dict(
            zip(
                texts(root, ".//{*}measurementType"),
                map(float, texts(root, ".//{*}measurementValue")),
                strict=True,
            )
        )
        if machine.nominal_speed:
            assert values["nominal speed"] == machine.nominal_speed.value
        if machine.mandrel:
            assert values["mandrel diameter"] == machine.mandrel.diameter.value
        owner = root.findtext(".//{*}repositoryName/{*}legalBodyName/{*}appellationValue")
        assert owner == (legal(machine.owner.name) if machine.owner else None)
        if machine.made and machine.made.date:
            production = root.find(".//{*}event")
            assert production is not None
            assert machine.made.date.text in texts(production, "{*}eventDate/{*}displayDate")


def test_lido_tells_of_a_replaced_part_as_a_modification() -> None:
    archive = an_archive()
    root = read(lido.document(archive, archive.session.machines[0]))
    (event,) = (
        event
        for event in root.iter("{*}event")
        if event.findtext("{*}eventName/{*}appellationValue") == "mainspring: replaced"
    )
    # LIDO Terminology, event type: Modification.
    assert (event.findtext("{*}eventType/{*}conceptID") or "").endswith("/lido00006")
    assert event.findtext("{*}eventActor/{*}displayActorInRole", "").startswith("Værkstedet")
    assert event.findtext("{*}eventDate/{*}date/{*}earliestDate") == "1991-01-01"
    material = event.find("{*}eventMaterialsTech/{*}materialsTech")
    assert material is not None
    assert material.findtext("{*}termMaterialsTech/{*}term") == "spring steel"
    assert material.findtext("{*}extentMaterialsTech") == "mainspring"
    notes = {
        note.get("{http://www.lido-schema.org}type"): note.findtext("{*}descriptiveNoteValue")
        for note in event.iter("{*}eventDescriptionSet")
    }
    assert notes == {"can be undone": "yes", "note": "of the same strength"}


def test_lido_tells_of_no_event_for_a_part_that_is_as_it_was() -> None:
    archive = an_archive()
    root = read(lido.document(archive, archive.session.machines[0]))
    names = texts(root, ".//{*}event/{*}eventName/{*}appellationValue")
    assert not [name for name in names if name.startswith("mandrel")]


def test_lido_keeps_the_evidence_beside_the_date() -> None:
    archive = an_archive()
    root = read(lido.document(archive, archive.session.machines[0]))
    production = root.find(".//{*}event")
    assert production is not None
    assert production.findtext("{*}eventDate/{*}date/{*}earliestDate") == "1903-01-01"
    assert production.findtext("{*}eventDate/{*}date/{*}latestDate") == "1907-12-31"
    assert texts(production, "{*}eventDescriptionSet/{*}descriptiveNoteValue") == [
        "Not before 1903: patent on the plate. Not after 1907: invoice."
    ]


@settings(max_examples=EXAMPLES)
@given(archive=archives())
def test_the_json_documents_hold_the_session(archive: Archive) -> None:
    session = archive.session
    doi = json.loads(datacite.document(archive))
    assert doi["titles"] == [{"title": encodable(session.title), "lang": session.language}]
    assert [one["subject"] for one in doi["subjects"][:-1]] == list(
        dict.fromkeys(map(encodable, session.subjects))
    )
    crate = json.loads(rocrate.document(archive))
    entities = {one["@id"]: one for one in crate["@graph"]}
    assert entities["./"]["name"] == encodable(session.title)
    assert entities["./"].get("keywords", []) == [encodable(one) for one in session.subjects]
    actions = [entities[f"#take-{n}"] for n in range(1, len(session.takes) + 1)]
    assert [one["alternateName"] for one in actions] == [take.id for take in session.takes]


def test_mets_leads_from_the_session_to_machine_take_and_file() -> None:
    archive = an_archive()
    facts = [facts_of_document(one) for one in documents_of(archive) if one.path != places.METS]
    root = read(mets.document(archive, facts))
    hrefs = {
        file.get("ID"): location.get("{http://www.w3.org/1999/xlink}href")
        for file in root.iter("{*}file")
        for location in file
    }
    machine = root.find("{*}structMap/{*}div/{*}div[@TYPE='machine']")
    assert machine is not None
    assert {
        take.get("ORDERLABEL"): [hrefs[pointer.get("FILEID")] for pointer in take]
        for take in machine.findall("{*}div[@TYPE='take']")
    } == {
        take: [
            f"../data/masters/hm-2026-05-03_{take}.wav",
            f"../data/access/hm-2026-05-03_{take}.flac",
        ]
        for take in ("t02", "t03")
    }


@pytest.mark.parametrize("path", [places.PREMIS, places.EBUCORE, places.DUBLIN_CORE])
def test_the_title_keeps_its_letters(path: str) -> None:
    content = next(one.content for one in documents_of(an_archive()) if one.path == path)
    assert "Prøve af talevalsen, ført på voks".encode() in content
