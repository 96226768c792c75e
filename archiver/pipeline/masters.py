"""One master: the capture read once, its samples copied, digested and measured, and read back."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from archiver.custody.sound import BlockDigester, SoundDigests, SpanDigester
from archiver.describe.captures import capture_record
from archiver.describe.ebucore import axml_for_capture
from archiver.describe.embedded import embedded_for, loudness_of
from archiver.errors import IntegrityError
from archiver.findings import Finding
from archiver.package import BagBuilder, StoredFile, unchanged
from archiver.pipeline.access_copies import AccessPlan, Copy, CopyMaker
from archiver.pipeline.check import frames_of
from archiver.pipeline.run import PROGRAM
from archiver.progress import Progress
from archiver.session.capture_files import CaptureFile
from archiver.session.records import Session, Take
from archiver.signal.judgement import judge_capture
from archiver.signal.loudness import channel_weights
from archiver.signal.stream import run_pass
from archiver.signal.take import TakeMeasurements, TakeMeter
from archiver.wave import axml
from archiver.wave.capture import Capture, CaptureKind, open_capture
from archiver.wave.carry import carry, check_md5
from archiver.wave.master import MasterChunks, MasterLayout, MasterWriter

__all__ = ["ArchivedTake", "write_master"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchivedTake:
    """One master in the bag, and what is known of it.

    ``capture_record`` is the JSON document on the capture file; ``findings`` are those
    that only the pass over the samples could bring up.
    """

    held: CaptureFile
    stored: StoredFile
    layout: MasterLayout
    sound: SoundDigests
    measured: TakeMeasurements
    capture_record: bytes
    findings: tuple[Finding, ...]
    copies: tuple[Copy, ...] = ()

    @property
    def take(self) -> Take:
        """The first take of the capture; mostly the only one."""
        return self.held.lead


def write_master(
    bag: BagBuilder,
    session: Session,
    held: CaptureFile,
    *,
    source: Path,
    path: str,
    made: datetime,
    progress: Progress,
    access: AccessPlan | None = None,
) -> ArchivedTake:
    """Write the master of a take into the bag, and its access copies.

    Parameters
    ----------
    bag : BagBuilder
        Open.
    session, held
        What the sheet says, and the capture with its takes.
    source : Path
        The capture file; it is read once and not changed.
    path : str
        Where the master goes in the bag.
    made : datetime
        Time of the run.
    progress : Progress
        Told of the bytes done.
    access : AccessPlan, optional
        Which copies to make in the same pass.

    Raises
    ------
    InputError
        The capture cannot be decoded, or changes while it is read.
    IntegrityError
        What is read back is not what was captured.
    SurroundingsError
        Reading or writing fails.
    """
    take = held.lead
    with unchanged(source) as before, open_capture(source, take.file) as capture:
        samples = capture.sample_format
        progress.step(f"take {held.name}", capture.data_bytes or before.size)
        ours, found = _ours(session, held, capture, path, made)
        draft = carry(capture.existing, ours, take.file).chunks
        meanings = session.channels_of(take)
        weights = channel_weights(meanings) if len(meanings) == samples.channels else None
        meter = TakeMeter(samples, weights)
        digester = BlockDigester(samples)
        plan = access or AccessPlan(kinds=(), folder=source.parent)
        copier = CopyMaker(bag, plan, session, held, master=path, samples=samples)
        with bag.create(path) as file:
            writer = MasterWriter(file, draft, capture.data_bytes)
            run_pass(
                capture.blocks(),
                (digester.feed, writer.write, *meter.consumers(), *copier.consumers),
                progress.advance,
            )
            measured = meter.result()
            digest = bytes.fromhex(digester.md5)
            bext = dataclasses.replace(ours.bext, loudness=loudness_of(measured))
            final = dataclasses.replace(ours, bext=bext, md5=digest)
            carried = carry(capture.existing, final, take.file)
            layout = writer.finish(carried.chunks)
        wrong = check_md5(capture.existing, digest, take.file)
        record = capture_record(take, capture, before.size)
        found += (*capture.findings, *carried.findings, *(() if wrong is None else (wrong,)))
    found += judge_capture(measured, take.file, meanings=meanings)
    stored, sound = _read_back(bag, path, layout, digester)
    copies = copier.finish(measured, digester)
    return ArchivedTake(
        held=held,
        stored=stored,
        layout=layout,
        sound=sound,
        measured=measured,
        capture_record=record,
        findings=(*found, *copier.findings),
        copies=copies,
    )


def _read_back(
    bag: BagBuilder, path: str, layout: MasterLayout, digester: BlockDigester
) -> tuple[StoredFile, SoundDigests]:
    """Digest the master as it lies on the disk; its samples must be those of the capture."""
    again = BlockDigester(digester.sample_format, md5=False)
    span = SpanDigester(
        digester=again,
        offset_bytes=layout.data_offset_bytes,
        length_bytes=layout.data_bytes,
    )
    stored = bag.adopt(path, also=(span.feed,))
    sound = digester.result(
        file=path, file_bytes=layout.file_bytes, data_offset_bytes=layout.data_offset_bytes
    )
    if again.blocks != sound.blocks or stored.size != layout.file_bytes:
        raise IntegrityError(
            "what was read back from the disk is not what was captured",
            where=path,
            remedy="The disk or the memory may be failing: archive to another disk",
        )
    return stored, sound


def _ours(
    session: Session, held: CaptureFile, capture: Capture, path: str, made: datetime
) -> tuple[MasterChunks, tuple[Finding, ...]]:
    """Compose what this program writes into a master, whatever the capture brings."""
    samples = capture.sample_format
    as_it_is = capture.kind is CaptureKind.WAVE
    embedded = embedded_for(
        session,
        held,
        samples=samples,
        frames=frames_of(capture),
        program=PROGRAM,
        done="metadata added" if as_it_is else f"decoded from {capture.kind}",
    )
    document = axml_for_capture(
        session,
        held,
        samples=samples,
        frames=frames_of(capture) or 0,
        file_name=path.rpartition("/")[2],
        modified=made.strftime("%Y-%m-%d"),
    )
    chunks = MasterChunks(
        format=capture.format,
        bext=embedded.bext,
        info=embedded.info,
        ixml=embedded.ixml,
        cue=embedded.cue,
        adtl=embedded.adtl,
        axml=axml.decode(document),
    )
    return chunks, embedded.findings
