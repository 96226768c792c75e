"""Deliberate breakages that the official schemas accept, one by one.

Each row breaks one thing in a document of the hand-made archive. The list follows what
was tried against the schemas of PREMIS 3.0, METS 1.12.1, EBUCore 1.10, LIDO 1.1,
oai_dc, DataCite 4.5 and against the RO-Crate 1.2 specification.
"""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from archiver.describe import places
from archiver.describe.documents import DescriptionDocument, documents_of
from archiver.describe.facts import Archive
from archiver.describe.selfcheck import check_documents
from archiver.describe.selfcheck.forms import (
    digest_complaint,
    is_date_time,
    is_doi,
    is_edtf,
    is_media_type,
    is_orcid,
    is_plain_date,
    is_w3cdtf,
    is_w3cdtf_range,
    named_file,
)
from archiver.findings import Finding
from tests.describe.archives import an_archive
from tests.describe.official import complaints

ARCHIVE = an_archive()
DOCUMENTS = documents_of(ARCHIVE)
LIDO = places.lido_path("hornblad-a")
MASTER = "hm-2026-05-03_t02.wav"


def broken(path: str, change: Callable[[bytes], bytes]) -> tuple[DescriptionDocument, ...]:
    """The documents with one of them changed, which is asserted to differ."""
    changed = []
    for document in DOCUMENTS:
        content = change(document.content) if document.path == path else document.content
        changed.append(dataclasses.replace(document, content=content))
    assert tuple(changed) != DOCUMENTS
    return tuple(changed)


def first(pattern: str, replacement: str) -> Callable[[bytes], bytes]:
    """Replace the first match of a pattern."""
    return lambda content: re.sub(
        pattern, replacement, content.decode(), count=1, flags=re.DOTALL
    ).encode()


def in_json(change: Callable[[Any], object]) -> Callable[[bytes], bytes]:
    """Change a JSON document in place."""

    def apply(content: bytes) -> bytes:
        document = json.loads(content)
        change(document)
        return json.dumps(document).encode()

    return apply


def found_in(documents: tuple[DescriptionDocument, ...], path: str) -> list[Finding]:
    """Findings of one document; METS sees by its digest that another was changed."""
    return [one for one in check_documents(documents, ARCHIVE) if one.where.file == path]


def entity(crate: Any, id_: str) -> Any:
    return next(one for one in crate["@graph"] if one["@id"] == id_)


XML_BREAKAGES = [
    # --- PREMIS: what its schema accepts
    (places.PREMIS, "eventDateTime>[^<]*<", "eventDateTime>3 May 2026<", "describe-date"),
    (places.PREMIS, "eventDateTime>[^<]*<", "eventDateTime>2026-02-30T10:00:00Z<", "describe-date"),
    (places.PREMIS, "startDate>[^<]*<", "startDate>spring<", "describe-date"),
    (
        places.PREMIS,
        "dateCreatedByApplication>[^<]*<",
        "dateCreatedByApplication>2026-05-04T9:00<",
        "describe-date",
    ),
    (places.PREMIS, ">capture<", ">taping<", "describe-term-not-in-vocabulary"),
    (places.PREMIS, "eventType/cap", "eventType/cre", "describe-term-not-in-vocabulary"),
    (places.PREMIS, "eventType/cap", "eventType/cap.html", "describe-term-not-in-vocabulary"),
    (
        places.PREMIS,
        'authority="eventType" authorityURI="http:',
        'authority="eventType" authorityURI="https:',
        "describe-term-not-in-vocabulary",
    ),
    (places.PREMIS, ">person<", ">human<", "describe-term-not-in-vocabulary"),
    (places.PREMIS, ">success<", ">fine<", "describe-term-not-in-vocabulary"),
    (places.PREMIS, ">license<", ">licence<", "describe-term-not-in-vocabulary"),
    (places.PREMIS, ">is part of<", ">belongs to<", "describe-term-not-in-vocabulary"),
    (places.PREMIS, ">SHA-256<", ">sha256sum<", "describe-term-not-in-vocabulary"),
    (
        places.PREMIS,
        "linkingEventIdentifierValue>event-13<",
        "linkingEventIdentifierValue>event-99<",
        "describe-identifier-dangling",
    ),
    (
        places.PREMIS,
        "linkingAgentIdentifierValue>person-1<",
        "linkingAgentIdentifierValue>person-9<",
        "describe-identifier-dangling",
    ),
    (
        places.PREMIS,
        "linkingRightsStatementIdentifierValue>rights-1<",
        "linkingRightsStatementIdentifierValue>rights-7<",
        "describe-identifier-dangling",
    ),
    (
        places.PREMIS,
        "relatedObjectIdentifierValue>[^<]*<",
        "relatedObjectIdentifierValue>nothing<",
        "describe-identifier-dangling",
    ),
    (
        places.PREMIS,
        "linkingObjectIdentifierType>local<",
        "linkingObjectIdentifierType>elsewhere<",
        "describe-identifier-dangling",
    ),
    (
        places.PREMIS,
        "<premis:eventIdentifierValue>event-2<",
        "<premis:eventIdentifierValue>event-1<",
        "describe-identifier-twice",
    ),
    (
        places.PREMIS,
        "<premis:agentIdentifierValue>person-2<",
        "<premis:agentIdentifierValue>person-1<",
        "describe-identifier-twice",
    ),
    (
        places.PREMIS,
        "<premis:messageDigest>[0-9a-f]{64}<",
        "<premis:messageDigest>00ff<",
        "describe-digest-form",
    ),
    (
        places.PREMIS,
        "<premis:messageDigest>[0-9a-f]{64}<",
        f"<premis:messageDigest>{'A' * 64}<",
        "describe-digest-form",
    ),
    (
        places.PREMIS,
        "<premis:messageDigest>[0-9a-f]{64}<",
        f"<premis:messageDigest>{'a' * 64}<",
        "describe-digest-differs",
    ),
    (
        places.PREMIS,
        f"<premis:messageDigest>{1:032x}<",
        f"<premis:messageDigest>{9:032x}<",
        "describe-digest-differs",
    ),
    (
        places.PREMIS,
        "<premis:size>1000001<",
        "<premis:size>1000009<",
        "describe-size-differs",
    ),
    (
        places.PREMIS,
        "<premis:eventOutcomeInformation>.*?</premis:eventOutcomeInformation>",
        "",
        "describe-required-missing",
    ),
    (
        places.PREMIS,
        "<premis:storage>.*?</premis:storage>",
        "",
        "describe-required-missing",
    ),
    (places.PREMIS, "<premis:size>.*?</premis:size>", "", "describe-required-missing"),
    (
        places.PREMIS,
        "<premis:fixity>.*?</premis:fixity>\\s*<premis:fixity>.*?</premis:fixity>",
        "",
        "describe-required-missing",
    ),
    (
        places.PREMIS,
        "contentLocationValue>[^<]*<",
        "contentLocationValue>data/masters/gone.wav<",
        "describe-file-unknown",
    ),
    (
        places.PREMIS,
        "significantPropertiesValue>1234568<",
        "significantPropertiesValue>1234567<",
        "describe-technical-differs",
    ),
    # --- METS: what its schema accepts, read with libxml2
    (places.METS, 'FILEID="file-3"', 'FILEID="file-99"', "describe-identifier-dangling"),
    (places.METS, 'FILEID="file-3"', 'FILEID="dmd-1"', "describe-identifier-dangling"),
    (places.METS, 'DMDID="dmd-5"', 'DMDID="dmd-50"', "describe-identifier-dangling"),
    (
        places.METS,
        'ADMID="rights-4 provenance-1"',
        'ADMID="rights-4 provenance-2"',
        "describe-identifier-dangling",
    ),
    (places.METS, MASTER, "gone.wav", "describe-file-unknown"),
    (places.METS, "data/masters/", r"data\\\\masters\\\\", "describe-reference-form"),
    (places.METS, "%20", " ", "describe-reference-form"),
    (
        places.METS,
        "../data/masters/",
        "https://elsewhere.example/data/masters/",
        "describe-reference-form",
    ),
    (places.METS, 'SIZE="1000001"', 'SIZE="1000002"', "describe-size-differs"),
    (places.METS, 'CHECKSUM="[0-9a-f]{128}"', 'CHECKSUM="00ff"', "describe-digest-form"),
    (
        places.METS,
        'CHECKSUM="[0-9a-f]{128}"',
        f'CHECKSUM="{"0" * 128}"',
        "describe-digest-differs",
    ),
    (places.METS, ' CHECKSUM="[0-9a-f]*"', "", "describe-required-missing"),
    (places.METS, 'MIMETYPE="audio/flac"', 'MIMETYPE="flac"', "describe-media-type"),
    (places.METS, 'MIMETYPE="audio/flac"', 'MIMETYPE="audio/mpeg"', "describe-media-type"),
    (places.METS, ' OBJID="[^"]*"', "", "describe-required-missing"),
    (places.METS, '<mets:fptr FILEID="file-10"/>', "", "describe-required-missing"),
    # --- EBUCore: what its schema accepts
    (
        places.EBUCORE,
        "samplingRate>96000<",
        "samplingRate>44100<",
        "describe-technical-differs",
    ),
    (places.EBUCORE, "sampleSize>24<", "sampleSize>16<", "describe-technical-differs"),
    (places.EBUCORE, "channels>1<", "channels>2<", "describe-technical-differs"),
    (
        places.EBUCORE,
        "normalPlayTime>PT[^<]*<",
        "normalPlayTime>PT1S<",
        "describe-technical-differs",
    ),
    (places.EBUCORE, ">1234568<", ">1234560<", "describe-technical-differs"),
    (places.EBUCORE, 'unit="byte"', 'unit="kB"', "describe-technical-differs"),
    (places.EBUCORE, ">1000001<", ">1000000<", "describe-size-differs"),
    (
        places.EBUCORE,
        'role typeLabel="sound engineer"',
        'role typeLabel="boffin"',
        "describe-term-not-in-vocabulary",
    ),
    (places.EBUCORE, f"fileName>{MASTER}<", "fileName>other.wav<", "describe-file-unknown"),
    (places.EBUCORE, "hashValue>[^<]*<", "hashValue>00ff<", "describe-digest-form"),
    (
        places.EBUCORE,
        "hashValue>[^<]*<",
        f"hashValue>{'0' * 128}<",
        "describe-digest-differs",
    ),
    # --- LIDO: what its schema accepts
    (LIDO, "<lido:latestDate[^<]*</lido:latestDate>", "", "describe-date-range"),
    (LIDO, "<lido:earliestDate[^<]*</lido:earliestDate>", "", "describe-date-range"),
    (LIDO, ">1903-01-01<", ">1908-01-01<", "describe-date-range"),
    (LIDO, ">1903-01-01<", ">1903~<", "describe-date"),
    (LIDO, ">1903-01-01<", ">190X<", "describe-date"),
    (LIDO, ">1903-01-01<", ">1903-02-30<", "describe-date"),
    (LIDO, ">Production<", ">Making<", "describe-term-not-in-vocabulary"),
    (LIDO, "lido00007", "lido00011", "describe-term-not-in-vocabulary"),
    (LIDO, "aat/300265798", "aat/99", "describe-identifier-form"),
    (LIDO, "photographs/horn.png</lido:link", "photographs/x.png</lido:link", "describe-file-unknown"),
    (LIDO, "%20%C3%A6%231.png", " x.png", "describe-reference-form"),
    (LIDO, 'formatResource="image/png"', 'formatResource="PNG"', "describe-media-type"),
    # --- Dublin Core: what its schema accepts
    (places.DUBLIN_CORE, "dc:date>[^<]*<", "dc:date>1907~<", "describe-date"),
    (places.DUBLIN_CORE, "dc:date>[^<]*<", "dc:date>May 2026<", "describe-date"),
    (places.DUBLIN_CORE, "dc:type>Sound<", "dc:type>Noise<", "describe-term-not-in-vocabulary"),
    (places.DUBLIN_CORE, "<dc:title.*?</dc:title>", "", "describe-required-missing"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "pattern", "replacement", "code"), XML_BREAKAGES)
def test_a_breakage_of_an_xml_document_is_found_and_its_schema_is_blind_to_it(
    official_schemas: Path, path: str, pattern: str, replacement: str, code: str
) -> None:
    documents = broken(path, first(pattern, replacement))
    content = next(one.content for one in documents if one.path == path)
    assert complaints(official_schemas, path, content) == []
    assert code in {one.code for one in found_in(documents, path)}


# What the schemas see too: found here without them, since they do not ship.
ALSO_SEEN = [
    (places.PREMIS, 'version="3.0"', 'version="2.2"', "describe-root"),
    (places.PREMIS, "loc.gov/premis/v3", "loc.gov/premis/v2", "describe-root"),
    (places.PREMIS, ' xsi:type="premis:file"', "", "describe-required-missing"),
    (places.PREMIS, "<premis:size>1000001<", "<premis:size>1 MB<", "describe-size-differs"),
    (places.METS, "www.loc.gov/METS/", "www.loc.gov/METS/v2", "describe-root"),
    (places.METS, 'ID="file-3"', 'ID="file-1"', "describe-identifier-twice"),
    (places.METS, 'CHECKSUMTYPE="SHA-512"', 'CHECKSUMTYPE="sha512"', "describe-digest-form"),
    (places.METS, 'CREATEDATE="[^"]*"', 'CREATEDATE="4 May 2026"', "describe-date"),
    (places.EBUCORE, "samplingRate>96000<", "samplingRate>96 kHz<", "describe-technical-differs"),
    (places.EBUCORE, 'startDate="[^"]*"', 'startDate="2026~"', "describe-date"),
    (places.EBUCORE, 'version="1.10"', 'version="1.5"', "describe-root"),
    (LIDO, "http://www.lido-schema.org", "http://www.lido-schema.example", "describe-root"),
    (places.DUBLIN_CORE, "OAI/2.0/oai_dc/", "OAI/9/", "describe-root"),
    (places.DUBLIN_CORE, "</oai_dc:dc>", "", "describe-not-well-formed"),
    (places.PREMIS, "<premis:premis", "<!DOCTYPE x><premis:premis", "describe-not-well-formed"),
]


@pytest.mark.parametrize(("path", "pattern", "replacement", "code"), ALSO_SEEN)
def test_a_breakage_that_the_schema_sees_is_found_without_it(
    path: str, pattern: str, replacement: str, code: str
) -> None:
    documents = broken(path, first(pattern, replacement))
    assert code in {one.code for one in found_in(documents, path)}


JSON_BREAKAGES: list[tuple[str, Callable[[Any], object], str]] = [
    (
        places.DATACITE,
        lambda it: it["dates"].append({"date": "1907~", "dateType": "Other"}),
        "describe-date",
    ),
    (
        places.DATACITE,
        lambda it: it["dates"][0].update(date="2026-05-04/2026-05-03"),
        "describe-date",
    ),
    (places.DATACITE, lambda it: it.update(publicationYear="19XX"), "describe-date"),
    (
        places.DATACITE,
        lambda it: it.update(doi="https://doi.org/10.5072/x"),
        "describe-identifier-form",
    ),
    (
        places.DATACITE,
        lambda it: it["contributors"][0]["nameIdentifiers"][0].update(
            nameIdentifier="https://orcid.org/0000-0002-1825-0098"
        ),
        "describe-identifier-form",
    ),
    (
        places.DATACITE,
        lambda it: it["contributors"][0].update(contributorType="soundEngineer"),
        "describe-term-not-in-vocabulary",
    ),
    (places.DATACITE, lambda it: it.pop("titles"), "describe-required-missing"),
    (
        places.DATACITE,
        lambda it: it.update(schemaVersion="http://datacite.org/schema/kernel-4.5"),
        "describe-root",
    ),
    (places.CRATE, lambda it: it["@graph"].pop(0), "describe-root"),
    (places.CRATE, lambda it: it["@graph"].pop(1), "describe-root"),
    (places.CRATE, lambda it: it.update({"@context": "https://schema.org"}), "describe-root"),
    (
        places.CRATE,
        lambda it: it["@graph"].remove(entity(it, f"masters/{MASTER}")),
        "describe-identifier-dangling",
    ),
    (
        places.CRATE,
        lambda it: entity(it, "#take-2").update(location={"@type": "Place", "name": "here"}),
        "describe-graph",
    ),
    (places.CRATE, lambda it: entity(it, "./").update(sha512="00"), "describe-graph"),
    (
        places.CRATE,
        lambda it: entity(it, f"masters/{MASTER}").update({"@id": "masters/a b.wav"}),
        "describe-reference-form",
    ),
    (
        places.CRATE,
        lambda it: entity(it, f"masters/{MASTER}").update({"@id": "masters/gone.wav"}),
        "describe-file-unknown",
    ),
    (
        places.CRATE,
        lambda it: entity(it, f"masters/{MASTER}").update(contentSize="1"),
        "describe-size-differs",
    ),
    (
        places.CRATE,
        lambda it: entity(it, f"masters/{MASTER}").update(sha256="0" * 64),
        "describe-digest-differs",
    ),
    (
        places.CRATE,
        lambda it: entity(it, f"masters/{MASTER}").update(encodingFormat="audio/x"),
        "describe-media-type",
    ),
    (places.CRATE, lambda it: entity(it, "./").update(datePublished="2026-05"), "describe-date"),
    (places.CRATE, lambda it: entity(it, "#take-1").update(startTime="noon"), "describe-date"),
    (places.CRATE, lambda it: entity(it, "./").pop("license"), "describe-required-missing"),
    (places.CRATE, lambda it: entity(it, "./")["hasPart"].pop(), "describe-required-missing"),
    (
        places.CRATE,
        lambda it: it["@graph"].append(dict(entity(it, "#place"))),
        "describe-identifier-twice",
    ),
    (places.CRATE, lambda it: entity(it, "#place").pop("@type"), "describe-graph"),
    (places.CRATE, lambda it: it.update({"@graph": {}}), "describe-graph"),
]


@pytest.mark.parametrize(("path", "change", "code"), JSON_BREAKAGES)
def test_a_breakage_of_a_json_document_is_found(
    path: str, change: Callable[[Any], object], code: str
) -> None:
    documents = broken(path, in_json(change))
    assert code in {one.code for one in found_in(documents, path)}


@pytest.mark.parametrize("content", [b"", b"[]", b"{", b"[" * 100_000])
@pytest.mark.parametrize("path", [places.DATACITE, places.CRATE])
def test_what_is_no_json_object_is_found(path: str, content: bytes) -> None:
    documents = broken(path, lambda _: content)
    assert [one.code for one in found_in(documents, path)] == ["describe-not-well-formed"]


def test_the_documents_of_the_archive_have_no_findings() -> None:
    assert check_documents(DOCUMENTS, ARCHIVE) == ()


def test_a_document_that_was_changed_no_longer_fits_what_mets_says() -> None:
    documents = broken(places.PREMIS, lambda content: content + b"\n")
    codes = {one.code for one in check_documents(documents, ARCHIVE)}
    assert codes == {"describe-size-differs", "describe-digest-differs"}


def test_a_file_that_no_document_names_is_found() -> None:
    file = dataclasses.replace(ARCHIVE.files[0], path="data/masters/more.wav", take=None)
    archive: Archive = dataclasses.replace(ARCHIVE, files=(*ARCHIVE.files, file))
    findings = check_documents(DOCUMENTS, archive)
    assert {(one.code, one.where.file) for one in findings} == {
        ("describe-required-missing", places.PREMIS),
        ("describe-required-missing", places.CRATE),
    }


def test_a_finding_says_document_and_line() -> None:
    documents = broken(places.PREMIS, first("eventDateTime>[^<]*<", "eventDateTime>soon<"))
    (finding,) = found_in(documents, places.PREMIS)
    content = next(one.content for one in documents if one.path == places.PREMIS)
    assert finding.where.line is not None
    assert b"soon" in content.split(b"\n")[finding.where.line - 1]
    assert finding.where.field == "eventDateTime"


# --- forms


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-05-03T14:02:11+02:00", True),
        ("2026-05-03T14:02:11.25Z", True),
        ("0000-01-01T00:00:00Z", True),
        ("2026-05-03T14:02Z", False),
        ("2026-02-29T14:02:00Z", False),
        ("2026-05-03T24:30:00Z", False),
        ("2026-05-03T14:02:11+15:00", False),
        ("2026-05-03", False),
    ],
)
def test_date_times_of_xml_schema(text: str, expected: bool) -> None:
    assert is_date_time(text) is expected


# Forms and examples of the W3C note "Date and Time Formats" (1997).
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1997", True),
        ("1997-07", True),
        ("1997-07-16", True),
        ("1997-07-16T19:20+01:00", True),
        ("1997-07-16T19:20:30+01:00", True),
        ("1997-07-16T19:20:30.45+01:00", True),
        ("1997-07-16T19:20", False),
        ("1997-13", False),
        ("16 July 1997", False),
        ("1997~", False),
    ],
)
def test_dates_of_w3cdtf(text: str, expected: bool) -> None:
    assert is_w3cdtf(text) is expected


def test_a_range_has_two_dates_in_order() -> None:
    assert is_w3cdtf_range("2004-03-02/2005-06-02")
    assert not is_w3cdtf_range("2005-06-02/2004-03-02")
    assert not is_w3cdtf_range("2004/..")


def test_a_plain_date_has_no_qualifier() -> None:
    assert is_plain_date("1903-05")
    assert not is_plain_date("1903-05~")
    assert is_edtf("1903-05~")
    assert not is_edtf("May 1903")


def test_media_types_have_two_parts() -> None:
    assert is_media_type("audio/vnd.wave")
    assert not is_media_type("audio/")
    assert not is_media_type("audio/x; charset=utf-8")


def test_identifiers_have_their_form() -> None:
    assert is_doi("10.5072/hm-1")
    assert not is_doi("doi:10.5072/hm-1")
    # The example of ORCID's own description of the check character.
    assert is_orcid("https://orcid.org/0000-0002-1825-0097")
    assert not is_orcid("https://orcid.org/0000-0002-1825-0096")


def test_a_digest_has_the_length_of_its_algorithm() -> None:
    assert digest_complaint("md5", "d41d8cd98f00b204e9800998ecf8427e") == ""
    assert "32 digits" in digest_complaint("sha256", "d41d8cd98f00b204e9800998ecf8427e")
    assert "characters" in digest_complaint("md5", "D41D8CD98F00B204E9800998ECF8427E")


@pytest.mark.parametrize(
    ("reference", "path"),
    [
        ("../data/a%20b.wav", "data/a b.wav"),
        ("premis.xml", "metadata/premis.xml"),
        ("../data/%23.wav", "data/#.wav"),
        ("../../outside.wav", None),
        ("/etc/hosts", None),
        ("a b.wav", None),
        ("a\\b.wav", None),
        ("http://x.example/a", None),
        ("a%zz", None),
        ("", None),
    ],
)
def test_a_reference_names_a_file_of_the_bag_or_nothing(reference: str, path: str | None) -> None:
    assert named_file(reference, base="metadata/mets.xml") == path
