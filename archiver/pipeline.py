"""The whole order: from a session folder to a verified bag, and back to a verdict.

The only module that knows all rooms. It decides what happens when; the rooms know how.
"""

from __future__ import annotations

import dataclasses
import os
import platform
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import TYPE_CHECKING

from archiver import __version__, files
from archiver.errors import ArchiverError, InputError, IntegrityError, MisuseError
from archiver.findings import Finding, Rule, Severity, in_order, stops_deposit
from archiver.progress import Progress, Silent

if TYPE_CHECKING:
    from archiver.custody.sound import SoundDigests
    from archiver.custody.verify import Verification
    from archiver.package import BagBuilder, StoredFile
    from archiver.plan import Plan
    from archiver.session.load import Loaded
    from archiver.session.records import Session, Take
    from archiver.signal.sampleformat import SampleFormat
    from archiver.signal.take import TakeMeasurements
    from archiver.wave.capture import Capture
    from archiver.wave.master import MasterChunks, MasterLayout

__all__ = [
    "Archived",
    "CaptureFacts",
    "CheckReport",
    "NewSession",
    "VerifiedBag",
    "archive_session",
    "check_session",
    "new_session",
    "verify_bags",
]

PROGRAM = f"archiver {__version__}"

LIBRARIES = ("av", "lxml", "numpy", "ruamel.yaml", "scipy", "soundfile", "soxr")
"""Libraries that touch sound or text here; the run record names their versions."""

CONTENTS = (
    ("data/masters", "one broadcast-wave file a take; the samples are those of the capture"),
    ("data/originals", "video captures as they came"),
    ("data/photographs", "pictures of the machines and of the session"),
    ("data/documents", "the session sheet and the machine files as submitted, and other papers"),
)
METADATA_CONTENTS = (
    ("metadata/session.json", "the record: each quantity as stated and in SI units"),
    ("metadata/measurements", "levels and loudness of each take"),
    ("metadata/sound", "digests of the samples of each take, second by second"),
    ("metadata/captures", "what each capture file held besides its samples"),
    ("metadata/findings.json", "what the check had to say when this bag was made"),
    ("metadata/archiving.json", "when this bag was made, with what, and step by step how"),
)

CAPTURE_UNUSABLE = Rule(
    code="capture-unusable",
    severity=Severity.ERROR,
    reason="A take without readable sound cannot be archived.",
    remedy="Hand in the file as the recorder wrote it, or take the take out of the sheet.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFacts:
    """What a capture file holds, as far as its header or its decoder says.

    ``frames`` is None where only decoding to the end can tell.
    """

    take: str
    file: str
    kind: str
    sample_format: SampleFormat
    frames: int | None
    size_bytes: int
    is_video: bool

    @property
    def duration_s(self) -> float | None:
        """Length of the sound, if it is known."""
        return None if self.frames is None else self.frames / self.sample_format.sample_rate_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """What the check of a session folder found; ``session`` is None if it cannot be read."""

    folder: Path
    loaded: Loaded
    captures: tuple[CaptureFacts, ...]
    findings: tuple[Finding, ...]

    @property
    def session(self) -> Session | None:
        """The record of the sheet."""
        return self.loaded.session


@dataclass(frozen=True, slots=True, kw_only=True)
class NewSession:
    """A session folder that was laid out."""

    folder: Path
    files: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchivedTake:
    """One master in the bag."""

    take: Take
    stored: StoredFile
    layout: MasterLayout
    sound: SoundDigests
    measured: TakeMeasurements


@dataclass(frozen=True, slots=True, kw_only=True)
class Archived:
    """What archiving came to; ``bag`` is None when findings stopped it."""

    bag: Path | None
    report: CheckReport
    findings: tuple[Finding, ...]
    takes: tuple[ArchivedTake, ...] = ()
    payload_bytes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifiedBag:
    """The verdict on one bag, or why there is none."""

    bag: Path
    verification: Verification | None = None
    error: ArchiverError | None = None

    @property
    def exit_status(self) -> int:
        """Exit status of this bag alone."""
        if self.error is not None:
            return self.error.exit_status
        return 0 if self.verification is not None and self.verification.intact else 3


def new_session(folder: Path) -> NewSession:
    """Lay out a session folder with a commented template.

    Raises
    ------
    MisuseError
        The folder exists and is not empty.
    """
    from archiver.session.template import template_files

    if files.exists(folder):
        if not files.status(files.resolved(folder)).is_directory:
            raise MisuseError("is not a folder", where=str(folder), accepted="a new folder")
        if files.entries(folder):
            raise MisuseError(
                "the folder is not empty",
                where=str(folder),
                accepted="a folder that does not exist yet, or an empty one",
                remedy="Choose another name",
            )
    laid_out = template_files()
    for name in ("machines", "takes", "photographs", "documents"):
        files.make_directory(folder / name)
    for name, text in laid_out.items():
        place = folder.joinpath(*name.split("/"))
        files.make_directory(place.parent)
        files.write_whole(place, text.encode())
    return NewSession(folder=folder, files=tuple(sorted(laid_out)))


def check_session(folder: Path, *, progress: Progress | None = None) -> CheckReport:
    """Check a session folder: the sheet, the takes to their last sample, the photographs.

    Raises
    ------
    MisuseError
        There is no such folder.
    """
    return _check(folder, progress or Silent(), to_the_end=True)


def _check(folder: Path, progress: Progress, *, to_the_end: bool) -> CheckReport:
    from archiver.describe.agreement import disagreements
    from archiver.session.load import load_session
    from archiver.session.take_order import check_durations
    from archiver.wave.capture import open_capture

    _require_folder(folder)
    loaded = load_session(folder)
    found = list(loaded.findings)
    captures: list[CaptureFacts] = []
    if loaded.session is not None:
        sizes = _sizes(folder, loaded.session)
        progress.step("checking takes", sum(sizes.values()))
        for take in loaded.session.takes:
            if take.file not in sizes:
                continue
            try:
                with open_capture(folder.joinpath(*take.file.split("/")), take.file) as capture:
                    found += capture.examine() if to_the_end else capture.findings
                    facts = _facts(take, capture, sizes[take.file])
            except ArchiverError as error:
                found.append(_unusable(loaded.session, take, error))
            else:
                captures.append(facts)
                found += disagreements(
                    loaded.session,
                    take,
                    facts.sample_format,
                    container_only=facts.is_video,
                )
            progress.advance(sizes[take.file])
        durations = {facts.take: s for facts in captures if (s := facts.duration_s) is not None}
        found += check_durations(loaded.session, durations)
    return CheckReport(
        folder=folder,
        loaded=loaded,
        captures=tuple(captures),
        findings=in_order(dict.fromkeys(found)),
    )


def _require_folder(folder: Path) -> None:
    if not files.exists(folder) or not files.status(files.resolved(folder)).is_directory:
        raise MisuseError(
            "there is no such folder",
            where=str(folder),
            accepted="a session folder, with session.yaml in it",
            remedy="Make one with `archiver new`",
        )


def _sizes(folder: Path, session: Session) -> dict[str, int]:
    """Return the size of each capture that is there; what is not there has its own finding."""
    sizes: dict[str, int] = {}
    for take in session.takes:
        try:
            found = files.status(folder.joinpath(*take.file.split("/")))
        except ArchiverError:
            continue
        if found.is_file:
            sizes[take.file] = found.size
    return sizes


def _facts(take: Take, capture: Capture, size: int) -> CaptureFacts:
    return CaptureFacts(
        take=take.id,
        file=take.file,
        kind=str(capture.kind),
        sample_format=capture.sample_format,
        frames=_frames(capture),
        size_bytes=size,
        is_video=capture.is_video,
    )


def _frames(capture: Capture) -> int | None:
    return capture.declared_frames if capture.frames is None else capture.frames


def _unusable(session: Session, take: Take, error: ArchiverError) -> Finding:
    where = session.locate(f"{take.at}.file")
    message = f"{take.file} cannot be used: {error.found}"
    return CAPTURE_UNUSABLE.at(where, message, accepted=error.accepted, remedy=error.remedy or None)


def moment() -> datetime:
    """Return the time of the run, in UTC; ``SOURCE_DATE_EPOCH`` pins it.

    Source: reproducible-builds.org, specification of SOURCE_DATE_EPOCH.
    """
    pinned = os.environ.get("SOURCE_DATE_EPOCH", "")
    if not pinned:
        return datetime.now(UTC)
    if not pinned.isascii() or not pinned.isdecimal() or len(pinned) > 11:
        raise MisuseError(
            f"SOURCE_DATE_EPOCH is {pinned!r}",
            accepted="seconds since 1970-01-01, digits only",
            remedy="Correct or unset this environment variable",
        )
    return datetime.fromtimestamp(int(pinned), UTC)


def archive_session(
    folder: Path,
    destination: Path,
    *,
    version: int = 1,
    algorithms: Sequence[str] = ("sha256",),
    progress: Progress | None = None,
) -> Archived:
    """Archive a session folder as a bag.

    Parameters
    ----------
    folder : Path
        The session folder; nothing in it is changed.
    destination : Path
        Will hold the bag; made if it is missing.
    version : int
        Version of the bag; above 1 it names what it replaces.
    algorithms : sequence of str
        Digest algorithms of the manifests.
    progress : Progress, optional
        Told what is being done.

    Returns
    -------
    Archived
        With the bag, or with the findings that stopped it.

    Raises
    ------
    MisuseError
        The destination lies in the session folder, holds this bag already, or the like.
    SurroundingsError
        The disk is full, fails, or may not be written.
    """
    from archiver.package import BagBuilder, bytes_needed, versioned_name

    progress = progress or Silent()
    now = moment()
    _require_folder(folder)
    _refuse_inside(folder, destination)
    report = _check(folder, progress, to_the_end=False)
    session = report.session
    if session is None or stops_deposit(report.findings):
        return Archived(bag=None, report=report, findings=report.findings)
    plan = _plan(report, session)
    sizes = [_master_bytes(facts) for facts in report.captures]
    sizes += [files.status(folder.joinpath(*kept.source.split("/"))).size for kept in plan.kept]
    name = versioned_name(session.identifier, version)
    job = _Job(folder=folder, report=report, session=session, plan=plan, progress=progress, now=now)
    with BagBuilder(
        destination, name, algorithms, needed_bytes=bytes_needed(sizes), on_bytes=progress.advance
    ) as bag:
        takes = job.write_masters(bag)
        findings = in_order(dict.fromkeys((*report.findings, *plan.findings, *job.findings)))
        if stops_deposit(findings):
            return Archived(bag=None, report=report, findings=findings)
        job.copy_kept(bag)
        progress.step("sealing", 0)
        place = job.seal(bag, takes, findings, version=version)
    payload = sum(file.size for file in job.payload)
    return Archived(bag=place, report=report, findings=findings, takes=takes, payload_bytes=payload)


def _refuse_inside(folder: Path, destination: Path) -> None:
    place = destination
    while not files.exists(place) and place != place.parent:
        place = place.parent
    real = files.resolved(place) / destination.relative_to(place)
    session = files.resolved(folder)
    if real != session and session not in real.parents:
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


def _plan(report: CheckReport, session: Session) -> Plan:
    from archiver.plan import plan_for
    from archiver.session.folder import look_into

    seen = look_into(report.folder).paths

    def all_of(name: str, named: Sequence[str]) -> tuple[str, ...]:
        return tuple(dict.fromkeys((*named, *(p for p in seen if p.startswith(f"{name}/")))))

    pictures = [p.file for p in session.photographs]
    for machine in session.machines:
        pictures += [p.file for p in machine.photographs]
    return plan_for(
        session,
        video_takes=frozenset(facts.take for facts in report.captures if facts.is_video),
        sheet_files=(report.loaded.sheet_file, *report.loaded.machine_files),
        photographs=all_of("photographs", pictures),
        documents=all_of("documents", [d.file for d in session.documents]),
    )


class _Job:
    """One run of archiving: what is shared by its steps."""

    def __init__(
        self,
        *,
        folder: Path,
        report: CheckReport,
        session: Session,
        plan: Plan,
        progress: Progress,
        now: datetime,
    ) -> None:
        self.folder = folder
        self.report = report
        self.session = session
        self.plan = plan
        self.progress = progress
        self.now = now
        self.findings: list[Finding] = []
        self.payload: list[StoredFile] = []
        self.capture_records: dict[str, bytes] = {}
        self._facts = {facts.take: facts for facts in report.captures}

    def write_masters(self, bag: BagBuilder) -> tuple[ArchivedTake, ...]:
        """Write the master of every take; one whose sound breaks off becomes a finding."""
        done: list[ArchivedTake] = []
        for take, path in self.plan.masters:
            try:
                done.append(self._master(bag, take, path))
            except InputError as error:
                self.findings.append(_unusable(self.session, take, error))
                break
        return tuple(done)

    def _master(self, bag: BagBuilder, take: Take, path: str) -> ArchivedTake:
        from archiver.custody.sound import BlockDigester, SpanDigester
        from archiver.describe.captures import capture_record
        from archiver.describe.embedded import loudness_of
        from archiver.package import unchanged
        from archiver.signal.loudness import channel_weights
        from archiver.signal.stream import run_pass
        from archiver.signal.take import TakeMeter
        from archiver.wave.capture import open_capture
        from archiver.wave.carry import carry, check_md5
        from archiver.wave.master import MasterWriter

        source = self.folder.joinpath(*take.file.split("/"))
        with unchanged(source) as before, open_capture(source, take.file) as capture:
            samples = capture.sample_format
            self.progress.step(f"take {take.id}", capture.data_bytes or before.size)
            ours = self._ours(take, capture, path)
            draft = carry(capture.existing, ours, take.file).chunks
            meanings = self.session.channels_of(take)
            weights = channel_weights(meanings) if len(meanings) == samples.channels else None
            meter = TakeMeter(samples, weights)
            digester = BlockDigester(samples)
            with bag.create(path) as file:
                writer = MasterWriter(file, draft, capture.data_bytes)
                run_pass(
                    capture.blocks(),
                    (digester.feed, writer.write, *meter.consumers()),
                    self.progress.advance,
                )
                measured = meter.result()
                digest = bytes.fromhex(digester.md5)
                bext = dataclasses.replace(ours.bext, loudness=loudness_of(measured))
                carried = carry(
                    capture.existing,
                    dataclasses.replace(ours, bext=bext, md5=digest),
                    take.file,
                )
                layout = writer.finish(carried.chunks)
            self.findings += (*capture.findings, *carried.findings)
            wrong = check_md5(capture.existing, digest, take.file)
            self.findings += () if wrong is None else (wrong,)
            self.capture_records[take.id] = capture_record(take, capture, before.size)
        confirmed = BlockDigester(samples, md5=False)
        span = SpanDigester(
            digester=confirmed,
            offset_bytes=layout.data_offset_bytes,
            length_bytes=layout.data_bytes,
        )
        stored = bag.adopt(path, also=(span.feed,))
        sound = digester.result(
            file=path, file_bytes=layout.file_bytes, data_offset_bytes=layout.data_offset_bytes
        )
        if confirmed.blocks != sound.blocks or stored.size != layout.file_bytes:
            raise _not_as_written(path)
        self.payload.append(stored)
        return ArchivedTake(take=take, stored=stored, layout=layout, sound=sound, measured=measured)

    def _ours(self, take: Take, capture: Capture, path: str) -> MasterChunks:
        """Compose what this program writes into a master, whatever the capture brings."""
        from archiver.describe.ebucore import axml_for
        from archiver.describe.embedded import embedded_for
        from archiver.wave import axml
        from archiver.wave.master import MasterChunks

        samples = capture.sample_format
        as_it_is = capture.kind.value == "wave"
        embedded = embedded_for(
            self.session,
            take,
            samples=samples,
            program=PROGRAM,
            done="metadata added" if as_it_is else f"decoded from {capture.kind}",
        )
        self.findings += embedded.findings
        document = axml_for(
            self.session,
            take,
            samples=samples,
            frames=_frames(capture) or 0,
            file_name=path.rpartition("/")[2],
            modified=self.now.strftime("%Y-%m-%d"),
        )
        return MasterChunks(
            format=capture.format,
            bext=embedded.bext,
            info=embedded.info,
            ixml=embedded.ixml,
            axml=axml.decode(document),
        )

    def copy_kept(self, bag: BagBuilder) -> None:
        """Copy videos, photographs and documents as they are."""
        sources = [self.folder.joinpath(*kept.source.split("/")) for kept in self.plan.kept]
        self.progress.step("copying files", sum(files.status(source).size for source in sources))
        for source, kept in zip(sources, self.plan.kept, strict=True):
            self.payload.append(bag.copy(source, kept.path))

    def seal(
        self,
        bag: BagBuilder,
        takes: Sequence[ArchivedTake],
        findings: Sequence[Finding],
        *,
        version: int,
    ) -> Path:
        """Write the descriptions and close the bag."""
        from archiver.custody.sound import encode_sound_digests, sound_digests_path
        from archiver.describe.baginfo import bag_info
        from archiver.describe.run import as_bytes, findings_document
        from archiver.package import safe_names, versioned_name
        from archiver.session.record_json import session_as_json
        from archiver.signal.report import measurements_as_json

        replaces = versioned_name(self.session.identifier, version - 1) if version > 1 else ""
        names = safe_names([done.take.id for done in takes])
        bag.write_tag("metadata/session.json", as_bytes(session_as_json(self.session)))
        for done, name in zip(takes, names, strict=True):
            bag.write_tag(f"metadata/captures/{name}.json", self.capture_records[done.take.id])
            bag.write_tag(
                f"metadata/measurements/{name}.json", as_bytes(measurements_as_json(done.measured))
            )
            bag.write_tag(sound_digests_path(name), encode_sound_digests(done.sound))
        bag.write_tag("metadata/findings.json", findings_document(findings))
        bag.write_tag("metadata/archiving.json", self._run_document(bag, takes, version, replaces))
        bag.write_tag("READ-ME.txt", self._readme(bag, takes, names))
        return bag.seal(
            bag_info(
                self.session, made=self.now, program=PROGRAM, version=version, replaces=replaces
            )
        )

    def _run_document(
        self, bag: BagBuilder, takes: Sequence[ArchivedTake], version: int, replaces: str
    ) -> bytes:
        from archiver.describe.run import Master, run_document

        return run_document(
            session=self.session.identifier,
            version=version,
            replaces=replaces,
            made=self.now,
            program=PROGRAM,
            python=f"{platform.python_implementation()} {platform.python_version()}",
            libraries={name: metadata.version(name) for name in LIBRARIES},
            algorithms=bag.algorithms,
            masters=[
                Master(
                    take=done.take.id,
                    capture=done.take.file,
                    file=done.stored.path,
                    form=str(done.layout.form),
                    data_offset_bytes=done.layout.data_offset_bytes,
                    data_bytes=done.layout.data_bytes,
                    frames=done.layout.frames,
                    md5=done.sound.md5,
                    moved_behind=done.layout.moved_behind,
                )
                for done in takes
            ],
        )

    def _readme(
        self, bag: BagBuilder, takes: Sequence[ArchivedTake], names: Sequence[str]
    ) -> bytes:
        from archiver.custody.sound import sound_digests_path
        from archiver.package.readme import MasterFacts, ReadmeFacts, readme_text

        present = {file.path.split("/")[1] for file in self.payload}
        return readme_text(
            ReadmeFacts(
                name=bag.name,
                title=self.session.title,
                organisation=self.session.organisation.name,
                date=self.now.strftime("%Y-%m-%d"),
                software=PROGRAM,
                algorithms=bag.algorithms,
                contents=[(path, what) for path, what in CONTENTS if path.split("/")[1] in present]
                + list(METADATA_CONTENTS),
                masters=[
                    MasterFacts(
                        file=done.stored.path,
                        data_offset_bytes=done.sound.data_offset_bytes,
                        data_bytes=done.sound.data_bytes,
                        md5=done.sound.md5,
                        sound_record=sound_digests_path(name),
                    )
                    for done, name in zip(takes, names, strict=True)
                ],
            )
        ).encode()


def _not_as_written(path: str) -> IntegrityError:
    return IntegrityError(
        "what was read back from the disk is not what was captured",
        where=path,
        remedy="The disk or the memory may be failing: archive to another disk",
    )


def verify_bags(
    bags: Sequence[Path], *, sound: bool = False, progress: Progress | None = None
) -> tuple[VerifiedBag, ...]:
    """Verify bags one after another; an unusable one does not keep the others waiting.

    Parameters
    ----------
    bags : sequence of Path
        Directories.
    sound : bool
        Recompute the digests of the sound of intact masters too.
    progress : Progress, optional
        Told what is being done.
    """
    from archiver.custody.verify import verify_bag

    progress = progress or Silent()
    verdicts: list[VerifiedBag] = []
    for bag in bags:
        try:
            progress.step(bag.name, _bytes_below(bag))
            found = verify_bag(bag, progress.advance, sound=sound)
        except ArchiverError as error:
            verdicts.append(VerifiedBag(bag=bag, error=error))
        else:
            verdicts.append(VerifiedBag(bag=bag, verification=found))
    return tuple(verdicts)


def _bytes_below(folder: Path) -> int:
    return sum(
        files.status(folder.joinpath(*path.split("/"))).size
        for path, entry in files.walk_files(folder)
        if entry.is_file
    )
