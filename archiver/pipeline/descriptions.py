"""The tag files of a bag: records, institutions' documents and the read-me, in one place."""

from __future__ import annotations

import platform
import uuid
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePosixPath

from archiver import __version__
from archiver.custody.sound import encode_sound_digests, sound_digests_path
from archiver.describe import places
from archiver.describe.baginfo import bag_info
from archiver.describe.documents import documents_of
from archiver.describe.facts import (
    Archive,
    EventKind,
    FileFacts,
    FileRole,
    Levels,
    Library,
    MasterFacts,
    Outcome,
    RunEvent,
    RunFacts,
)
from archiver.describe.mediatypes import media_type_of
from archiver.describe.run import Master, as_bytes, findings_document, run_document
from archiver.describe.selfcheck import check_documents
from archiver.findings import Finding, in_order
from archiver.package import BagBuilder, StoredFile, safe_names, versioned_name
from archiver.package import readme as bag_readme
from archiver.pipeline.masters import ArchivedTake
from archiver.pipeline.plan import Plan
from archiver.pipeline.run import NAME, PROGRAM, library_versions
from archiver.session.record_json import session_as_json
from archiver.session.records import Session
from archiver.signal.report import measurements_as_json

__all__ = ["Contents", "describe"]

_PAYLOAD = (
    ("data/masters", "one broadcast-wave file a take; the samples are those of the capture"),
    ("data/originals", "video captures as they came"),
    ("data/photographs", "pictures of the machines and of the session"),
    ("data/documents", "the session sheet and the machine files as submitted, and other papers"),
    (places.CRATE, "the research object description (RO-Crate 1.2)"),
)
_METADATA = (
    ("metadata/session.json", "the record: each quantity as stated and in SI units"),
    ("metadata/measurements", "levels, loudness, noise and faults of each take"),
    ("metadata/sound", "digests of the samples of each take, second by second"),
    ("metadata/captures", "what each capture file held besides its samples"),
    ("metadata/findings.json", "what the check had to say when this bag was made"),
    ("metadata/archiving.json", "when this bag was made, with what, and step by step how"),
    (places.PREMIS, "objects, events, agents and rights (PREMIS 3.0)"),
    (places.METS, "the structure of the whole (METS 1.12)"),
    (places.EBUCORE, "the recordings (EBUCore 1.10)"),
    ("metadata/lido", "each machine (LIDO 1.1)"),
    (places.DUBLIN_CORE, "the session in short (Dublin Core)"),
    (places.DATACITE, "the session for a DOI (DataCite 4)"),
)
_ROLES = {
    "masters": FileRole.MASTER,
    "originals": FileRole.ORIGINAL,
    "photographs": FileRole.PHOTOGRAPH,
    "documents": FileRole.DOCUMENT,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """Everything that went into the bag before its descriptions."""

    session: Session
    plan: Plan
    takes: tuple[ArchivedTake, ...]
    payload: tuple[StoredFile, ...]
    version: int
    made: datetime
    algorithms: tuple[str, ...]

    @property
    def replaces(self) -> str:
        """Name of the bag that this one replaces; empty for the first version."""
        before = self.version - 1
        return versioned_name(self.session.identifier, before) if before else ""

    @property
    def identifier(self) -> str:
        """URN of the bag: the same for the same session and version, wherever it is made."""
        organisation = self.session.organisation
        name = f"{organisation.country}/{organisation.code}/{self.session.identifier}"
        return uuid.uuid5(uuid.NAMESPACE_URL, f"{name}/v{self.version}").urn

    @property
    def when(self) -> str:
        """Time of the run as ``xs:dateTime``."""
        return self.made.isoformat(timespec="seconds")

    def bag_info(self) -> tuple[tuple[str, str], ...]:
        """Return the elements of ``bag-info.txt``."""
        return bag_info(
            self.session,
            made=self.made,
            program=PROGRAM,
            version=self.version,
            replaces=self.replaces,
        )


def describe(
    bag: BagBuilder, contents: Contents, findings: Sequence[Finding]
) -> tuple[Finding, ...]:
    """Write every description into the bag.

    Returns
    -------
    tuple of Finding
        Those given, and those on the documents.
    """
    archive = _archive(contents)
    documents = documents_of(archive, algorithms=contents.algorithms)
    findings = in_order(dict.fromkeys((*findings, *check_documents(documents, archive))))
    for document in documents:
        write = bag.write_payload if document.path.startswith("data/") else bag.write_tag
        write(document.path, document.content)
    for path, content in _records(contents, findings):
        bag.write_tag(path, content)
    bag.write_tag("READ-ME.txt", _readme(bag.name, contents))
    return findings


def _records(contents: Contents, findings: Sequence[Finding]) -> Iterator[tuple[str, bytes]]:
    yield "metadata/session.json", as_bytes(session_as_json(contents.session))
    for done, name in _named(contents):
        yield f"metadata/captures/{name}.json", done.capture_record
        yield f"metadata/measurements/{name}.json", as_bytes(measurements_as_json(done.measured))
        yield sound_digests_path(name), encode_sound_digests(done.sound)
    yield "metadata/findings.json", findings_document(findings)
    yield "metadata/archiving.json", _run_document(contents)


def _named(contents: Contents) -> list[tuple[ArchivedTake, str]]:
    names = safe_names([done.held.name for done in contents.takes])
    return list(zip(contents.takes, names, strict=True))


def _run_document(contents: Contents) -> bytes:
    return run_document(
        session=contents.session.identifier,
        version=contents.version,
        replaces=contents.replaces,
        made=contents.made,
        program=PROGRAM,
        python=f"{platform.python_implementation()} {platform.python_version()}",
        libraries=library_versions(),
        algorithms=contents.algorithms,
        masters=[
            Master(
                takes=tuple(take.id for take in done.held.takes),
                capture=done.held.file,
                file=done.stored.path,
                form=str(done.layout.form),
                data_offset_bytes=done.layout.data_offset_bytes,
                data_bytes=done.layout.data_bytes,
                frames=done.layout.frames,
                md5=done.sound.md5,
                moved_behind=done.layout.moved_behind,
            )
            for done in contents.takes
        ],
    )


def _readme(name: str, contents: Contents) -> bytes:
    present = {file.path.split("/")[1] for file in contents.payload}
    present.add(PurePosixPath(places.CRATE).name)
    return bag_readme.readme_text(
        bag_readme.ReadmeFacts(
            name=name,
            title=contents.session.title,
            organisation=contents.session.organisation.name,
            date=contents.made.strftime("%Y-%m-%d"),
            software=PROGRAM,
            algorithms=contents.algorithms,
            contents=[
                *((path, what) for path, what in _PAYLOAD if path.split("/")[1] in present),
                *(
                    (path, what)
                    for path, what in _METADATA
                    if contents.session.machines or not path.endswith("/lido")
                ),
            ],
            masters=[
                bag_readme.MasterFacts(
                    file=done.stored.path,
                    data_offset_bytes=done.sound.data_offset_bytes,
                    data_bytes=done.sound.data_bytes,
                    md5=done.sound.md5,
                    sound_record=sound_digests_path(take),
                )
                for done, take in _named(contents)
            ],
        )
    ).encode()


def _archive(contents: Contents) -> Archive:
    takes = {path: held.lead for held, path in contents.plan.masters}
    sources = {kept.path: kept.source for kept in contents.plan.kept}
    of_video = {take.file: take.id for take in contents.session.takes}
    files = tuple(
        FileFacts(
            path=file.path,
            size_bytes=file.size,
            digests=dict(file.digests),
            media_type=media_type_of(file.path),
            role=_ROLES[file.path.split("/")[1]],
            take=takes[file.path].id
            if file.path in takes
            else of_video.get(sources.get(file.path, "")),
            original_name=takes[file.path].file if file.path in takes else sources.get(file.path),
        )
        for file in contents.payload
    )
    return Archive(
        session=contents.session,
        files=files,
        masters=tuple(
            MasterFacts(
                take=take.id,
                path=done.stored.path,
                samples=done.measured.format,
                frames=done.layout.frames,
                samples_md5=done.sound.md5,
                levels=Levels.of(done.measured),
            )
            for done in contents.takes
            for take in done.held.takes
        ),
        run=RunFacts(
            program=NAME,
            version=__version__,
            archived=contents.when,
            bag_identifier=contents.identifier,
            libraries=tuple(
                Library(name=name, version=version) for name, version in library_versions().items()
            ),
            events=tuple(_events(contents)),
        ),
    )


def _events(contents: Contents) -> Iterator[RunEvent]:
    for done in contents.takes:
        take, path = done.take, (done.stored.path,)
        for each in done.held.takes:
            yield RunEvent(
                kind=EventKind.CAPTURE,
                when=(each.start or contents.session.start).moment.isoformat(),
                outcome=Outcome.SUCCESS,
                detail=f"{each.kind} captured as {each.file}",
                take=each.id,
                paths=path,
            )
        for kind, detail, note in (
            (EventKind.CREATION, "the samples of the capture were copied", "samples unchanged"),
            (EventKind.EMBEDDING, "bext, INFO, iXML, axml and MD5 were written", ""),
            (
                EventKind.DIGESTS,
                f"{', '.join(contents.algorithms)} of the file; MD5 and SHA-256 of its samples",
                f"MD5 of the samples {done.sound.md5}",
            ),
            (
                EventKind.FIXITY_CHECK,
                "the master was read back from the disk",
                "samples as captured",
            ),
        ):
            yield RunEvent(
                kind=kind,
                when=contents.when,
                outcome=Outcome.SUCCESS,
                detail=detail,
                outcome_note=note,
                take=take.id,
                paths=path,
            )
    yield RunEvent(
        kind=EventKind.VALIDATION,
        when=contents.when,
        outcome=Outcome.SUCCESS,
        detail="the sheet, the machine files and the captures were checked",
        outcome_note="what was found is listed in metadata/findings.json",
    )
    yield RunEvent(
        kind=EventKind.PACKAGING,
        when=contents.when,
        outcome=Outcome.SUCCESS,
        detail="the bag was written, read back and closed",
        paths=tuple(file.path for file in contents.payload),
    )
