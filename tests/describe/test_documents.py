"""All documents, judged by the official schemas and by readers that are not ours."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import pytest
from datacite import schema45
from hypothesis import given, settings
from lxml import etree
from rdflib import Graph

from archiver.describe import places
from archiver.describe.documents import DescriptionDocument, documents_of
from archiver.describe.ebucore import axml_for
from archiver.describe.facts import Archive
from archiver.describe.selfcheck import check_documents
from archiver.session.load import load_session
from tests.conftest import Golden
from tests.describe.archives import PCM_24, a_long_session, a_session, an_archive, archive_of
from tests.describe.official import complaints, crate_terms
from tests.describe.strategies import archives

EXAMPLES = 200


def judged(documents: tuple[DescriptionDocument, ...], official: Path) -> list[str]:
    """What the official schemas, XML and JSON, have to say."""
    found: list[str] = []
    for document in documents:
        if document.path.endswith(".xml"):
            found += complaints(official, document.path, document.content)
        elif document.path == places.DATACITE:
            # The JSON Schema of DataCite 4.5 as kept by the PyPI package `datacite`.
            errors = schema45.validator.iter_errors(json.loads(document.content))
            found += [f"{document.path}: {error.message}" for error in errors]
    return found


def as_dict(archive: Archive) -> dict[str, DescriptionDocument]:
    return {document.path: document for document in documents_of(archive)}


def test_every_document_of_the_hand_made_archive_validates(official_schemas: Path) -> None:
    assert judged(documents_of(an_archive()), official_schemas) == []


def test_every_document_of_the_sample_session_validates(
    official_schemas: Path, sample_session: Path
) -> None:
    session = load_session(sample_session).session
    assert session is not None
    archive = archive_of(session)
    documents = documents_of(archive)
    assert len(documents) == 6 + len(session.machines)
    assert judged(documents, official_schemas) == []
    assert check_documents(documents, archive) == ()


@settings(max_examples=EXAMPLES)
@given(archive=archives())
def test_every_document_of_a_generated_record_validates(
    official_schemas: Path, archive: Archive
) -> None:
    documents = documents_of(archive)
    assert judged(documents, official_schemas) == []
    axml = axml_for(
        archive.session,
        archive.session.takes[0],
        samples=archive.masters[0].samples,
        frames=archive.masters[0].frames,
        file_name="x.wav",
        modified=archive.run.archived,
    )
    assert complaints(official_schemas, places.EBUCORE, axml) == []
    codes = {finding.code for finding in check_documents(documents, archive)}
    assert codes <= {"describe-withheld-name", "describe-name-not-covered"}, codes


@pytest.mark.parametrize("path", sorted(as_dict(an_archive())))
def test_the_document_is_the_golden_one(golden: Golden, path: str) -> None:
    golden.check(path.replace("/", "-"), as_dict(an_archive())[path].content)


def test_the_axml_document_is_the_golden_one(golden: Golden) -> None:
    session = a_session()
    content = axml_for(
        session,
        session.takes[1],
        samples=PCM_24,
        frames=1_234_567,
        file_name="hm-2026-05-03_t02.wav",
        modified="2026-05-04",
    )
    golden.check("axml-t02.xml", content)


def test_the_same_record_gives_the_same_bytes() -> None:
    assert documents_of(an_archive()) == documents_of(an_archive())


def test_mets_names_every_other_document_with_its_size() -> None:
    documents = as_dict(an_archive())
    mets = etree.fromstring(documents[places.METS].content)
    references = mets.findall(".//{*}mdRef")
    named = {(one.get("{http://www.w3.org/1999/xlink}href"), one.get("SIZE")) for one in references}
    expected = {
        (places.reference(path, base=places.METS), str(len(document.content)))
        for path, document in documents.items()
        if path != places.METS
    }
    assert named == expected


def test_the_number_of_bytes_grows_with_the_takes_and_no_faster() -> None:
    def total(takes: int) -> int:
        documents = documents_of(archive_of(a_long_session(takes)))
        return sum(len(document.content) for document in documents)

    few, more, many = total(20), total(40), total(80)
    assert many - more == pytest.approx(2 * (more - few), rel=0.05)


def test_a_session_without_machines_or_files_is_described(official_schemas: Path) -> None:
    session = dataclasses.replace(
        a_session(), machines=(), setups=(), media=(), photographs=(), documents=()
    )
    archive = dataclasses.replace(archive_of(session), files=(), masters=())
    documents = documents_of(
        dataclasses.replace(archive, run=dataclasses.replace(archive.run, events=()))
    )
    assert judged(documents, official_schemas) == []


def test_the_keys_of_the_crate_are_those_of_the_official_context(official_schemas: Path) -> None:
    crate = json.loads(as_dict(an_archive())[places.CRATE].content)
    keys = {key for entity in crate["@graph"] for key in entity} - {"@id", "@type"}
    types = {
        kind
        for entity in crate["@graph"]
        for kind in (entity["@type"] if isinstance(entity["@type"], list) else [entity["@type"]])
    }
    assert keys | types <= crate_terms(official_schemas)


# rdflib 7 warns of its own parts.
@pytest.mark.filterwarnings("ignore:ConjunctiveGraph is deprecated:DeprecationWarning")
def test_rdflib_reads_the_crate_as_linked_data(official_schemas: Path) -> None:
    crate = json.loads(as_dict(an_archive())[places.CRATE].content)
    context = json.loads(
        (official_schemas / "ro-crate/context-1.2.jsonld").read_text(encoding="utf-8")
    )
    crate["@context"] = context["@context"]  # the same context, without the network
    graph = Graph().parse(data=json.dumps(crate), format="json-ld", base="https://bag.example/")
    masters = graph.query(
        "SELECT ?size WHERE { ?f a <http://schema.org/AudioObject> ; "
        "<http://schema.org/contentSize> ?size ; "
        "<http://schema.org/encodingFormat> 'audio/vnd.wave' }"
    )
    # Each row is a pair of variable and value, here of one variable.
    sizes = sorted(int(str(row[0])) for row in masters if isinstance(row, tuple))
    assert sizes == [1_000_001, 1_000_002, 1_000_003]
