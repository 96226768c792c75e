"""The tag files of a bag: records, institutions' documents and the read-me, in one place."""

from __future__ import annotations

import platform
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

from archiver.custody.sound import encode_sound_digests, sound_digests_path
from archiver.describe import places
from archiver.describe.baginfo import bag_info
from archiver.describe.documents import documents_of
from archiver.describe.places import DocumentKind
from archiver.describe.recorded import KeptFile, archive_of, measured_facts
from archiver.describe.run import FINDINGS, as_bytes, findings_document
from archiver.describe.runrecord import MasterRecord, PayloadRecord, RunRecord, encode_run
from archiver.describe.selfcheck import check_documents
from archiver.findings import Finding, in_order
from archiver.package import BagBuilder, StoredFile, safe_names
from archiver.package import readme as bag_readme
from archiver.package.version_record import VERSION_RECORD
from archiver.pages.page import PAGE
from archiver.pipeline.masters import ArchivedTake
from archiver.pipeline.page import MOTION, page_facts, page_for_bag, private_on_page
from archiver.pipeline.plan import RESTRICTED, Plan
from archiver.pipeline.public_part import PublicPart
from archiver.pipeline.run import PROGRAM, library_versions
from archiver.session.cautions import DEFERRING, cautions_of
from archiver.session.dating import date_machine, dating_as_json
from archiver.session.institution import Institution
from archiver.session.record_json import session_as_json
from archiver.session.records import Session
from archiver.signal.report import measurements_as_json

if TYPE_CHECKING:
    from archiver.signal.motion import Motion

__all__ = ["Contents", "describe", "record_findings"]

_MASTERS = "data/masters"
_PAYLOAD = (
    (_MASTERS, "one broadcast-wave file a take; the samples are those of the capture"),
    ("data/originals", "video captures as they came"),
    ("data/access", "copies for listening, made from the masters; not for preservation"),
    ("data/photographs", "pictures of the machines and of the session"),
    ("data/documents", "the session sheet, the machine files and other papers"),
    (RESTRICTED, "not public: the sheets as submitted, restricted papers, chunks of captures"),
    (places.CRATE, "the research object description (RO-Crate 1.2)"),
)
DATING = "metadata/dating.json"
_METADATA = (
    (PAGE, "all of it on one page, for any web browser; begin here"),
    ("metadata/session.json", "the record: each quantity as stated and in SI units"),
    ("metadata/measurements", "levels, loudness, noise and faults of each take"),
    (DATING, "what the evidence allows for the date of each machine"),
    (MOTION, "how fast and how steadily the machines turned, what came through, and wear"),
    ("metadata/sound", "digests of the samples of each take, second by second"),
    ("metadata/captures", "how each capture file was coded, and what it held besides its samples"),
    ("metadata/findings.json", "what the check had to say when this bag was made"),
    ("metadata/archiving.json", "when this bag was made, with what, and step by step how"),
    (VERSION_RECORD, "which bag this one replaces, and what of the payload has changed"),
    (places.PREMIS, "objects, events, agents and rights (PREMIS 3.0)"),
    (places.METS, "the structure of the whole (METS 1.12)"),
    (places.EBUCORE, "the recordings (EBUCore 1.10)"),
    (places.LIDO, "each machine (LIDO 1.1)"),
    (places.DUBLIN_CORE, "the session in short (Dublin Core)"),
    (places.DATACITE, "the session for a DOI (DataCite 4)"),
)
_STEPS = (
    "the sheet, the machine files and the captures were checked",
    "each capture was read once: its samples were copied, digested and measured",
    "metadata was written into each master; its samples were not changed",
    "each master was read back and digested, and the digests of its samples compared",
    "photographs, documents and video captures were copied and read back",
)
_COPIED = ("access copies were made from the same samples, at the same level",)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """Everything that went into the bag before its descriptions.

    ``replaces`` is the name of the bag before this one, empty for the first version;
    ``compared`` says whether the two were compared, and ``reason`` why there is a new version.
    """

    session: Session
    plan: Plan
    takes: tuple[ArchivedTake, ...]
    motion: Motion | None
    payload: tuple[StoredFile, ...]
    version: int
    replaces: str
    replaces_version: int | None
    compared: bool
    made: datetime
    algorithms: tuple[str, ...]
    institution: Institution
    public: PublicPart
    reason: str = ""

    @property
    def kinds(self) -> frozenset[DocumentKind]:
        """The descriptions to write: those that the institution asks for, or all."""
        asked = self.institution.documents
        return frozenset(map(DocumentKind, asked)) if asked else frozenset(DocumentKind)

    @property
    def restricted_left_out(self) -> bool:
        """Whether there was something restricted that is not in the bag."""
        public = self.public
        private = any(done.restricted_record is not None for done in self.takes)
        held_back = private or bool(public.sheets or public.documents)
        return held_back and not self.plan.has_restricted

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
            reason=self.reason,
            restricted=RESTRICTED if self.plan.has_restricted else "",
        )


def describe(
    bag: BagBuilder, contents: Contents, findings: Sequence[Finding]
) -> tuple[Finding, ...]:
    """Write every description into the bag, but for the record of the findings.

    Returns
    -------
    tuple of Finding
        Those given, and those on the documents.
    """
    run = _run_record(contents)
    measured = {done.stored.path: measurements_as_json(done.measured) for done in contents.takes}
    archive = archive_of(
        contents.session,
        run,
        {
            file.path: KeptFile(size_bytes=file.size, digests=dict(file.digests))
            for file in contents.payload
        },
        {path: measured_facts(document, path) for path, document in measured.items()},
    )
    documents = documents_of(archive, algorithms=contents.algorithms, kinds=contents.kinds)
    findings = in_order(
        dict.fromkeys((*findings, *check_documents(documents, archive, contents.public.secrets)))
    )
    motion = _motion(contents)
    recorded = [contents.public.secrets.removed(finding) for finding in findings]
    facts = page_facts(
        archive, run, measured=measured, motion=motion, findings=recorded, reason=contents.reason
    )
    page = page_for_bag(facts)
    private = private_on_page(page, contents.public.secrets)
    findings = in_order((*findings, *private))
    for document in documents:
        write = bag.write_payload if document.path.startswith("data/") else bag.write_tag
        write(document.path, document.content)
    for path, content in _records(contents, measured, motion):
        bag.write_tag(path, content)
    bag.write_tag(PAGE, page)
    bag.write_tag("metadata/archiving.json", encode_run(run))
    bag.write_tag("READ-ME.txt", _readme(bag.name, contents))
    return findings


def record_findings(
    bag: BagBuilder,
    contents: Contents,
    findings: Sequence[Finding],
    judged_for: Mapping[str, Any] | None = None,
) -> None:
    """Write what the check had to say, and what the institution had for which the bag is made."""
    recorded = [contents.public.secrets.removed(finding) for finding in findings]
    bag.write_tag(FINDINGS, findings_document(recorded, judged_for))


def _motion(contents: Contents) -> dict[str, Any] | None:
    if contents.motion is None or not contents.motion.takes:
        return None
    from archiver.signal.motion_json import motion_as_json  # noqa: PLC0415 - slow to load

    return motion_as_json(contents.motion)


def _records(
    contents: Contents,
    measured: Mapping[str, Mapping[str, Any]],
    motion: Mapping[str, Any] | None,
) -> Iterator[tuple[str, bytes]]:
    yield "metadata/session.json", as_bytes(session_as_json(contents.session))
    for done, name in _named(contents):
        yield f"metadata/captures/{name}.json", done.capture_record
        yield f"metadata/measurements/{name}.json", as_bytes(measured[done.stored.path])
        yield sound_digests_path(name), encode_sound_digests(done.sound)
    datings = [dating_as_json(d) for m in contents.session.machines if (d := date_machine(m))]
    if datings:
        yield DATING, as_bytes({"datings": datings})
    if motion is not None:
        yield MOTION, as_bytes(motion)


def _named(contents: Contents) -> list[tuple[ArchivedTake, str]]:
    names = safe_names([done.held.name for done in contents.takes])
    return list(zip(contents.takes, names, strict=True))


def _run_record(contents: Contents) -> RunRecord:
    return RunRecord(
        session=contents.session.identifier,
        version=contents.version,
        replaces=contents.replaces,
        replaces_version=contents.replaces_version,
        made=contents.when,
        program=PROGRAM,
        python=f"{platform.python_implementation()} {platform.python_version()}",
        libraries=library_versions(),
        algorithms=contents.algorithms,
        documents=tuple(kind for kind in DocumentKind if kind in contents.kinds),
        institution=contents.institution.name,
        serialisation=contents.institution.serialisation,
        restricted_left_out=contents.restricted_left_out,
        masters=tuple(
            MasterRecord(
                takes=tuple(take.id for take in done.held.takes),
                capture=done.held.file,
                file=done.stored.path,
                measurements=f"metadata/measurements/{name}.json",
                form=str(done.layout.form),
                data_offset_bytes=done.layout.data_offset_bytes,
                data_bytes=done.layout.data_bytes,
                frames=done.layout.frames,
                samples_md5=done.sound.md5,
                coding=done.coding,
                moved_behind=done.layout.moved_behind,
            )
            for done, name in _named(contents)
        ),
        payload=tuple(_payload(contents)),
        steps=tuple(_steps(contents)),
    )


def _steps(contents: Contents) -> Iterator[str]:
    yield from _STEPS[:2]
    for done in contents.takes:
        coding = done.coding
        if coding.is_decoded:
            kept = "samples unchanged" if coding.is_exact else "samples unchanged since decoding"
            yield f"the capture {done.held.file} was decoded by {coding.decoder}: {coding}; {kept}"
    yield from _STEPS[2:]
    if any(done.copies for done in contents.takes):
        yield from _COPIED


def _masters_line(contents: Contents, what: str) -> str:
    """Say of which takes the samples are not those of the recorder."""
    lossy = [done.held.name for done in contents.takes if not done.coding.is_exact]
    if not lossy:
        return what
    return (
        f"{what}, and where that is lossy ({', '.join(lossy)}) those that its decoder gave, "
        "unchanged"
    )


def _payload(contents: Contents) -> Iterator[PayloadRecord]:
    takes = {path: held.lead for held, path in contents.plan.masters}
    sources = {kept.path: kept.source for kept in contents.plan.kept}
    of_video = {take.file: take.id for take in contents.session.takes}
    masters = {
        copy.stored.path: done.stored.path for done in contents.takes for copy in done.copies
    }
    treatments = {
        copy.stored.path: copy.treatment
        for done in contents.takes
        for copy in done.copies
        if copy.treatment
    }
    for file in contents.payload:
        lead = takes.get(masters.get(file.path, file.path))
        source = sources.get(file.path)
        if file.path in takes:
            source = takes[file.path].file
        if file.path.startswith(f"{RESTRICTED}/"):
            source = None
        yield PayloadRecord(
            file=file.path,
            take=lead.id if lead is not None else of_video.get(source or ""),
            source=source,
            derived_from=masters.get(file.path),
            treatment=treatments.get(file.path),
        )


def _is_absent(path: str, contents: Contents) -> bool:
    if path == MOTION:
        return contents.motion is None or not contents.motion.takes
    if path == VERSION_RECORD:
        return not contents.compared
    if path == DATING:
        return not any(machine.evidence for machine in contents.session.machines)
    kind = places.kind_of(path)
    if kind is DocumentKind.LIDO and not contents.session.machines:
        return True
    return kind is not None and kind not in contents.kinds


def _readme(name: str, contents: Contents) -> bytes:
    present = {file.path.split("/")[1] for file in contents.payload}
    absent = {path for path, _ in (*_PAYLOAD, *_METADATA) if _is_absent(path, contents)}
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
                *(
                    (path, _masters_line(contents, what) if path == _MASTERS else what)
                    for path, what in _PAYLOAD
                    if path.split("/")[1] in present and path not in absent
                ),
                *((path, what) for path, what in _METADATA if path not in absent),
            ],
            cautions=[(one.subject, one.text) for one in cautions_of(contents.session)],
            deferring=DEFERRING,
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
