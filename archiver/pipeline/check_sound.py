"""The check of the sound before a bag is made, by the very measurements that archiving makes."""

from __future__ import annotations

from archiver.errors import InputError
from archiver.findings import Finding
from archiver.pipeline.check import CheckReport, unusable
from archiver.pipeline.masters import judge_sound
from archiver.pipeline.motion import motion_of, moving_takes
from archiver.pipeline.room_tone import Heard, judge_room_tone
from archiver.pipeline.run import moment
from archiver.progress import Progress
from archiver.session.capture_files import capture_files

__all__ = ["check_sound"]


def check_sound(report: CheckReport, progress: Progress) -> list[Finding]:
    """Measure every capture of a session, and what its machines did.

    Parameters
    ----------
    report : CheckReport
        Of a check that found no errors, so that every capture can be opened.
    progress : Progress
        Told which take is being measured.

    Raises
    ------
    SurroundingsError
        Reading fails.
    """
    if report.public is None:
        return []
    session, now = report.public.session, moment()
    found: list[Finding] = []
    heard: list[Heard] = []
    broken = False
    for held in capture_files(session):
        try:
            judged, measured = judge_sound(
                session,
                held,
                source=report.folder.joinpath(*held.file.split("/")),
                secrets=report.public.secrets,
                made=now,
                progress=progress,
            )
        except InputError as error:
            broken = True
            found.append(unusable(session, held.lead, error))
        else:
            found += judged
            heard.append(Heard(held, measured))
    found += judge_room_tone(session, heard)
    if not broken and moving_takes(session):
        found += motion_of(report.folder, session, progress=progress).findings
    return found
