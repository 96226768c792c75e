"""Access copies of a master, encoded in the pass that writes it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import BinaryIO

from archiver import files
from archiver.custody.sound import BlockDigester
from archiver.describe.listening import cover_of, tags_for
from archiver.describe.mediatypes import media_type_of
from archiver.errors import ArchiverError, IntegrityError
from archiver.findings import Finding, Rule, Severity
from archiver.package import BagBuilder
from archiver.pipeline.access_plan import ACCESS, LARGEST_COVER_BYTES, AccessPlan, Copy
from archiver.pipeline.run import PROGRAM
from archiver.session.capture_files import CaptureFile
from archiver.session.records import Session
from archiver.signal.sampleformat import Bytes, SampleFormat
from archiver.signal.take import TakeMeasurements
from archiver.wave.access import AccessWriter, Cover, Loudness, accepted_for
from archiver.wave.accesskind import AccessKind

__all__ = ["LARGEST_COVER_BYTES", "AccessPlan", "Copy", "CopyMaker"]

_COVERS = {"image/png", "image/jpeg"}
# RFC 9639, 8.2: the MD5 is that of signed samples; those of 8 bits are unsigned in a master.
_SAME_MD5_BITS = {16, 24}

ACCESS_NOT_MADE = Rule(
    code="access-copy-not-made",
    severity=Severity.WARNING,
    reason="Not every coding holds every kind of sound; the master is not concerned.",
    remedy="Leave the copy out, or make one from the master with a program of your choice.",
)
COVER_LEFT_OUT = Rule(
    code="access-cover-left-out",
    severity=Severity.NOTE,
    reason="Players read covers in PNG and JPEG, and large ones slow them down.",
    remedy="Nothing has to be done: the photograph itself is in the bag.",
)


class _Open:
    """A copy that is being written; its file is made with the first sample."""

    def __init__(self, bag: BagBuilder, path: str, kind: AccessKind, samples: SampleFormat) -> None:
        self.path = path
        self.kind = kind
        self._bag = bag
        self._samples = samples
        self._file: BinaryIO | None = None
        self.writer: AccessWriter | None = None

    def feed(self, raw: Bytes) -> None:
        if self.writer is None:
            self._file = self._bag.create(self.path)
            self.writer = AccessWriter(self._file, self.path, self.kind, self._samples)
        self.writer.write(raw)

    def close(self) -> None:
        if self._file is not None:
            self._file.close()


class CopyMaker:
    """Makes the copies of one master.

    Parameters
    ----------
    bag : BagBuilder
        Open.
    plan : AccessPlan
    session, held
        The record, and the capture with its takes.
    master : str
        Path of the master; the copies have its name with another ending.
    samples : SampleFormat
        Of the master.
    """

    def __init__(
        self,
        bag: BagBuilder,
        plan: AccessPlan,
        session: Session,
        held: CaptureFile,
        *,
        master: str,
        samples: SampleFormat,
    ) -> None:
        self._bag = bag
        self._plan = plan
        self._session = session
        self._held = held
        self._samples = samples
        self.findings: list[Finding] = []
        self._open: list[_Open] = []
        stem = master.rpartition("/")[2].removesuffix(".wav")
        where = session.locate(f"{held.lead.at}.file")
        for kind in plan.kinds:
            refusal = accepted_for(kind, samples)
            if refusal:
                message = f"no {kind} copy of {held.file} was made: {refusal}"
                self.findings.append(ACCESS_NOT_MADE.at(where, message))
            else:
                self._open.append(_Open(bag, f"{ACCESS}/{stem}.{kind}", kind, samples))

    @property
    def consumers(self) -> Sequence[Callable[[Bytes], object]]:
        """One for each copy; each needs all sample bytes, in order."""
        return [one.feed for one in self._open]

    def finish(self, measured: TakeMeasurements, digester: BlockDigester) -> tuple[Copy, ...]:
        """Write tags, cover and loudness, and read the copies back.

        Parameters
        ----------
        measured : TakeMeasurements
            Of the master.
        digester : BlockDigester
            Of the sample bytes of the master.

        Raises
        ------
        IntegrityError
            A lossless copy does not hold the samples of the master.
        SurroundingsError
            A copy cannot be written.
        """
        begun = [(one, one.writer) for one in self._open if one.writer is not None]
        if not begun:
            return ()
        session, lead = self._session, self._held.lead
        tags = tags_for(session, lead, number=session.position(lead) + 1, program=PROGRAM)
        cover = self._cover()
        loudness = Loudness(
            integrated_lufs=measured.integrated_lufs, true_peak_dbtp=measured.true_peak_dbtp
        )
        made: list[Copy] = []
        for one, writer in begun:
            writer.finish(tags, cover=cover, loudness=loudness)
            if measured.spare_bytes == 0:
                self._compare(one.path, writer.samples_md5, digester)
            one.close()
            made.append(Copy(kind=one.kind, stored=self._bag.adopt(one.path)))
        return tuple(made)

    def _compare(self, path: str, stated: str | None, digester: BlockDigester) -> None:
        comparable = self._samples.container_bits in _SAME_MD5_BITS
        if stated is None or not comparable or stated == digester.md5:
            return
        raise IntegrityError(
            f"the copy holds other samples than the master (MD5 {stated}, not {digester.md5})",
            where=path,
            remedy="The disk or the memory may be failing: archive to another disk",
        )

    def _cover(self) -> Cover | None:
        picture = cover_of(self._session, self._held.lead)
        if picture is None:
            return None
        media_type = media_type_of(picture.file)
        where = self._session.locate(f"{picture.at}.file" if picture.at else "photographs")
        place = self._plan.folder.joinpath(*picture.file.split("/"))
        found = "" if media_type in _COVERS else f"{picture.file} is {media_type}"
        content = b""
        if not found:
            try:
                content = files.read_bytes(place, limit=LARGEST_COVER_BYTES, follow=False)
            except ArchiverError as error:
                found = f"{picture.file} {error.found}"
        if found:
            self.findings.append(
                COVER_LEFT_OUT.at(where, found, accepted="a PNG or JPEG file of up to 4 MiB")
            )
            return None
        return Cover(
            content=content, media_type=media_type, description=picture.caption or picture.file
        )
