"""Archiving a session: check, masters, copies, descriptions, and the bag under its final name."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from archiver import files
from archiver.errors import InputError, MisuseError
from archiver.findings import Finding, in_order, stops_deposit
from archiver.package import BagBuilder, StoredFile, bytes_needed, versioned_name
from archiver.package.destination import lies_within
from archiver.pipeline.access_plan import LARGEST_COVER_BYTES, AccessPlan
from archiver.pipeline.check import CaptureFacts, CheckReport, look_over, require_folder, unusable
from archiver.pipeline.masters import ArchivedTake, write_master
from archiver.pipeline.measuring import Here, Meters
from archiver.pipeline.plan import Plan, bag_name, plan_for
from archiver.pipeline.profiles import find_profile, profile_files, without_its_files
from archiver.pipeline.public_part import PublicPart
from archiver.pipeline.run import moment
from archiver.pipeline.sound_twice import judge_sound_twice
from archiver.progress import Progress, Silent
from archiver.session.folder import look_into
from archiver.session.institution import INSTITUTION_FILE, Institution
from archiver.session.records import Session
from archiver.wave.accesskind import AccessKind

if TYPE_CHECKING:
    from archiver.pipeline.descriptions import Contents
    from archiver.pipeline.new_version import Earlier
    from archiver.signal.motion import Motion
    from archiver.signal.take import TakeMeasurements

__all__ = ["Archived", "archive_session", "plan_of"]

# What follows the sound needs these, and they take about as long to load as the rest.
_AFTERWARDS = (
    "archiver.signal.judgement",
    "archiver.pipeline.room_tone",
    "archiver.pipeline.descriptions",
)
_MOTION = ("archiver.pipeline.motion", "archiver.pipeline.speed_corrected")
# Far above what libsndfile makes of a second of sound in Opus at the quality that is set.
_OPUS_BYTES_A_SECOND = 24_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Archived:
    """What archiving came to; ``bag`` is None when findings stopped it.

    ``replaces`` is the name of the bag that a new version replaces, and ``replaced`` where it
    was found; empty and None for the first version, and None if it was not found.
    """

    bag: Path | None
    report: CheckReport
    findings: tuple[Finding, ...]
    takes: tuple[ArchivedTake, ...] = ()
    payload_bytes: int = 0
    version: int = 1
    replaces: str = ""
    replaced: Path | None = None


def archive_session(
    folder: Path,
    destination: Path,
    *,
    version: int | None = None,
    algorithms: Sequence[str] | None = None,
    access: Sequence[str] | None = None,
    profile: str | None = None,
    leave_out_restricted: bool = False,
    previous: Path | None = None,
    replaces: Path | None = None,
    reason: str = "",
    progress: Progress | None = None,
    meters: Meters | None = None,
    afterwards: Sequence[str] = (),
) -> Archived:
    """Archive a session folder as a bag.

    Parameters
    ----------
    folder : Path
        The session folder; nothing in it is changed.
    destination : Path
        Will hold the bag; made if it is missing.
    version : int, optional
        Version of the bag; above 1 it names what it replaces. By itself 1, or one more than
        that of the bag named with ``replaces``.
    algorithms : sequence of str, optional
        Digest algorithms of the manifests, beside those of the profile; SHA-256 if there
        are neither.
    access : sequence of str, optional
        Access copies to make, ``flac`` or ``opus``; else those of the profile, else none.
    profile : str, optional
        Institution profile, by file or name; else the one in the folder, if any.
    leave_out_restricted : bool
        Leave what is not public out of the bag; the profile may ask for it too.
    previous : Path, optional
        Bag or folder of the session before, to check what is carried forward.
    replaces : Path, optional
        The bag that a new version replaces, where it does not lie in the destination.
    reason : str
        Why there is a new version.
    progress : Progress, optional
        Told what is being done.
    meters : Meters, optional
        What measures the takes; by default this process.
    afterwards : sequence of str
        Modules that the caller wants when this is done, to be loaded on the way.

    Returns
    -------
    Archived
        With the bag, or with the findings that stopped it.

    Raises
    ------
    MisuseError
        The destination lies in the session folder, holds this bag already, there is no
        such profile or kind of copy, or the like.
    SurroundingsError
        The disk is full, fails, or may not be written.
    """
    progress = progress or Silent()
    now = moment()
    require_folder(folder)
    _refuse_inside(folder, destination)
    if reason and (version or 1) == 1 and replaces is None:
        raise MisuseError(
            "only a new version has a reason, and this would be the first",
            where="--reason",
            accepted="--version 2 or higher with it, or --replaces",
        )
    asked = find_profile(folder, profile)
    wanted = _wanted(
        asked.institution, algorithms, access, leave_out_restricted=leave_out_restricted
    )
    copies = AccessPlan(kinds=tuple(map(AccessKind, wanted.access)), folder=folder)
    report = look_over(folder, progress, to_the_end=False, previous=previous)
    public = report.public
    findings = in_order((*without_its_files(report.findings, asked), *asked.findings))
    if public is None or stops_deposit(findings):
        return Archived(bag=None, report=report, findings=findings)
    # From here on nothing but the public record is written.
    session = public.session
    plan = plan_of(report, public, wanted)
    sizes = [_master_bytes(facts) for facts in report.captures]
    sizes += [_copy_bytes(facts, kind) for facts in report.captures for kind in copies.kinds]
    sizes += [files.status(folder.joinpath(*kept.source.split("/"))).size for kept in plan.kept]
    base = bag_name(session, wanted.bag_name)
    found = [*findings, *plan.findings]
    version, earlier, plan = _earlier(
        destination, base, version, replaces, session, plan, report, found
    )
    name = versioned_name(base, version)
    reason = " ".join(reason.split())
    before = earlier.name if earlier is not None else _name_before(base, version)
    elements: Sequence[tuple[str, str]] = ()
    if asked.file:
        from archiver.pipeline.asked_fields import bag_elements  # noqa: PLC0415 - for a profile only
        from archiver.pipeline.fitness import foreseen  # noqa: PLC0415 - for a profile only

        elements = bag_elements(
            session,
            asked,
            made=now,
            name=name,
            version=version,
            replaces=before,
            reason=reason,
            plan=plan,
        )
        found += foreseen(asked, elements, plan.foreseen)
        if stops_deposit(found):
            return Archived(bag=None, report=report, findings=in_order(dict.fromkeys(found)))
    with BagBuilder(
        destination,
        name,
        wanted.digests,
        needed_bytes=bytes_needed(sizes),
        on_bytes=progress.advance,
    ) as bag:
        takes = _masters(
            bag, report, public, plan, copies, now, progress, found, meters or Here(), afterwards
        )
        findings = in_order(dict.fromkeys(found))
        if stops_deposit(findings):
            return Archived(bag=None, report=report, findings=findings)
        motion, takes, met = _motion(bag, session, folder, takes, progress)
        findings = in_order(dict.fromkeys((*found, *met)))
        payload = [done.stored for done in takes]
        payload += [copy.stored for done in takes for copy in done.copies]
        payload += _copied(bag, folder, plan, public, progress)
        payload += [
            bag.write_payload(plan.held_back[done.stored.path], done.restricted_record)
            for done in takes
            if done.restricted_record is not None and done.stored.path in plan.held_back
        ]
        progress.step("describing and sealing", 0)
        # Slow to load.
        from archiver.pipeline.descriptions import (  # noqa: PLC0415
            Contents,
            describe,
            record_findings,
        )

        contents = Contents(
            session=session,
            plan=plan,
            takes=takes,
            motion=motion,
            payload=tuple(payload),
            version=version,
            replaces=before,
            replaces_version=_version_before(earlier, version),
            compared=earlier is not None,
            made=now,
            algorithms=bag.algorithms,
            institution=wanted,
            public=public,
            reason=reason,
        )
        findings = describe(bag, contents, findings)
        if stops_deposit(findings):
            return Archived(bag=None, report=report, findings=findings)
        if earlier is not None:
            _compare(bag, earlier, contents)
        on_session, judged_for = findings, None
        if asked.file:
            from archiver.pipeline.fitness import fit_before_sealing  # noqa: PLC0415 - as above
            from archiver.pipeline.judged_for import judged_by  # noqa: PLC0415 - as above

            fitness = fit_before_sealing(
                asked,
                session,
                name=name,
                elements=elements,
                stored=bag.stored,
                algorithms=bag.algorithms,
            )
            findings = in_order(dict.fromkeys((*findings, *fitness.findings)))
            if stops_deposit(findings):
                return Archived(bag=None, report=report, findings=findings)
            judged_for = judged_by(asked, fitness, public.secrets)
        record_findings(bag, contents, on_session, judged_for)
        place = bag.seal(elements or contents.bag_info())
    return Archived(
        bag=place,
        report=report,
        findings=findings,
        takes=takes,
        payload_bytes=sum(file.size for file in payload),
        version=version,
        replaces=before,
        replaced=None if earlier is None else earlier.path,
    )


def _version_before(earlier: Earlier | None, version: int) -> int | None:
    if earlier is not None:
        return earlier.version
    return version - 1 if version > 1 else None


def _name_before(base: str, version: int) -> str:
    return versioned_name(base, version - 1) if version > 1 else ""


def _earlier(
    destination: Path,
    base: str,
    version: int | None,
    replaces: Path | None,
    session: Session,
    plan: Plan,
    report: CheckReport,
    found: list[Finding],
) -> tuple[int, Earlier | None, Plan]:
    """Find the bag that this one replaces, and which masters can stay as they are in it."""
    if (version or 1) == 1 and replaces is None:
        return 1, None, plan
    from archiver.pipeline.new_version import described_on, find_earlier  # noqa: PLC0415 - rare

    version, earlier, met = find_earlier(destination, base, version, session.identifier, replaces)
    found += met
    if earlier is not None:
        days = described_on(earlier, session, plan, report.captures)
        plan = dataclasses.replace(plan, described=days)
    return version, earlier, plan


def _compare(bag: BagBuilder, earlier: Earlier, contents: Contents) -> None:
    """Record what of the payload is as in the bag that is replaced, and what is not."""
    from archiver.package.version_record import VERSION_RECORD  # noqa: PLC0415 - rare
    from archiver.pipeline.new_version import version_document  # noqa: PLC0415 - rare

    document = version_document(
        earlier,
        bag=bag.name,
        version=contents.version,
        session=contents.session.identifier,
        payload=[file for file in bag.stored if file.path.startswith("data/")],
        algorithms=bag.algorithms,
        samples_md5=[(done.stored.path, done.sound.md5) for done in contents.takes],
        reason=contents.reason,
    )
    bag.write_tag(VERSION_RECORD, document)


def _motion(
    bag: BagBuilder,
    session: Session,
    folder: Path,
    takes: tuple[ArchivedTake, ...],
    progress: Progress,
) -> tuple[Motion | None, tuple[ArchivedTake, ...], tuple[Finding, ...]]:
    """Measure motion and make corrected copies, where a machine turns or a tone is stated."""
    if not _moves(session):
        return None, takes, ()
    # The libraries behind these take half a second to load; other sessions do without.
    from archiver.pipeline.motion import motion_of  # noqa: PLC0415
    from archiver.pipeline.speed_corrected import with_corrected_copies  # noqa: PLC0415

    motion = motion_of(folder, session, progress=progress)
    takes, met = with_corrected_copies(bag, session, folder, takes, motion, progress=progress)
    return motion, takes, (*motion.findings, *met)


def _moves(session: Session) -> bool:
    kinds = (take.kind for take in session.takes)
    return any(kind.records or kind.plays for kind in kinds) or any(
        take.tone for take in session.takes
    )


def _masters(
    bag: BagBuilder,
    report: CheckReport,
    public: PublicPart,
    plan: Plan,
    copies: AccessPlan,
    made: datetime,
    progress: Progress,
    found: list[Finding],
    meters: Meters,
    afterwards: Sequence[str],
) -> tuple[ArchivedTake, ...]:
    """Write the master of every take; one whose sound breaks off becomes a finding."""
    # Loading is only gained where this process would otherwise wait for another.
    session = public.session
    loading: tuple[str, ...] = ()
    if not isinstance(meters, Here):
        loading = (*_AFTERWARDS, *(_MOTION if _moves(session) else ()), *afterwards)
    done: list[ArchivedTake] = []
    for held, path in plan.masters:
        source = report.folder.joinpath(*held.file.split("/"))
        try:
            archived = write_master(
                bag,
                session,
                held,
                source=source,
                path=path,
                made=plan.described.get(path, made),
                secrets=public.secrets,
                progress=progress,
                access=copies,
                meters=meters,
                loading=loading,
            )
        except InputError as error:
            found.append(unusable(session, held.lead, error))
            break
        loading = ()
        done.append(archived)
        found += archived.findings
    chains: dict[str, list[tuple[str, TakeMeasurements]]] = {}
    for archived in done:
        chain = session.chain_of(archived.take)
        pair = (archived.take.file, archived.measured)
        chains.setdefault(chain.id if chain else "", []).append(pair)
    from archiver.pipeline import room_tone  # noqa: PLC0415 - slow to load
    from archiver.signal.judgement import judge_session  # noqa: PLC0415 - slow to load

    for takes in chains.values():
        found += judge_session(takes)
    found += judge_sound_twice(session, ((one.held, one.sound) for one in done))
    heard = [room_tone.Heard(archived.held, archived.measured) for archived in done]
    found += room_tone.judge_room_tone(session, heard)
    return room_tone.against_room_tone(session, done)


def _copied(
    bag: BagBuilder, folder: Path, plan: Plan, public: PublicPart, progress: Progress
) -> tuple[StoredFile, ...]:
    """Copy videos, photographs and documents; of some sheets the public copy is written."""
    sources = [folder.joinpath(*kept.source.split("/")) for kept in plan.kept]
    progress.step("copying files", sum(files.status(source).size for source in sources))
    sealed = set(plan.restricted)
    return tuple(
        bag.write_payload(kept.path, public.sheets[kept.source])
        if kept.source in public.sheets and kept not in sealed
        else bag.copy(source, kept.path)
        for source, kept in zip(sources, plan.kept, strict=True)
    )


def _refuse_inside(folder: Path, destination: Path) -> None:
    if not lies_within(destination, folder):
        return
    raise MisuseError(
        "the destination lies inside the session folder",
        where=str(destination),
        accepted="a folder beside the session or elsewhere",
        remedy="Choose another destination with --to: nothing in a session folder is changed",
    )


def _master_bytes(facts: CaptureFacts) -> int:
    """Estimate the size of a master: its samples and a generous header."""
    header = 1 << 16
    if facts.frames is None:
        # Lossy sound unpacks; ten times its file is more than any track of a video takes.
        return header + 10 * facts.size_bytes
    return header + facts.frames * facts.sample_format.frame_bytes


def _copy_bytes(facts: CaptureFacts, kind: AccessKind) -> int:
    """Estimate the size of an access copy from above."""
    samples = facts.sample_format
    if kind is AccessKind.FLAC or facts.frames is None:
        return _master_bytes(facts)
    seconds = facts.frames // samples.sample_rate_hz + 1
    return LARGEST_COVER_BYTES + seconds * samples.channels * _OPUS_BYTES_A_SECOND


def _wanted(
    institution: Institution,
    algorithms: Sequence[str] | None,
    access: Sequence[str] | None,
    *,
    leave_out_restricted: bool,
) -> Institution:
    """Let what is asked for in so many words go before the profile.

    Digests are added instead: the institution refuses a bag without those that it asks for.
    """
    copies = tuple(dict.fromkeys(access)) if access is not None else institution.access
    for kind in copies:
        if kind not in set(AccessKind):
            raise MisuseError(
                f"there is no access copy of the kind {kind!r}", accepted=", ".join(AccessKind)
            )
    return dataclasses.replace(
        institution,
        digests=tuple(dict.fromkeys((*(algorithms or ()), *institution.digests))) or ("sha256",),
        access=copies,
        leave_out_restricted=institution.leave_out_restricted or leave_out_restricted,
    )


def plan_of(report: CheckReport, public: PublicPart, wanted: Institution) -> Plan:
    """Lay out the payload of a session that was checked, as an institution wants it."""
    session = public.session
    left_out = wanted.leave_out_restricted
    seen = look_into(report.folder).paths
    beside = profile_files(wanted) if INSTITUTION_FILE in seen else ()

    def all_of(name: str, named: Sequence[str]) -> tuple[str, ...]:
        return tuple(dict.fromkeys((*named, *(p for p in seen if p.startswith(f"{name}/")))))

    pictures = [p.file for p in session.photographs]
    for machine in session.machines:
        pictures += [p.file for p in machine.photographs]
    return plan_for(
        session,
        kept_takes=frozenset(f.takes[0] for f in report.captures if f.keeps_original),
        sheet_files=(
            report.loaded.sheet_file,
            *report.loaded.machine_files,
            *report.loaded.type_files,
            *(path for path in seen if path in beside),
        ),
        photographs=all_of("photographs", pictures),
        documents=[
            path
            for path in all_of("documents", [d.file for d in session.documents])
            if path not in public.documents
        ],
        sealed_sheets=() if left_out else tuple(public.sheets),
        sealed_documents=() if left_out else public.documents,
        holding_back=frozenset(
            () if left_out else (f.takes[0] for f in report.captures if f.holds_back)
        ),
        file_name=wanted.file_name,
    )
