"""Listening copies of reproductions with the speed put right, beside the ordinary copies.

Made only where access copies are made and the speed curve against the performance is
known and shows something to correct. The copy says in its title and description that it is derived; the curve that was
used stands in ``metadata/motion.json``. The master is never touched.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from archiver.describe.listening import tags_for
from archiver.findings import Finding
from archiver.package import BagBuilder
from archiver.pipeline.access_plan import ACCESS, Copy
from archiver.pipeline.masters import ArchivedTake
from archiver.pipeline.run import PROGRAM
from archiver.progress import Progress
from archiver.session.records import Session
from archiver.signal.correction import (
    Correction,
    corrected_blocks,
    from_reproduction,
    nothing_to_correct,
)
from archiver.signal.motion import Motion
from archiver.signal.motion_rules import NOTHING_TO_CORRECT
from archiver.signal.sampleformat import SampleFormat
from archiver.signal.samples import Floats, decode
from archiver.wave.access import AccessWriter, Tag, accepted_for
from archiver.wave.accesskind import AccessKind
from archiver.wave.capture import open_capture

__all__ = ["LONGEST_S", "MARK", "with_corrected_copies"]

LONGEST_S = 600.0
"""A longer take gets no such copy: its samples are held in memory."""
MARK = "_speed-corrected"
_FULL_SCALE = 2**23


def with_corrected_copies(
    bag: BagBuilder,
    session: Session,
    folder: Path,
    takes: Sequence[ArchivedTake],
    motion: Motion,
    *,
    progress: Progress,
) -> tuple[tuple[ArchivedTake, ...], tuple[Finding, ...]]:
    """Add a speed-corrected copy to each reproduction that has access copies.

    Where there is nothing to correct, none is made, and a finding says so.

    Parameters
    ----------
    bag : BagBuilder
        Open.
    session, folder
        The record and the session folder.
    takes : sequence of ArchivedTake
    motion : Motion
        Of the same takes.
    progress : Progress

    Raises
    ------
    InputError, SurroundingsError
        A capture cannot be read, or a copy not be written.
    """
    curves = {one.identifier: one.curve for one in motion.takes if one.curve is not None}
    made: list[ArchivedTake] = []
    found: list[Finding] = []
    for done in takes:
        curve = curves.get(done.take.id)
        correction = from_reproduction(curve) if curve is not None else None
        if not _wanted(done) or curve is None or correction is None:
            made.append(done)
            continue
        reason = nothing_to_correct(curve)
        if reason:
            where = session.locate(done.take.at)
            message = f"Take {done.take.id} gets no speed-corrected copy: {reason}"
            found.append(NOTHING_TO_CORRECT.at(where, message))
            made.append(done)
            continue
        progress.step(f"speed-corrected copy of take {done.take.id}", 0)
        copy = _copy(bag, session, folder, done, correction)
        made.append(dataclasses.replace(done, copies=(*done.copies, copy)))
    return tuple(made), tuple(found)


def _wanted(done: ArchivedTake) -> bool:
    return bool(done.copies) and len(done.held.takes) == 1 and done.measured.duration_s <= LONGEST_S


def _copy(
    bag: BagBuilder, session: Session, folder: Path, done: ArchivedTake, correction: Correction
) -> Copy:
    samples = done.measured.format
    copy_format = SampleFormat(
        encoding="pcm",
        container_bits=24,
        valid_bits=24,
        channels=samples.channels,
        sample_rate_hz=samples.sample_rate_hz,
    )
    kind = AccessKind.FLAC if not accepted_for(AccessKind.FLAC, copy_format) else AccessKind.OPUS
    stem = done.stored.path.rpartition("/")[2].removesuffix(".wav")
    path = f"{ACCESS}/{stem}{MARK}.{kind}"
    with open_capture(folder.joinpath(*done.held.file.split("/")), done.held.file) as capture:
        whole = b"".join(capture.blocks())
    sound = decode(whole, samples)
    with bag.create(path) as file:
        writer = AccessWriter(file, path, kind, copy_format)
        for block in corrected_blocks(sound, samples.sample_rate_hz, correction):
            writer.write(_packed(block))
        writer.finish(_tags(session, done, correction))
    return Copy(kind=kind, stored=bag.adopt(path), treatment="speed corrected")


def _packed(block: Floats) -> bytes:
    """Return 24-bit samples; what resampling lifts above full scale is held there."""
    words = np.clip(np.rint(block.astype(np.float64) * _FULL_SCALE), -_FULL_SCALE, _FULL_SCALE - 1)
    return bytes(words.astype("<i4").view(np.uint8).reshape(-1, 4)[:, :3].tobytes())


def _tags(session: Session, done: ArchivedTake, correction: Correction) -> tuple[Tag, ...]:
    number = session.position(done.take) + 1
    label = (
        f"Derived copy: the speed was put right against {correction.basis}. The curve is kept "
        "in metadata/motion.json; the master is as captured."
    )
    tags = []
    for tag in tags_for(session, done.take, number=number, program=PROGRAM):
        text = f"{tag.text} (speed corrected)" if tag.name == "TITLE" else tag.text
        tags.append(Tag(name=tag.name, text=text))
    return (*tags, Tag(name="VERSION", text="speed corrected"), Tag(name="COMMENT", text=label))
