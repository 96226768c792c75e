"""All documents of an archive, at their places in the bag, each made from the same record."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from archiver.describe import (
    datacite,
    dublincore,
    ebucore,
    lido,
    mets,
    places,
    premis,
    rocrate,
)
from archiver.describe.facts import Archive, FileFacts, FileRole

__all__ = ["DescriptionDocument", "documents_of", "facts_of_document"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DescriptionDocument:
    """A document: its path in the bag, its media type and its bytes."""

    path: str
    media_type: str
    content: bytes


def documents_of(
    archive: Archive, *, algorithms: Sequence[str] = ("sha256",)
) -> tuple[DescriptionDocument, ...]:
    """Make every document.

    Parameters
    ----------
    archive : Archive
        With all payload files and those tag files that the documents should name.
    algorithms : sequence of str
        Digests by which METS refers to the other documents.

    Returns
    -------
    tuple of DescriptionDocument
        METS last, since it states size and digest of the others.
    """
    xml, as_json = "application/xml", "application/json"
    made = [
        DescriptionDocument(path=path, media_type=media_type, content=content)
        for path, media_type, content in (
            (places.DUBLIN_CORE, xml, dublincore.document(archive)),
            (places.EBUCORE, xml, ebucore.document(archive)),
            (places.DATACITE, as_json, datacite.document(archive)),
            (places.CRATE, "application/ld+json", rocrate.document(archive)),
            *(
                (places.lido_path(machine.id), xml, lido.document(archive, machine))
                for machine in archive.session.machines
            ),
            (places.PREMIS, xml, premis.document(archive)),
        )
    ]
    facts = [facts_of_document(document, algorithms) for document in made]
    overview = mets.document(archive, facts)
    return (*made, DescriptionDocument(path=places.METS, media_type=xml, content=overview))


def facts_of_document(
    document: DescriptionDocument, algorithms: Sequence[str] = ("sha256",)
) -> FileFacts:
    """Return size and digests of a document."""
    return FileFacts(
        path=document.path,
        size_bytes=len(document.content),
        digests={
            name: hashlib.new(name, document.content, usedforsecurity=False).hexdigest()
            for name in algorithms
        },
        media_type=document.media_type,
        role=FileRole.METADATA,
    )
