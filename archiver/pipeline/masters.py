"""One master: the capture read once, its samples copied, digested and measured, and read back."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.custody.sound import BlockDigester, SoundDigests, SpanDigester
from archiver.describe.captures import capture_record
from archiver.describe.ebucore import axml_for_capture
from archiver.describe.embedded import embedded_for, loudness_of
from archiver.describe.held_back import HeldBack, hold_back
from archiver.describe.withholding import Secrets
from archiver.errors import IntegrityError
from archiver.findings import Finding
from archiver.package import BagBuilder, StoredFile, unchanged
from archiver.pipeline.access_plan import AccessPlan, Copy
from archiver.pipeline.check import frames_of
from archiver.pipeline.measuring import Here, Meters, loading_beside
from archiver.pipeline.run import PROGRAM
from archiver.progress import Progress
from archiver.session.capture_files import CaptureFile
from archiver.session.records import Session, Take
from archiver.signal.sampleformat import SampleFormat, block_frames
from archiver.signal.stream import run_pass
from archiver.wave import axml
from archiver.wave.capture import Capture, open_capture
from archiver.wave.carry import carry, check_md5
from archiver.wave.coding import SoundCoding
from archiver.wave.master import MasterChunks, MasterLayout, MasterWriter

if TYPE_CHECKING:  # these take a while to load; archiving loads them while sound passes
    from archiver.pipeline.access_copies import CopyMaker
    from archiver.signal.take import TakeMeasurements

__all__ = ["ArchivedTake", "judge_sound", "write_master"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchivedTake:
    """One master in the bag, and what is known of it.

    ``coding`` is that of the sound in the capture file, ``capture_record`` the JSON document
    on that file, ``restricted_record`` the same with what is not public in it, if there is any;
    ``findings`` are those that only the pass over the samples could bring up.
    """

    held: CaptureFile
    stored: StoredFile
    layout: MasterLayout
    sound: SoundDigests
    measured: TakeMeasurements
    coding: SoundCoding
    capture_record: bytes
    findings: tuple[Finding, ...]
    copies: tuple[Copy, ...] = ()
    restricted_record: bytes | None = None

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
    secrets: Secrets,
    progress: Progress,
    access: AccessPlan | None = None,
    meters: Meters | None = None,
    loading: Sequence[str] = (),
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
    secrets : Secrets
        What must not be found in public, and so not in the master.
    progress : Progress
        Told of the bytes done.
    access : AccessPlan, optional
        Which copies to make in the same pass.
    meters : Meters, optional
        What measures; by default this process.
    loading : sequence of str
        Modules that are wanted afterwards, to be loaded in the meantime.

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
        held_back = hold_back(capture.existing, secrets)
        capture.bring(held_back.public)
        progress.step(f"take {held.name}", capture.data_bytes or before.size)
        ours, _ = _ours(session, held, capture, path, made)
        draft = carry(capture.existing, ours, take.file).chunks
        meanings = session.channels_of(take)
        meter = (meters or Here()).meter(samples, meanings)
        digester = BlockDigester(samples)
        copier = _copier(bag, access, session, held, path, samples)
        copies_fed = copier.consumers if copier else ()
        with bag.create(path) as file, loading_beside(loading):
            writer = MasterWriter(file, draft, capture.data_bytes)
            run_pass(
                # Blocks as the meters want them need not be joined again.
                capture.blocks(block_frames(samples)),
                (digester.feed, writer.write, *meter.consumers(), *copies_fed),
                progress.advance,
            )
            measured = meter.result()
            chunks, found = _final(session, held, capture, path, made, measured, digester)
            layout = writer.finish(chunks)
        record, full = _records(take, capture, before.size, held_back, secrets)
    found += _judged(session, take, measured)
    stored, sound = _read_back(bag, path, layout, digester)
    copies = copier.finish(measured, digester) if copier else ()
    return ArchivedTake(
        held=held,
        stored=stored,
        layout=layout,
        sound=sound,
        measured=measured,
        coding=capture.coding,
        capture_record=record,
        findings=(*found, *(copier.findings if copier else ())),
        copies=copies,
        restricted_record=full,
    )


def judge_sound(
    session: Session,
    held: CaptureFile,
    *,
    source: Path,
    secrets: Secrets,
    made: datetime,
    progress: Progress,
    meters: Meters | None = None,
) -> tuple[tuple[Finding, ...], TakeMeasurements]:
    """Find what only the pass over the samples brings up, as for a master, and write nothing.

    Parameters are those of :func:`write_master`; the measurements come beside the findings.

    Raises
    ------
    InputError
        The capture cannot be decoded, or changes while it is read.
    SurroundingsError
        Reading fails.
    """
    take = held.lead
    with unchanged(source) as before, open_capture(source, take.file) as capture:
        samples = capture.sample_format
        capture.bring(hold_back(capture.existing, secrets).public)
        progress.step(f"take {held.name}", capture.data_bytes or before.size)
        meanings = session.channels_of(take)
        meter = (meters or Here()).meter(samples, meanings)
        digester = BlockDigester(samples)
        run_pass(
            capture.blocks(block_frames(samples)),
            (digester.feed, *meter.consumers()),
            progress.advance,
        )
        measured = meter.result()
        path = f"data/masters/{held.name}.wav"
        _, found = _final(session, held, capture, path, made, measured, digester)
    return (*found, *_judged(session, take, measured)), measured


def _final(
    session: Session,
    held: CaptureFile,
    capture: Capture,
    path: str,
    made: datetime,
    measured: TakeMeasurements,
    digester: BlockDigester,
) -> tuple[MasterChunks, tuple[Finding, ...]]:
    """Compose all chunks of a master after the pass, with what is found in them."""
    digest = bytes.fromhex(digester.md5)
    # Of a capture that is decoded, only now the length and the bit rate are known.
    ours, found = _ours(session, held, capture, path, made)
    bext = dataclasses.replace(ours.bext, loudness=loudness_of(measured))
    final = dataclasses.replace(ours, bext=bext, md5=digest)
    carried = carry(capture.existing, final, held.lead.file)
    wrong = check_md5(capture.existing, digest, held.lead.file)
    return carried.chunks, (
        *found,
        *capture.findings,
        *carried.findings,
        *(() if wrong is None else (wrong,)),
    )


def _judged(session: Session, take: Take, measured: TakeMeasurements) -> tuple[Finding, ...]:
    from archiver.signal.judgement import judge_capture  # noqa: PLC0415 - slow to load

    return tuple(judge_capture(measured, take.file, meanings=session.channels_of(take)))


def _records(
    take: Take, capture: Capture, size_bytes: int, held: HeldBack, secrets: Secrets
) -> tuple[bytes, bytes | None]:
    """Make the public record of a capture, and the restricted one if the two differ."""

    def make(*, whole: bool) -> bytes:
        return capture_record(take, capture, size_bytes, held=held, secrets=secrets, whole=whole)

    return make(whole=False), make(whole=True) if held.private else None


def _copier(
    bag: BagBuilder,
    plan: AccessPlan | None,
    session: Session,
    held: CaptureFile,
    master: str,
    samples: SampleFormat,
) -> CopyMaker | None:
    if plan is None or not plan.kinds:
        return None
    from archiver.pipeline.access_copies import CopyMaker  # noqa: PLC0415 - slow to load

    return CopyMaker(bag, plan, session, held, master=master, samples=samples)


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
    embedded = embedded_for(
        session,
        held,
        samples=samples,
        coding=capture.coding,
        frames=frames_of(capture),
        program=PROGRAM,
    )
    document = axml_for_capture(
        session,
        held,
        samples=samples,
        coding=capture.coding,
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
