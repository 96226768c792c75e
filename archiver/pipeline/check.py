"""The check: the sheet, every capture, and whether they agree."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from archiver import files
from archiver.describe.agreement import all_disagreements
from archiver.describe.held_back import HeldBack, hold_back
from archiver.describe.statements import check_statements
from archiver.describe.withholding import secrets_of
from archiver.errors import ArchiverError, MisuseError
from archiver.findings import Finding, Rule, Severity, in_order, stops_deposit
from archiver.os_errors import not_there
from archiver.pipeline.previous import read_previous
from archiver.pipeline.profiles import find_profile, without_its_files
from archiver.pipeline.public_part import PublicPart, public_part
from archiver.pipeline.sound_twice import check_sound_twice
from archiver.progress import Progress, Silent
from archiver.session.capture_files import (
    CaptureFile,
    capture_files,
    check_spans,
    take_durations_s,
)
from archiver.session.example_left import check_example_left
from archiver.session.future import check_future
from archiver.session.load import Loaded, load_session
from archiver.session.plausibility_rules import CONSENT_AFTER_SESSION
from archiver.session.previous import check_against
from archiver.session.records import Session, Take
from archiver.session.take_order import check_durations
from archiver.signal.sampleformat import SampleFormat
from archiver.wave.capture import Capture, open_capture
from archiver.wave.coding import SoundCoding

__all__ = [
    "CaptureFacts",
    "CheckReport",
    "check_session",
    "frames_of",
    "look_over",
    "require_folder",
    "unusable",
]

CAPTURE_UNUSABLE = Rule(
    code="capture-unusable",
    severity=Severity.ERROR,
    reason="A take without readable sound cannot be archived.",
    remedy="Hand in the file as the recorder wrote it, or take the take out of the sheet.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFacts:
    """What a capture file holds, as far as its header or its decoder says.

    ``takes`` are the ids of its takes; ``frames`` is None where only decoding to the end
    can tell; ``holds_back`` says whether a chunk of it is not public.
    """

    takes: tuple[str, ...]
    file: str
    kind: str
    sample_format: SampleFormat
    frames: int | None
    size_bytes: int
    keeps_original: bool
    coding: SoundCoding
    holds_back: bool = False

    @property
    def captured_as(self) -> str:
        """Depth, rate and channels; of lossy sound, which has no depth, the coding."""
        depth, _, rest = str(self.sample_format).partition(", ")
        return f"{depth if self.coding.is_exact else self.coding.name}, {rest}"

    @property
    def duration_s(self) -> float | None:
        """Length of the sound, if it is known."""
        return None if self.frames is None else self.frames / self.sample_format.sample_rate_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """What the check of a session folder found; ``session`` is None if it cannot be read.

    ``public`` is what everybody may know of it; None where errors stop the deposit.
    ``is_measured`` tells that the sound was measured too.
    """

    folder: Path
    loaded: Loaded
    captures: tuple[CaptureFacts, ...]
    findings: tuple[Finding, ...]
    public: PublicPart | None = None
    is_measured: bool = False

    @property
    def session(self) -> Session | None:
        """The record of the sheet."""
        return self.loaded.session


def check_session(
    folder: Path,
    *,
    profile: str | None = None,
    previous: Path | None = None,
    sound: bool = False,
    progress: Progress | None = None,
    now: datetime | None = None,
) -> CheckReport:
    """Check a session folder: the sheet, the takes to their last sample, the photographs.

    Parameters
    ----------
    folder : Path
    profile : str, optional
        Institution profile, by file or name; else the one in the folder, if any.
    previous : Path, optional
        Bag or folder of the session before, to check what is carried forward.
    sound : bool
        Measure the sound too, as archiving does, unless errors are found before.
    progress : Progress, optional
        Told what is being done.
    now : datetime, optional
        Time by which dates lie in the future; that of the computer, if left out.

    Raises
    ------
    MisuseError
        It is no folder, or there is no such profile.
    SurroundingsError
        There is no such folder.
    """
    require_folder(folder)
    asked = find_profile(folder, profile)
    progress = progress or Silent()
    report = look_over(folder, progress, to_the_end=True, previous=previous, now=now)
    found = [*without_its_files(report.findings, asked), *asked.findings]
    if asked.file and not stops_deposit(found):
        from archiver.pipeline.foresight import foresee  # noqa: PLC0415 - for a profile only

        found += foresee(report, asked)
    is_measured = sound and report.public is not None and not stops_deposit(found)
    if is_measured:
        from archiver.pipeline.check_sound import check_sound  # noqa: PLC0415 - slow to load

        found += check_sound(report, progress)
    return dataclasses.replace(
        report, findings=in_order(dict.fromkeys(found)), is_measured=is_measured
    )


def look_over(
    folder: Path,
    progress: Progress,
    *,
    to_the_end: bool,
    previous: Path | None = None,
    now: datetime | None = None,
) -> CheckReport:
    """Check a session folder; ``to_the_end`` decodes captures that must be decoded."""
    require_folder(folder)
    before = None if previous is None else read_previous(previous)
    loaded = load_session(folder)
    found = list(loaded.findings)
    if before is not None and loaded.session is not None:
        found += check_against(before, loaded.session)
    captures: list[CaptureFacts] = []
    captured: list[tuple[Take, SampleFormat, SoundCoding]] = []
    readable: list[tuple[CaptureFile, SampleFormat, int]] = []
    if loaded.session is not None:
        sizes = _sizes(folder, loaded.session)
        secrets = secrets_of(loaded.session)
        progress.step("checking takes", sum(sizes.values()))
        for held in capture_files(loaded.session):
            if held.file not in sizes:
                continue
            try:
                with open_capture(folder.joinpath(*held.file.split("/")), held.file) as capture:
                    parted = hold_back(capture.existing, secrets)
                    capture.bring(parted.public)
                    found += parted.findings(held.file)
                    found += capture.examine() if to_the_end else capture.findings
                    facts = _facts(held, capture, sizes[held.file], parted)
            except ArchiverError as error:
                found.append(unusable(loaded.session, held.lead, error))
            else:
                captures.append(facts)
                if facts.frames is not None:
                    readable.append((held, facts.sample_format, facts.frames))
                captured += [(take, facts.sample_format, facts.coding) for take in held.takes]
            progress.advance(sizes[held.file])
        found += all_disagreements(loaded.session, captured)
        lengths = {facts.file: s for facts in captures if (s := facts.duration_s) is not None}
        found += check_spans(loaded.session, lengths)
        found += check_durations(loaded.session, take_durations_s(loaded.session, lengths))
        found += check_statements(loaded.session)
        if to_the_end and not stops_deposit(found):
            found += check_sound_twice(folder, loaded.session, readable)
        found += check_example_left(loaded.session)
        found = _without_what_follows(found, check_future(loaded.session, now or datetime.now(UTC)))
    public = None
    if loaded.session is not None and not stops_deposit(found):
        public = public_part(folder, loaded, loaded.session)
        found += public.findings
    return CheckReport(
        folder=folder,
        loaded=loaded,
        captures=tuple(captures),
        findings=in_order(dict.fromkeys(found)),
        public=public,
    )


def _without_what_follows(found: list[Finding], future: list[Finding]) -> list[Finding]:
    """Add dates that have not come yet; that such a consent is a late one goes without saying."""
    wrong = {one.where for one in future}
    late = CONSENT_AFTER_SESSION.code
    return [one for one in found if one.code != late or one.where not in wrong] + future


def require_folder(folder: Path) -> None:
    """Refuse what is no folder at all."""
    if not files.exists(folder):
        raise not_there(folder, "a session folder, with session.yaml in it")
    if not files.status(files.resolved(folder)).is_directory:
        raise MisuseError(
            "is no folder",
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


def _facts(held: CaptureFile, capture: Capture, size: int, parted: HeldBack) -> CaptureFacts:
    return CaptureFacts(
        takes=tuple(take.id for take in held.takes),
        file=held.file,
        kind=str(capture.kind),
        sample_format=capture.sample_format,
        frames=frames_of(capture),
        size_bytes=size,
        keeps_original=capture.keeps_original,
        coding=capture.coding,
        holds_back=bool(parted.private),
    )


def frames_of(capture: Capture) -> int | None:
    """Return the frames of a capture, as declared where only decoding can tell."""
    return capture.declared_frames if capture.frames is None else capture.frames


def unusable(session: Session, take: Take, error: ArchiverError) -> Finding:
    """Turn what stopped the reading of a capture into a finding on the sheet's line."""
    where = session.locate(f"{take.at}.file")
    message = f"{take.file} cannot be used: {error.found}"
    return CAPTURE_UNUSABLE.at(where, message, accepted=error.accepted, remedy=error.remedy or None)
