"""Every document, each by the rules of its standard."""

from __future__ import annotations

from collections.abc import Sequence

from lxml import etree

from archiver.describe import places
from archiver.describe.documents import DescriptionDocument, facts_of_document
from archiver.describe.facts import Archive
from archiver.describe.privacy import said
from archiver.describe.selfcheck.datacite import check_datacite
from archiver.describe.selfcheck.dublincore import check_dublin_core
from archiver.describe.selfcheck.ebucore import check_ebucore
from archiver.describe.selfcheck.jsonread import json_object
from archiver.describe.selfcheck.lido import check_lido
from archiver.describe.selfcheck.mets import check_mets
from archiver.describe.selfcheck.premis import check_premis
from archiver.describe.selfcheck.reading import Desk, parsed
from archiver.describe.selfcheck.rocrate import check_crate
from archiver.describe.withholding import Secrets, secrets_of
from archiver.findings import Finding, Where, in_order

__all__ = ["check_documents"]


def check_documents(
    documents: Sequence[DescriptionDocument], archive: Archive, secrets: Secrets | None = None
) -> tuple[Finding, ...]:
    """Hold documents against the archive that they describe.

    Parameters
    ----------
    documents : sequence of DescriptionDocument
        At the paths of :mod:`archiver.describe.places`; a document at another path is
        not known here and is left alone.
    archive : Archive
    secrets : Secrets, optional
        What must not be found in them; by default what the archive's own record withholds.

    Returns
    -------
    tuple of Finding
        Empty when nothing is wrong.
    """
    if secrets is None:
        secrets = secrets_of(archive.session)
    facts = {document.path: facts_of_document(document) for document in documents}
    desk = Desk(archive, facts)
    for document in documents:
        desk.open(document.path)
        suspect = secrets.may_be_in(document.content.decode("utf-8", "replace"))
        for secret in secrets.found_in(_text(document)) if suspect else ():
            desk.findings.append(said(secret, Where(file=document.path)))
        if document.path in (places.DATACITE, places.CRATE):
            _check_json(document, desk)
        else:
            _check_xml(document, desk)
    return in_order(desk.findings)


def _text(document: DescriptionDocument) -> str:
    if not document.path.endswith(".xml"):
        return document.content.decode("utf-8", "replace")
    parser = etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=True, recover=True)
    root = etree.fromstring(document.content, parser)
    if root is None:
        return ""
    texts = [text for element in root.iter() for text in (element.text, *element.values()) if text]
    return "\n".join(texts)


def _check_json(document: DescriptionDocument, desk: Desk) -> None:
    facts = json_object(document.content, desk)
    if facts is None:
        return
    if document.path == places.DATACITE:
        check_datacite(facts, desk)
    else:
        check_crate(facts, desk)


def _check_xml(document: DescriptionDocument, desk: Desk) -> None:
    checks = {
        places.PREMIS: check_premis,
        places.METS: check_mets,
        places.DUBLIN_CORE: check_dublin_core,
        places.EBUCORE: check_ebucore,
    }
    check = checks.get(document.path)
    lidos = {places.lido_path(machine.id) for machine in desk.archive.session.machines}
    if check is None and document.path not in lidos:
        return
    root = parsed(document.content, desk)
    if root is None:
        return
    if check is not None:
        check(root, desk)
    else:
        check_lido(root, document.path, desk)
