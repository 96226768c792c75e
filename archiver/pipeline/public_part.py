"""Parting a session folder: what everybody may read, and what is kept back.

Looks for what is withheld in comments, in text documents and in file names too, where no
schema can mark it; and in what videos and pictures say beside what they show.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.describe import rules
from archiver.describe.withholding import Secrets, Withholding, withhold
from archiver.findings import Finding, Where
from archiver.pipeline.media_private import in_media
from archiver.session.folder import look_into
from archiver.session.load import Loaded
from archiver.session.records import Session
from archiver.session.redaction import redacted
from archiver.session.sheet import MAX_SHEET_BYTES

__all__ = ["PublicPart", "public_part"]

_SEARCHED = ("takes/", "photographs/", "documents/")
_LARGEST_TEXT_BYTES = 16 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class PublicPart:
    """What everybody may know of a session folder.

    Parameters
    ----------
    session : Session
        The public record.
    secrets : Secrets
        What must not be found in public.
    sheets : mapping of str to bytes
        Public copies of the sheets that hold something else, by path in the folder.
    documents : tuple of str
        Restricted documents, by path in the folder.
    findings : tuple of Finding
        Places where what is withheld stands in public.
    """

    session: Session
    secrets: Secrets
    sheets: Mapping[str, bytes]
    documents: tuple[str, ...]
    findings: tuple[Finding, ...]


def public_part(folder: Path, loaded: Loaded, session: Session) -> PublicPart:
    """Part a session folder that has no error findings.

    Raises
    ------
    SurroundingsError
        A file cannot be read.
    DefectError
        A sheet could not be copied without what is withheld.
    """
    kept = withhold(session)
    names = (loaded.sheet_file, *loaded.machine_files, *loaded.type_files)
    sheets = {name: _content(folder, name) for name in names}
    copies = {
        name: redacted(content, name, kept.replacements[name])
        for name, content in sheets.items()
        if name in kept.replacements
    }
    findings: list[Finding] = []
    if kept.secrets:
        for name in names:
            findings += _in_text(copies.get(name, sheets[name]), name, kept.secrets)
        findings += _elsewhere(folder, kept)
    for name in _media(folder, kept):
        findings += in_media(folder.joinpath(*name.split("/")), name, kept.secrets)
    return PublicPart(
        session=kept.session,
        secrets=kept.secrets,
        sheets=copies,
        documents=kept.documents,
        findings=tuple(findings),
    )


def _content(folder: Path, name: str) -> bytes:
    place = folder.joinpath(*name.split("/"))
    return files.read_bytes(place, limit=MAX_SHEET_BYTES, follow=False)


def _in_text(content: bytes, name: str, secrets: Secrets) -> Iterator[Finding]:
    """Find what stands in a sheet outside of its fields: that is in a comment."""
    for number, line in enumerate(content.decode("utf-8-sig").splitlines(), start=1):
        _, mark, comment = line.partition("#")
        for secret in secrets.found_in(comment) if mark else ():
            yield rules.PRIVATE_COMMENT.at(
                Where(file=name, line=number),
                f"the comment holds what is withheld at {secret.where}",
            )


def _elsewhere(folder: Path, kept: Withholding) -> Iterator[Finding]:
    for path in look_into(folder).paths:
        if path in kept.documents or not path.startswith(_SEARCHED):
            continue
        for secret in kept.secrets.found_in_name(path):
            yield rules.PRIVATE_NAME.at(
                Where(file=path), f"the name of the file holds what is withheld at {secret.where}"
            )
        if path.startswith("documents/"):
            for secret in kept.secrets.found_in(_text(folder, path)):
                yield rules.PRIVATE_DOCUMENT.at(
                    Where(file=path), f"the document holds what is withheld at {secret.where}"
                )


def _media(folder: Path, kept: Withholding) -> list[str]:
    """Return the files that may be videos or pictures, and go into the bag as they are."""
    session = kept.session
    named = [take.file for take in session.takes]
    named += [one.file for one in session.photographs]
    named += [one.file for machine in session.machines for one in machine.photographs]
    named += [one.file for one in session.documents]
    named += [path for path in look_into(folder).paths if path.startswith(_SEARCHED[1:])]
    sealed = set(kept.documents)
    return [
        name
        for name in dict.fromkeys(named)
        if name not in sealed and files.status(folder.joinpath(*name.split("/"))).is_file
    ]


def _text(folder: Path, path: str) -> str:
    """Return a document as text; empty if it is something else, or too long to be searched."""
    place = folder.joinpath(*path.split("/"))
    if files.status(place).size > _LARGEST_TEXT_BYTES:
        return ""
    content = files.read_bytes(place, limit=_LARGEST_TEXT_BYTES, follow=False)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return ""
