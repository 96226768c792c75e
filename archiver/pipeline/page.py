"""The session's page of a bag, or of a session folder that is not archived yet."""

from __future__ import annotations

import base64
import dataclasses
import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from archiver import __version__, files
from archiver.describe import places
from archiver.describe.baginfo import VERSION_REASON
from archiver.describe.facts import Archive, FileFacts, FileRole, MasterFacts, RunFacts
from archiver.describe.mediatypes import media_type_of
from archiver.describe.motion_record import motion_record
from archiver.describe.privacy import said
from archiver.describe.run import FINDINGS
from archiver.describe.runrecord import RunRecord
from archiver.describe.sound_record import sound_record
from archiver.describe.withholding import Secrets
from archiver.errors import InputError, MisuseError
from archiver.findings import Finding, Severity, Where, stops_deposit
from archiver.package import versioned_name
from archiver.package.version_record import VERSION_RECORD, decode_version
from archiver.pages.facts import Links, PageFacts
from archiver.pages.page import PAGE, session_page
from archiver.pipeline.beside import refuse_inside, refuse_taken, write_new
from archiver.pipeline.check import CheckReport, look_over
from archiver.pipeline.recorded_bag import BagRecords, RecordedBag, read_recorded
from archiver.pipeline.run import NAME, moment
from archiver.progress import Progress, Silent
from archiver.session.load import SHEET
from archiver.telling import command_line

__all__ = ["PagePlace", "bag_facts", "page_facts", "page_for_bag", "private_on_page", "write_page"]

MOTION = "metadata/motion.json"
_SHOWN = frozenset({"image/png", "image/jpeg", "image/gif", "image/webp"})
_LARGEST_PICTURE_BYTES = 32 << 20
_LARGEST_COVER_BYTES = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class PagePlace:
    """A page that was written: where, from what, and how many pictures are in it."""

    file: Path
    source: Path
    bytes: int
    pictures: int
    left_out: tuple[str, ...]


def page_facts(
    archive: Archive,
    run: RunRecord,
    *,
    measured: Mapping[str, Mapping[str, Any]],
    motion: Mapping[str, Any] | None,
    findings: Sequence[Finding],
    reason: str = "",
) -> PageFacts:
    """Gather what the page of a bag is made from.

    Parameters
    ----------
    archive, run
        As recorded in the bag.
    measured : mapping
        Reports of measurements by path of the master.
    motion : mapping, optional
        The report of motion.
    findings : sequence of Finding
        As recorded, without what is withheld.
    reason : str
        Why there is a new version.

    Raises
    ------
    InputError
        A report is not of the form that this program writes.
    """
    return PageFacts(
        archive=archive,
        bag=versioned_name(run.session, run.version),
        version=run.version,
        replaces=run.replaces,
        reason=reason,
        sounds={path: sound_record(document, path) for path, document in measured.items()},
        motion=None if motion is None else motion_record(motion, MOTION),
        findings=tuple(findings),
        algorithms=run.algorithms,
        restricted_left_out=run.restricted_left_out,
        steps=run.steps,
    )


def page_for_bag(facts: PageFacts) -> bytes:
    """Write the page as it lies in the bag, with references to the files of the payload."""
    return session_page(facts, Links(picture=_referred, file=_reference, cover=_referred))


@functools.lru_cache(maxsize=4096)
def _reference(path: str) -> str:
    return places.reference(path, base=PAGE)


def _referred(file: FileFacts) -> str:
    return _reference(file.path) if file.media_type in _SHOWN else ""


def private_on_page(page: bytes, secrets: Secrets) -> list[Finding]:
    """Find what is withheld on a page; there is nothing if the record is the public one."""
    import html  # noqa: PLC0415 - its table of entities is needed only here

    text = page.decode("utf-8")
    if not secrets.may_be_in(text):
        return []
    return [said(secret, Where(file=PAGE)) for secret in secrets.found_in(html.unescape(text))]


def write_page(place: Path, to: Path, *, progress: Progress | None = None) -> PagePlace:
    """Write the page of a bag or a session folder as one file, with its pictures in it.

    Parameters
    ----------
    place : Path
        A bag, or a session folder that the check finds no errors in; nothing in it is
        changed. Of a folder only what is public is told.
    to : Path
        The new file.
    progress : Progress, optional
        Told what is being done.

    Raises
    ------
    MisuseError
        ``place`` is neither, or ``to`` exists or lies in it.
    InputError
        The check finds errors, or the bag has no records of this program.
    IntegrityError
        The bag is not whole, or a record has changed.
    SurroundingsError
        Reading or writing fails.
    """
    progress = progress or Silent()
    is_folder = files.exists(place / SHEET)
    if not is_folder and not files.exists(place / "bagit.txt"):
        raise MisuseError(
            "holds neither a bag nor a session",
            where=str(place),
            accepted="a bag, or a folder with session.yaml",
        )
    refuse_inside(place, to, what="the session folder" if is_folder else "the bag")
    refuse_taken(to)
    facts = (
        _folder_facts(place, progress)
        if is_folder
        else dataclasses.replace(bag_facts(read_recorded(place)), alone=True)
    )
    progress.step("writing the page", 0)
    album = _Album(place)
    page = session_page(facts, Links(picture=album.embedded, file=_nowhere, cover=album.cover))
    write_new(to, page)
    return PagePlace(
        file=to,
        source=place,
        bytes=len(page),
        pictures=len(album.shown),
        left_out=tuple(dict.fromkeys(album.left_out)),
    )


def _nowhere(path: str) -> str:
    """Lead to no file: the page goes alone."""
    del path
    return ""


class _Album:
    """Pictures as ``data:`` URLs (RFC 2397); each is read once."""

    def __init__(self, place: Path) -> None:
        self._place = place
        self.shown: dict[str, str] = {}
        self.left_out: list[str] = []

    def embedded(self, file: FileFacts) -> str:
        """Return a picture, or an empty text if no browser shows it or it is too large."""
        if file.media_type not in _SHOWN or file.size_bytes > _LARGEST_PICTURE_BYTES:
            self.left_out.append(file.path)
            return ""
        if file.path not in self.shown:
            content = files.read_bytes(
                self._place.joinpath(*file.path.split("/")),
                limit=_LARGEST_PICTURE_BYTES,
                follow=False,
            )
            coded = base64.b64encode(content).decode("ascii")
            self.shown[file.path] = f"data:{file.media_type};base64,{coded}"
        return self.shown[file.path]

    def cover(self, file: FileFacts) -> str:
        """Return a picture that may stand on the page twice."""
        return self.embedded(file) if file.size_bytes <= _LARGEST_COVER_BYTES else ""


def bag_facts(recorded: RecordedBag) -> PageFacts:
    """Gather what the page of a bag is made from, out of its records.

    Raises
    ------
    IntegrityError
        A record has another digest than its manifest says.
    InputError
        A record is not of the form that this program writes.
    """
    records = recorded.records
    return page_facts(
        recorded.archive,
        recorded.run,
        measured={one.file: records.json(one.measurements) for one in recorded.run.masters},
        motion=records.json(MOTION) if records.holds(MOTION) else None,
        findings=_findings(records.json(FINDINGS)),
        reason=_reason(records),
    )


def _reason(records: BagRecords) -> str:
    """Return why there is a new version; bag-info.txt has had it only since lately."""
    if records.holds(VERSION_RECORD):
        return decode_version(records.record(VERSION_RECORD)).reason
    return next(iter(records.info.values(VERSION_REASON)), "")


def _findings(document: Mapping[str, Any]) -> list[Finding]:
    try:
        return [
            Finding(
                code=str(one["code"]),
                severity=Severity(one["severity"]),
                where=Where(**one["where"]),
                message=str(one["message"]),
                accepted=str(one.get("accepted", "")),
                remedy=str(one.get("remedy", "")),
            )
            for one in document["findings"]
        ]
    except (AttributeError, LookupError, TypeError, ValueError) as error:
        raise InputError(
            f"is no list of findings ({error!r})",
            where=FINDINGS,
            remedy="The record was changed after it was written, or by another version",
        ) from error


def _folder_facts(folder: Path, progress: Progress) -> PageFacts:
    report = look_over(folder, progress, to_the_end=False)
    if report.public is None or stops_deposit(report.findings):
        raise InputError(
            "the check of this session finds errors",
            where=str(folder),
            remedy=f"Correct what this names: {command_line('check', folder)}",
        )
    public = report.public
    return PageFacts(
        archive=Archive(
            session=public.session,
            files=tuple(_pictures(folder, report)),
            masters=tuple(_captures(report)),
            run=RunFacts(
                program=NAME,
                version=__version__,
                archived=moment().isoformat(timespec="seconds"),
                bag_identifier="",
            ),
        ),
        findings=tuple(map(public.secrets.removed, report.findings)),
    )


def _pictures(folder: Path, report: CheckReport) -> list[FileFacts]:
    session = report.public.session if report.public is not None else None
    if session is None:
        return []
    named = [one.file for one in session.photographs]
    named += [one.file for machine in session.machines for one in machine.photographs]
    return [
        FileFacts(
            path=path,
            size_bytes=files.status(folder.joinpath(*path.split("/"))).size,
            digests={},
            media_type=media_type_of(path),
            role=FileRole.PHOTOGRAPH,
            original_name=path,
        )
        for path in dict.fromkeys(named)
    ]


def _captures(report: CheckReport) -> list[MasterFacts]:
    """Take length and format from the captures, whose masters are not made yet."""
    return [
        MasterFacts(
            take=take,
            path=facts.file,
            samples=facts.sample_format,
            frames=facts.frames,
            samples_md5="",
            coding=facts.coding,
        )
        for facts in report.captures
        if facts.frames is not None
        for take in facts.takes
    ]
