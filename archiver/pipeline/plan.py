"""Where each file of a session goes in the bag; pure, so that a check can foresee it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import PurePosixPath

from archiver.describe.wording import xsd_date
from archiver.findings import Finding
from archiver.package import name_finding, safe_name, safe_names
from archiver.session.capture_files import CaptureFile, capture_files
from archiver.session.institution import BAG_NAME, FILE_NAME
from archiver.session.records import Session

__all__ = ["RESTRICTED", "Kept", "Plan", "bag_name", "master_names", "plan_for"]

RESTRICTED = "data/restricted"
"""Where in the bag lies what is not public."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A file of the session folder that goes into the bag untouched; both paths use ``/``."""

    source: str
    path: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Paths in the bag.

    Parameters
    ----------
    masters : tuple of (CaptureFile, str)
        Each capture file with its takes, and the path of its master.
    originals, photographs, documents : tuple of Kept
        Video captures; pictures; the sheet, the machine files and other papers.
    restricted : tuple of Kept
        Sheets with what is not public, as submitted, and restricted papers.
    held_back : mapping of str to str
        Where the record of a capture goes that has chunks which are not public, by the path
        of its master.
    findings : tuple of Finding
        Names that had to be changed.
    described : mapping of str to datetime
        When the description in a master was written, by its path in the bag; a master that
        is not listed is described anew.
    """

    masters: tuple[tuple[CaptureFile, str], ...]
    originals: tuple[Kept, ...]
    photographs: tuple[Kept, ...]
    documents: tuple[Kept, ...]
    restricted: tuple[Kept, ...]
    findings: tuple[Finding, ...]
    described: Mapping[str, datetime] = field(default_factory=dict)
    held_back: Mapping[str, str] = field(default_factory=dict)

    @property
    def has_restricted(self) -> bool:
        """Whether there is a restricted part."""
        return bool(self.restricted or self.held_back)

    @property
    def foreseen(self) -> list[str]:
        """Paths in the bag, beside those of masters, that are known before it is made."""
        return [*(kept.path for kept in self.kept), *self.held_back.values()]

    @property
    def kept(self) -> tuple[Kept, ...]:
        """Everything that is copied as it is."""
        return (*self.originals, *self.photographs, *self.documents, *self.restricted)


def _renamed(
    session: Session, sources: Iterable[str], under: str, into: str, findings: list[Finding]
) -> tuple[Kept, ...]:
    """Give each file a name that every system takes, keeping its folders below ``under``."""
    sources = tuple(dict.fromkeys(sources))
    # Folders are flattened into the name only where the source lies outside of its own place.
    relative = [PurePosixPath(source) for source in sources]
    flat = [
        "/".join(path.relative_to(under).parts) if path.is_relative_to(under) else path.name
        for path in relative
    ]
    folders = [
        "/".join(safe_name(part) for part in PurePosixPath(name).parts[:-1]) for name in flat
    ]
    leaves = safe_names([PurePosixPath(name).name for name in flat])
    kept: list[Kept] = []
    for source, name, folder, leaf in zip(sources, flat, folders, leaves, strict=True):
        path = f"{into}/{folder}/{leaf}" if folder else f"{into}/{leaf}"
        place = session.locate("")
        finding = name_finding(PurePosixPath(name).name, leaf, where=place)
        if finding is not None:
            findings.append(finding)
        kept.append(Kept(source=source, path=path))
    return tuple(kept)


def _named(pattern: str, session: Session, held: CaptureFile) -> str:
    """Fill in a pattern; what is put in cannot bring in another placeholder."""
    values = {
        "session": session.identifier,
        "take": held.name,
        "code": session.organisation.code,
        "date": xsd_date(session.start),
        "number": f"{session.position(held.lead) + 1:03d}",
    }
    return re.sub(r"\{(\w+)\}", lambda found: values[found[1]], pattern)


def master_names(session: Session, file_name: str) -> tuple[str, ...]:
    """Name the masters of a session, in the order of its capture files."""
    return safe_names(
        [f"{_named(file_name, session, held)}.wav" for held in capture_files(session)]
    )


def bag_name(session: Session, pattern: str) -> str:
    """Name the first version of a session's bag by a pattern of the institution profile."""
    if pattern == BAG_NAME:
        return session.identifier
    values = {
        "session": session.identifier,
        "code": session.organisation.code,
        "date": xsd_date(session.start),
    }
    return safe_name(re.sub(r"\{(\w+)\}", lambda found: values[found[1]], pattern))


def _ending(path: str) -> str:
    return safe_name(f"x{PurePosixPath(path).suffix}").removeprefix("x")


def plan_for(
    session: Session,
    *,
    kept_takes: frozenset[str],
    sheet_files: Iterable[str],
    photographs: Iterable[str],
    documents: Iterable[str],
    sealed_sheets: Iterable[str] = (),
    sealed_documents: Iterable[str] = (),
    holding_back: frozenset[str] = frozenset(),
    file_name: str = FILE_NAME,
) -> Plan:
    """Lay out the payload of a session's bag.

    Parameters
    ----------
    session : Session
        The record.
    kept_takes : frozenset of str
        Ids of takes whose capture holds more than a master can, such as a video.
    sheet_files : iterable of str
        The sheet and the machine files, relative to the session folder.
    photographs, documents : iterable of str
        All files of these folders and all that the sheet names, relative to the folder.
    sealed_sheets, sealed_documents : iterable of str
        Sheets that hold what is not public, and restricted documents.
    holding_back : frozenset of str
        Ids of takes whose capture has a chunk that goes into the restricted part.
    file_name : str
        Pattern for the names of masters, see ``schemas/institution.schema.json``.
    """
    findings: list[Finding] = []
    sealed = tuple(dict.fromkeys(sealed_documents))
    captures = capture_files(session)
    names = master_names(session, file_name)
    return Plan(
        masters=tuple(
            (held, f"data/masters/{name}") for held, name in zip(captures, names, strict=True)
        ),
        originals=_renamed(
            session,
            (held.file for held in captures if held.lead.id in kept_takes),
            "takes",
            "data/originals",
            findings,
        ),
        photographs=_renamed(session, photographs, "photographs", "data/photographs", findings),
        documents=(
            *(Kept(source=file, path=f"data/documents/{file}") for file in sheet_files),
            *_renamed(session, documents, "documents", "data/documents", findings),
        ),
        restricted=(
            *(Kept(source=file, path=f"{RESTRICTED}/{file}") for file in sealed_sheets),
            *(
                # The name of a sealed paper may itself say too much.
                Kept(source=file, path=f"{RESTRICTED}/document-{number}{_ending(file)}")
                for number, file in enumerate(sealed, start=1)
            ),
        ),
        findings=tuple(findings),
        held_back={
            f"data/masters/{name}": f"{RESTRICTED}/captures/{record}.json"
            for held, name, record in zip(
                captures, names, safe_names([held.name for held in captures]), strict=True
            )
            if held.lead.id in holding_back
        },
    )
