"""Salvaging the damaged masters of a bag."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from archiver import files
from archiver.custody.audit import plain
from archiver.custody.salvage import Salvaged, salvage_master
from archiver.custody.sound import SOUND_DIRECTORY, SoundDigests, decode_sound_digests
from archiver.custody.verdicts import SoundVerdict
from archiver.custody.verify import verify_bag
from archiver.errors import ArchiverError, IntegrityError, MisuseError
from archiver.package.destination import lies_within
from archiver.package.names import danger
from archiver.pipeline.run import PROGRAM, moment
from archiver.progress import Progress, Silent

__all__ = ["SalvageOutcome", "salvage_bag"]

_SCHEMA = "salvage-report 1"
_LARGEST_RECORD_BYTES = 1 << 26


@dataclass(frozen=True, slots=True, kw_only=True)
class SalvageOutcome:
    """What became of the masters that were asked for.

    Parameters
    ----------
    salvaged : tuple of Salvaged
    failed : tuple of (str, ArchiverError)
        Master, and why nothing of it could be saved.
    intact : tuple of str
        Masters that need no salvage.
    """

    salvaged: tuple[Salvaged, ...]
    failed: tuple[tuple[str, ArchiverError], ...]
    intact: tuple[str, ...]

    @property
    def exit_status(self) -> int:
        """0 unless something could not be saved."""
        return max((error.exit_status for _, error in self.failed), default=0)

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines, as ``salvage-report.schema.json`` describes them."""
        return {
            "schema": _SCHEMA,
            "salvaged": [saved.as_json() for saved in self.salvaged],
            "failed": [
                {"master": plain(name), "error": plain(str(error))} for name, error in self.failed
            ],
            "intact": [plain(name) for name in self.intact],
            "exit_status": self.exit_status,
        }


def salvage_bag(
    bag: Path, to: Path, *, masters: Sequence[str] = (), progress: Progress | None = None
) -> SalvageOutcome:
    """Salvage masters that are not intact.

    Parameters
    ----------
    bag : Path
        Nothing in it is changed.
    to : Path
        Folder for the new files, outside of the bag.
    masters : sequence of str
        Paths in the bag; all that are not intact if empty.
    progress : Progress, optional

    Raises
    ------
    MisuseError
        The folder lies in the bag, or the bag has no such master.
    SurroundingsError
        The bag cannot be read.
    """
    progress = progress or Silent()
    if files.exists(bag) and lies_within(to, bag):
        raise MisuseError(
            "lies in the bag, which must not be changed",
            where=str(to),
            accepted="a folder outside of the bag",
        )
    progress.step(bag.name, 0)
    verification = verify_bag(bag, progress.advance)
    verdicts = {master.file: master.verdict for master in verification.masters}
    sentences = {master.file: master.sentence() for master in verification.masters}
    unknown = [name for name in masters if name not in verdicts]
    if unknown:
        raise MisuseError(
            f"the bag has no master {unknown[0]!r}",
            where=str(bag),
            accepted=", ".join(verdicts) or "a bag with masters",
        )
    records = _records(bag)
    salvaged: list[Salvaged] = []
    failed: list[tuple[str, ArchiverError]] = []
    intact: list[str] = []
    when = moment().strftime("%Y-%m-%dT%H:%M:%S")
    for name in masters or verdicts:
        if verdicts[name] in {SoundVerdict.INTACT, SoundVerdict.DISAGREES}:
            intact.append(name)
            continue
        try:
            if verdicts[name] is SoundVerdict.MISNAMED:
                raise IntegrityError(
                    f"{sentences[name]}, so nothing has to be salvaged",
                    where=name,
                    remedy="Give the files their names back, then verify the bag",
                )
            record = records.get(name)
            if record is None:
                raise IntegrityError(
                    "the bag has no usable record of the samples of this master",
                    where=name,
                    remedy="Take the record from another copy of the bag",
                )
            salvaged.append(
                salvage_master(
                    bag, record, to, program=PROGRAM, moment=when, on_bytes=progress.advance
                )
            )
        except ArchiverError as error:
            failed.append((name, error))
    return SalvageOutcome(salvaged=tuple(salvaged), failed=tuple(failed), intact=tuple(intact))


def _records(bag: Path) -> dict[str, SoundDigests]:
    folder = bag.joinpath(*SOUND_DIRECTORY.split("/"))
    records: dict[str, SoundDigests] = {}
    if not files.exists(folder):
        return records
    for entry in files.entries(folder):
        if not entry.is_file or not entry.name.endswith(".json"):
            continue
        try:
            content = files.read_bytes(
                folder / entry.name, limit=_LARGEST_RECORD_BYTES, follow=False
            )
            record = decode_sound_digests(content)
        except ArchiverError:
            # A record that cannot be read is a finding of the verification.
            continue
        if not danger(record.file):
            records[record.file] = record
    return records
