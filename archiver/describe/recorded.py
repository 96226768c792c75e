"""The facts that the documents are made from, out of the records that a bag keeps.

The bag is described from these records when it is made, and from the same ones when a
document is made again later: so both give the same bytes.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

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
from archiver.describe.runrecord import MasterRecord, PayloadRecord, RunRecord
from archiver.errors import InputError
from archiver.session.records import Session
from archiver.signal.sampleformat import SampleFormat
from archiver.wave.coding import Fidelity

__all__ = ["KeptFile", "MeasuredFacts", "archive_of", "bag_identifier", "measured_facts"]

_ROLES = {
    "masters": FileRole.MASTER,
    "originals": FileRole.ORIGINAL,
    "access": FileRole.ACCESS,
    "photographs": FileRole.PHOTOGRAPH,
    "restricted": FileRole.RESTRICTED,
}
_COPIES = {
    "audio/flac": "a FLAC copy was made; it decodes to the samples of the master",
    "audio/ogg": "an Opus copy was made; the level of its samples was not changed",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptFile:
    """A file of the bag: bytes, and lower-case hexadecimal digests by algorithm."""

    size_bytes: int
    digests: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredFacts:
    """What the documents say of the sound of a master."""

    samples: SampleFormat
    levels: Levels


def measured_facts(document: Mapping[str, Any], where: str) -> MeasuredFacts:
    """Take the facts from a document of ``schemas/measurement.schema.json``.

    Parameters
    ----------
    document : mapping
        As :func:`archiver.signal.report.measurements_as_json` makes it.
    where : str
        Its path in the bag, for the error.

    Raises
    ------
    InputError
        It is no such document.
    """
    try:
        samples, loudness = document["sample_format"], document["loudness"]
        return MeasuredFacts(
            samples=SampleFormat(**samples),
            levels=Levels(
                integrated_lufs=_figure(loudness["integrated_lufs"]),
                range_lu=_figure(loudness["range_lu"]),
                true_peak_dbtp=_figure(document["true_peak_dbtp"]),
                max_momentary_lufs=_figure(loudness["max_momentary_lufs"]),
                max_short_term_lufs=_figure(loudness["max_short_term_lufs"]),
            ),
        )
    except (KeyError, TypeError, ValueError, InputError) as error:
        raise InputError(
            f"is no report of measurements ({error})",
            where=where,
            accepted="a document of measurement.schema.json",
            remedy="The report was changed after it was written, or by another version",
        ) from error


def _figure(value: Any) -> float | None:
    return None if value is None else float(value)


def bag_identifier(session: Session, version: int) -> str:
    """URN of a bag: the same for the same session and version, wherever it is made."""
    organisation = session.organisation
    name = f"{organisation.country}/{organisation.code}/{session.identifier}"
    return uuid.uuid5(uuid.NAMESPACE_URL, f"{name}/v{version}").urn


def archive_of(
    session: Session,
    run: RunRecord,
    kept: Mapping[str, KeptFile],
    measured: Mapping[str, MeasuredFacts],
) -> Archive:
    """Put the facts together.

    Parameters
    ----------
    session : Session
        As it is recorded in the bag.
    run : RunRecord
    kept : mapping of str to KeptFile
        By path in the bag; holds every payload file of the run.
    measured : mapping of str to MeasuredFacts
        By path of the master.

    Raises
    ------
    InputError
        A file of the run is not among those kept, or a master was not measured.
    """
    program, _, version = run.program.rpartition(" ")
    return Archive(
        session=session,
        files=tuple(_file(one, kept) for one in run.payload),
        masters=tuple(
            MasterFacts(
                take=take,
                path=master.file,
                samples=_found(measured, master.file).samples,
                frames=master.frames,
                samples_md5=master.samples_md5,
                levels=_found(measured, master.file).levels,
                coding=master.coding,
            )
            for master in run.masters
            for take in master.takes
        ),
        run=RunFacts(
            program=program,
            version=version,
            archived=run.made,
            bag_identifier=bag_identifier(session, run.version),
            replaced_identifier=(
                bag_identifier(session, run.replaces_version) if run.replaces_version else ""
            ),
            libraries=tuple(
                Library(name=name, version=version)
                for name, version in sorted(run.libraries.items())
            ),
            events=tuple(_events(run)),
        ),
    )


def _found(measured: Mapping[str, MeasuredFacts], path: str) -> MeasuredFacts:
    if path not in measured:
        raise InputError("no measurements of this master are recorded", where=path)
    return measured[path]


def _file(one: PayloadRecord, kept: Mapping[str, KeptFile]) -> FileFacts:
    facts = kept.get(one.file)
    if facts is None:
        raise InputError("the record of the run names a file that is not there", where=one.file)
    return FileFacts(
        path=one.file,
        size_bytes=facts.size_bytes,
        digests=dict(facts.digests),
        media_type=media_type_of(one.file),
        role=_ROLES.get(one.file.split("/")[1], FileRole.DOCUMENT),
        take=one.take,
        original_name=one.source,
        derived_from=one.derived_from,
        treatment=one.treatment,
    )


def _events(run: RunRecord) -> Iterator[RunEvent]:
    copies: dict[str, list[PayloadRecord]] = {}
    for one in run.payload:
        if one.derived_from is not None:
            copies.setdefault(one.derived_from, []).append(one)
    for master in run.masters:
        yield from _of_master(run, master)
        for one in copies.get(master.file, ()):
            yield RunEvent(
                kind=EventKind.ACCESS_COPY,
                when=run.made,
                outcome=Outcome.SUCCESS,
                detail=_detail(one),
                outcome_note=f"made from {master.file}",
                take=master.takes[0],
                paths=(one.file,),
            )
    yield RunEvent(
        kind=EventKind.VALIDATION,
        when=run.made,
        outcome=Outcome.SUCCESS,
        detail="the sheet, the machine files and the captures were checked",
        outcome_note="what was found is listed in metadata/findings.json",
    )
    yield RunEvent(
        kind=EventKind.PACKAGING,
        when=run.made,
        outcome=Outcome.SUCCESS,
        detail="the bag was written, read back and closed",
        paths=tuple(one.file for one in run.payload),
    )


def _detail(copy: PayloadRecord) -> str:
    if copy.treatment is not None:
        return f"a copy for listening was made, {copy.treatment}; its samples are not the master's"
    return _COPIES.get(media_type_of(copy.file), "an access copy was made")


def _is_exact(master: MasterRecord) -> bool:
    return master.coding is None or master.coding.is_exact


def _making(master: MasterRecord) -> tuple[str, str]:
    """Say how the samples came into a master, and what that changed."""
    coding = master.coding
    if coding is None or not coding.is_decoded:
        return "the samples of the capture were copied", "samples unchanged"
    if coding.fidelity is Fidelity.LINEAR:
        done = f"the linear samples were taken out of {coding.container} by {coding.decoder}"
        return done, "samples unchanged"
    done = f"the sound of the capture, {coding}, was decoded by {coding.decoder}"
    if coding.is_exact:
        return done, "decoded without loss; samples unchanged"
    return done, (
        "decoded samples unchanged since decoding; what the coding of the capture left out is "
        "not in them"
    )


def _of_master(run: RunRecord, master: MasterRecord) -> Iterator[RunEvent]:
    for kind, detail, note in (
        (EventKind.CREATION, *_making(master)),
        (EventKind.EMBEDDING, "bext, INFO, iXML, axml and MD5 were written", ""),
        (
            EventKind.DIGESTS,
            f"{', '.join(run.algorithms)} of the file; MD5 and SHA-256 of its samples",
            f"MD5 of the samples {master.samples_md5}",
        ),
        (
            EventKind.FIXITY_CHECK,
            "the master was read back from the disk",
            "samples as captured" if _is_exact(master) else "samples as decoded",
        ),
    ):
        yield RunEvent(
            kind=kind,
            when=run.made,
            outcome=Outcome.SUCCESS,
            detail=detail,
            outcome_note=note,
            take=master.takes[0],
            paths=(master.file,),
        )
