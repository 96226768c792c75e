"""The same sound under two names: one capture copied over another, or listed twice.

Before archiving, captures of the same form and length are read side by side up to the first
difference, which other sound has at once. Archiving has the digests of their samples anyway.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from itertools import zip_longest
from pathlib import Path

from archiver.custody.sound import SoundDigests
from archiver.findings import Finding, Rule, Severity
from archiver.session.capture_files import CaptureFile
from archiver.session.records import Session
from archiver.signal.sampleformat import SampleFormat, block_frames
from archiver.wave.capture import open_capture

__all__ = ["TAKE_SOUND_TWICE", "check_sound_twice", "judge_sound_twice"]

TAKE_SOUND_TWICE = Rule(
    code="take-sound-twice",
    severity=Severity.WARNING,
    reason="No two captures are alike to the last sample, so one of the files is a copy.",
    remedy="Listen to both, and put the right file in place of the copy",
)


def check_sound_twice(
    folder: Path,
    session: Session,
    captures: Sequence[tuple[CaptureFile, SampleFormat, int]],
) -> list[Finding]:
    """Find captures that hold the same samples as an earlier one of the sheet.

    Parameters
    ----------
    folder : Path
        The session folder.
    session : Session
        Says where the takes stand on the sheet.
    captures : sequence of (CaptureFile, SampleFormat, int)
        Each readable capture with the form and the number of its frames.

    Raises
    ------
    InputError, SurroundingsError
        A capture cannot be read.
    """
    alike: dict[tuple[SampleFormat, int], list[CaptureFile]] = {}
    found = []
    for held, samples, frames in captures:
        firsts = alike.setdefault((samples, frames), [])
        first = next((one for one in firsts if frames and _same(folder, one, held)), None)
        if first is None:
            firsts.append(held)
        else:
            found.append(_told(session, first, held))
    return found


def judge_sound_twice(
    session: Session, archived: Iterable[tuple[CaptureFile, SoundDigests]]
) -> list[Finding]:
    """Find captures with the same samples as an earlier one, by the digests of their masters."""
    alike: dict[tuple[Hashable, ...], CaptureFile] = {}
    found = []
    for held, sound in archived:
        first = alike.setdefault((sound.sample_format, *sound.blocks), held)
        if first is not held and sound.blocks:
            found.append(_told(session, first, held))
    return found


def _told(session: Session, first: CaptureFile, held: CaptureFile) -> Finding:
    return TAKE_SOUND_TWICE.at(
        session.locate(f"{held.lead.at}.file"),
        f"{held.file} of take {held.name} holds the same samples as {first.file} of take "
        f"{first.name}",
        accepted="a sound of its own in every file",
    )


def _same(folder: Path, one: CaptureFile, other: CaptureFile) -> bool:
    with (
        open_capture(_path(folder, one), one.file) as first,
        open_capture(_path(folder, other), other.file) as second,
    ):
        frames = block_frames(first.sample_format)
        pairs = zip_longest(first.blocks(frames), second.blocks(frames))
        return all(mine == theirs for mine, theirs in pairs)


def _path(folder: Path, held: CaptureFile) -> Path:
    return folder.joinpath(*held.file.split("/"))
