"""Judges beside the schemas: PyPI xmlschema (IDREFs), PyPI rocrate, LIDO's own Schematron rules."""

from __future__ import annotations

import importlib
import re
from pathlib import Path
from typing import Any

import pytest
import xmlschema
from hypothesis import given, settings
from lxml import etree
from rocrate.rocrate import ROCrate

from archiver.describe import lido, places
from archiver.describe.documents import documents_of
from archiver.describe.facts import Archive
from tests.describe.archives import an_archive
from tests.describe.official import LOCAL, SCHEMAS
from tests.describe.strategies import archives


@pytest.fixture(scope="module")
def mets_schema(official_schemas: Path) -> xmlschema.XMLSchema:
    return xmlschema.XMLSchema(
        str(official_schemas / SCHEMAS[places.METS]),
        uri_mapper={url: str(official_schemas / name) for url, name in LOCAL.items()},
        allow="local",
    )


def document(path: str) -> bytes:
    return next(one.content for one in documents_of(an_archive()) if one.path == path)


def test_xmlschema_finds_no_reference_in_mets_that_leads_nowhere(
    mets_schema: xmlschema.XMLSchema,
) -> None:
    assert list(mets_schema.iter_errors(document(places.METS))) == []


def test_xmlschema_would_find_one(mets_schema: xmlschema.XMLSchema) -> None:
    content = re.sub(rb'FILEID="file-3"', b'FILEID="file-99"', document(places.METS), count=1)
    assert ["file-99" in str(error.reason) for error in mets_schema.iter_errors(content)] == [True]


def test_rocrate_reads_the_payload(tmp_path: Path) -> None:
    archive = an_archive()
    for file in archive.files:
        target = tmp_path.joinpath(*file.path.split("/"))
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(b"")
    (tmp_path / "data/ro-crate-metadata.json").write_bytes(document(places.CRATE))
    crate = ROCrate(tmp_path / "data")
    payload = {
        file.path.removeprefix("data/") for file in archive.files if file.path[:5] == "data/"
    }
    assert len(crate.data_entities) == len(payload)
    master = crate.get("masters/hm-2026-05-03_t02.wav")
    assert master["encodingFormat"] == "audio/vnd.wave"
    assert crate.root_dataset["license"].id == "https://creativecommons.org/licenses/by/4.0/"
    (action,) = [one for one in crate.contextual_entities if one.id == "#take-2"]
    assert [person["name"] for person in action["agent"]] == [
        "Åsta Ørnvig",
        "performer, name withheld",
    ]


@pytest.fixture(scope="module")
def lido_rules(official_schemas: Path) -> Any:
    """The twelve assertions inside the LIDO schema, which validation by XSD does not run."""
    # lxml's stubs leave this module out.
    isoschematron: Any = importlib.import_module("lxml.isoschematron")
    schema = etree.parse(str(official_schemas / SCHEMAS["metadata/lido/"]))
    return isoschematron.Schematron(isoschematron.extract_xsd(schema).getroot())


@settings(max_examples=20)
@given(archive=archives())
def test_lido_keeps_the_rules_inside_its_schema(lido_rules: Any, archive: Archive) -> None:
    for machine in archive.session.machines:
        record = etree.fromstring(lido.document(archive, machine))
        assert lido_rules.validate(record)


def test_the_rules_would_find_text_beside_a_concept(lido_rules: Any) -> None:
    content = document(places.lido_path("hornblad-a"))
    unit = b"<lido:measurementUnit>m"
    broken = content.replace(unit, unit + b"<lido:term>m</lido:term>", 1)
    assert lido_rules.validate(etree.fromstring(content))
    assert not lido_rules.validate(etree.fromstring(broken))
