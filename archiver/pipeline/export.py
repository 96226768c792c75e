"""Making the documents of an existing bag again, beside it, without touching the bag."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.describe import places
from archiver.describe.documents import DescriptionDocument, documents_of
from archiver.describe.places import DocumentKind
from archiver.describe.selfcheck import check_documents
from archiver.errors import MisuseError
from archiver.findings import Finding
from archiver.pipeline.beside import refuse_inside, refuse_taken, write_new
from archiver.pipeline.recorded_bag import RecordedBag, read_recorded

__all__ = ["Exported", "ExportedDocument", "export_documents"]

_LARGEST_BYTES = 1 << 28


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportedDocument:
    """A document that was written.

    Parameters
    ----------
    path : str
        Where it lies, or would lie, in the bag.
    file : Path
        Where it was written.
    same : bool or None
        Whether the bag holds the same bytes; None if it does not hold this document.
    """

    path: str
    file: Path
    same: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Exported:
    """What was written, and what the check of the documents found."""

    bag: Path
    documents: tuple[ExportedDocument, ...]
    findings: tuple[Finding, ...]


def export_documents(bag: Path, to: Path, kinds: Collection[str] = ()) -> Exported:
    """Make documents from the records of a bag.

    Parameters
    ----------
    bag : Path
        Its directory; nothing in it is changed.
    to : Path
        Directory for the documents; made if it is missing.
    kinds : collection of str
        Words of :class:`archiver.describe.places.DocumentKind`; by default those that
        the bag was made with.

    Returns
    -------
    Exported
        References in the documents hold where the bag holds them.

    Raises
    ------
    MisuseError
        There is no such kind, the directory lies in the bag, or a file is there already.
    IntegrityError
        The bag is not whole, or a record has changed.
    InputError
        The bag holds no records of this program.
    SurroundingsError
        Reading or writing fails; what was written until then is whole.
    """
    wanted = _kinds(kinds)
    recorded = read_recorded(bag)
    refuse_inside(bag, to, what="the bag")
    documents = _made(recorded, wanted)
    targets = [(one, to.joinpath(*_name(one.path).split("/"))) for one in documents]
    for _, target in targets:
        refuse_taken(target)
    for one, target in targets:
        write_new(target, one.content)
    return Exported(
        bag=bag,
        documents=tuple(
            ExportedDocument(path=one.path, file=target, same=_same(bag, one))
            for one, target in targets
        ),
        findings=check_documents(documents, recorded.archive),
    )


def _kinds(words: Collection[str]) -> frozenset[DocumentKind]:
    for word in words:
        if word not in set(DocumentKind):
            raise MisuseError(
                f"there is no document {word!r}",
                where="--document",
                accepted=", ".join(DocumentKind),
            )
    return frozenset(map(DocumentKind, words))


def _made(recorded: RecordedBag, wanted: frozenset[DocumentKind]) -> list[DescriptionDocument]:
    """Make what is wanted; METS refers to the documents that the bag was made with."""
    held = frozenset(map(DocumentKind, recorded.run.documents))
    wanted = wanted or held
    algorithms = recorded.run.algorithms
    kinds = wanted | held if DocumentKind.METS in wanted else wanted
    made = documents_of(recorded.archive, algorithms=algorithms, kinds=kinds)
    if DocumentKind.METS in wanted and kinds != held | {DocumentKind.METS}:
        overview = documents_of(
            recorded.archive, algorithms=algorithms, kinds=held | {DocumentKind.METS}
        )
        made = (*made[:-1], overview[-1])
    return [one for one in made if places.kind_of(one.path) in wanted]


def _name(path: str) -> str:
    """Return the name for a document of the bag: its path below ``metadata`` or ``data``."""
    return path.partition("/")[2]


def _same(bag: Path, document: DescriptionDocument) -> bool | None:
    place = bag.joinpath(*document.path.split("/"))
    if not files.exists(place):
        return None
    return files.read_bytes(place, limit=_LARGEST_BYTES, follow=False) == document.content
