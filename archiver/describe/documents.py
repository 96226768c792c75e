"""All documents of an archive, at their places in the bag, each made from the same record."""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Callable, Collection, Iterator, Sequence
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
from archiver.describe.places import DocumentKind

__all__ = ["DescriptionDocument", "documents_of", "facts_of_document"]

_XML = "application/xml"


@dataclass(frozen=True, slots=True, kw_only=True)
class DescriptionDocument:
    """A document: its path in the bag, its media type and its bytes."""

    path: str
    media_type: str
    content: bytes


def documents_of(
    archive: Archive,
    *,
    algorithms: Sequence[str] = ("sha256",),
    kinds: Collection[DocumentKind] = frozenset(DocumentKind),
) -> tuple[DescriptionDocument, ...]:
    """Make the documents.

    Parameters
    ----------
    archive : Archive
        With all payload files and those tag files that the documents should name.
    algorithms : sequence of str
        Digests by which METS refers to the other documents.
    kinds : collection of DocumentKind
        Which to make; METS refers to those of them that are made.

    Returns
    -------
    tuple of DescriptionDocument
        METS last, since it states size and digest of the others.
    """
    made = [
        DescriptionDocument(path=path, media_type=media_type, content=make(archive))
        for path, media_type, make in _makers(archive)
        if places.kind_of(path) in kinds
    ]
    if DocumentKind.METS not in kinds:
        return tuple(made)
    facts = [facts_of_document(document, algorithms) for document in made]
    overview = mets.document(archive, facts)
    return (*made, DescriptionDocument(path=places.METS, media_type=_XML, content=overview))


def _makers(archive: Archive) -> Iterator[tuple[str, str, Callable[[Archive], bytes]]]:
    yield places.DUBLIN_CORE, _XML, dublincore.document
    yield places.EBUCORE, _XML, ebucore.document
    yield places.DATACITE, "application/json", datacite.document
    yield places.CRATE, "application/ld+json", rocrate.document
    for machine in archive.session.machines:
        path = places.lido_path(machine.id)
        yield path, _XML, functools.partial(lido.document, machine=machine)
    yield places.PREMIS, _XML, premis.document


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
