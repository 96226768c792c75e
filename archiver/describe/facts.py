"""What the documents need beside the session: facts of files, masters and the run.

Plain records, filled in by whoever made the bag; nothing here opens a file or looks
at a clock.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from archiver.session.records import Session
from archiver.signal.sampleformat import SampleFormat
from archiver.wave.coding import SoundCoding

if TYPE_CHECKING:  # what measures takes a while to load
    from archiver.signal.take import TakeMeasurements

__all__ = [
    "Archive",
    "EventKind",
    "FileFacts",
    "FileRole",
    "Levels",
    "Library",
    "MasterFacts",
    "Outcome",
    "RunEvent",
    "RunFacts",
]


class FileRole(enum.StrEnum):
    """What a file of the bag is for."""

    MASTER = "master"
    ORIGINAL = "original"
    ACCESS = "access"
    PHOTOGRAPH = "photograph"
    DOCUMENT = "document"
    RESTRICTED = "restricted"
    METADATA = "metadata"


class EventKind(enum.StrEnum):
    """What happened to a file or to the whole archive."""

    CAPTURE = "capture"
    CREATION = "creation of the master"
    ACCESS_COPY = "creation of an access copy"
    EMBEDDING = "embedding of metadata"
    DIGESTS = "message digest calculation"
    VALIDATION = "validation"
    FIXITY_CHECK = "fixity check"
    PACKAGING = "making of the package"
    INGESTION = "ingestion"
    REPLICATION = "replication"
    REPAIR = "repair from another copy"
    TRANSFER = "transfer to an institution"
    ACCESSION = "accession by an institution"
    QUARANTINE = "quarantine"


class Outcome(enum.StrEnum):
    """How an event ended."""

    SUCCESS = "success"
    WARNING = "warning"
    FAILURE = "failure"


@dataclass(frozen=True, slots=True, kw_only=True)
class FileFacts:
    """One file of the bag.

    Parameters
    ----------
    path : str
        Path in the bag, with ``/``.
    size_bytes : int
    digests : mapping of str to str
        Lower-case hexadecimal digests by algorithm, such as ``sha256``.
    media_type : str
        IANA media type.
    role : FileRole
    take : str, optional
        Id of the take the file belongs to.
    original_name : str, optional
        Path in the session folder, as the sheet names it.
    derived_from : str, optional
        Path of the file it was made from.
    treatment : str, optional
        What was done to the sound of a copy; None where it is that of the master.
    """

    path: str
    size_bytes: int
    digests: Mapping[str, str]
    media_type: str
    role: FileRole
    take: str | None = None
    original_name: str | None = None
    derived_from: str | None = None
    treatment: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Loudness and true peak of a master; None where they cannot be measured.

    Source of the quantities: ITU-R BS.1770, EBU R 128 and EBU Tech 3342.
    """

    integrated_lufs: float | None
    range_lu: float | None
    true_peak_dbtp: float | None
    max_momentary_lufs: float | None
    max_short_term_lufs: float | None

    @classmethod
    def of(cls, measured: TakeMeasurements) -> Levels:
        """Take the figures from what was measured on the take."""
        return cls(
            integrated_lufs=measured.integrated_lufs,
            range_lu=measured.range_lu,
            true_peak_dbtp=measured.true_peak_dbtp,
            max_momentary_lufs=measured.max_momentary_lufs,
            max_short_term_lufs=measured.max_short_term_lufs,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterFacts:
    """What was measured on the master of a take.

    ``samples_md5`` covers the sample bytes alone; ``coding`` is that of the sound in the
    capture file, None where that is not recorded.
    """

    take: str
    path: str
    samples: SampleFormat
    frames: int
    samples_md5: str
    bext_version: int = 2
    levels: Levels | None = None
    coding: SoundCoding | None = None

    @property
    def decoded_from(self) -> SoundCoding | None:
        """The coding of the capture where its samples had to be decoded; else None."""
        return self.coding if self.coding is not None and self.coding.is_decoded else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Library:
    """A library that took part in the run."""

    name: str
    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEvent:
    """Something that was done.

    Parameters
    ----------
    kind : EventKind
    when : str
        ``xs:dateTime`` with offset.
    outcome : Outcome
    detail : str
        What was done, as a sentence.
    outcome_note : str
        What came out of it.
    take : str, optional
        Id of the take it was done for; None for the whole archive.
    paths : tuple of str
        Paths of the files it was done to.
    """

    kind: EventKind
    when: str
    outcome: Outcome
    detail: str = ""
    outcome_note: str = ""
    take: str | None = None
    paths: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFacts:
    """The run that made the archive.

    Parameters
    ----------
    program, version : str
        Name and version of this program.
    archived : str
        When the archive was made: ``xs:dateTime`` with offset.
    bag_identifier : str
        Identifier of the bag, such as a ``urn:uuid:``.
    doi : str, optional
        If one has been assigned.
    replaced_identifier : str
        Identifier of the bag that this one replaces; empty for the first version.
    libraries, events : tuple
    """

    program: str
    version: str
    archived: str
    bag_identifier: str
    doi: str | None = None
    replaced_identifier: str = ""
    libraries: tuple[Library, ...] = ()
    events: tuple[RunEvent, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Archive:
    """Everything the documents are made from.

    ``by_path``, ``by_source``, ``by_take`` and ``master_of`` index the files and masters,
    so that a document stays linear in the number of takes. ``master_at`` gives the facts
    of a master by its path, once for each take that it holds.
    """

    session: Session
    files: tuple[FileFacts, ...]
    masters: tuple[MasterFacts, ...]
    run: RunFacts
    by_path: Mapping[str, FileFacts] = field(init=False, compare=False, repr=False)
    by_source: Mapping[str, FileFacts] = field(init=False, compare=False, repr=False)
    by_take: Mapping[str | None, tuple[FileFacts, ...]] = field(
        init=False, compare=False, repr=False
    )
    master_of: Mapping[str, MasterFacts] = field(init=False, compare=False, repr=False)
    master_at: Mapping[str, tuple[MasterFacts, ...]] = field(init=False, compare=False, repr=False)

    def __post_init__(self) -> None:
        """Index what is looked up once a take."""
        takes: dict[str | None, list[FileFacts]] = {}
        for file in self.files:
            takes.setdefault(file.take, []).append(file)
        paths = {file.path: file for file in self.files}
        places: dict[str, tuple[MasterFacts, ...]] = {}
        for master in self.masters:
            places[master.path] = (*places.get(master.path, ()), master)
        object.__setattr__(self, "master_at", places)
        for file in self.files:
            # A capture may hold several takes; its files belong to each of them.
            for take in self.takes_of(file):
                if take != file.take:
                    takes.setdefault(take, []).append(file)
        object.__setattr__(self, "by_path", paths)
        sources = {
            file.original_name or file.path.removeprefix("data/"): file for file in self.files
        }
        object.__setattr__(self, "by_source", sources)
        object.__setattr__(self, "by_take", {take: tuple(files) for take, files in takes.items()})
        object.__setattr__(self, "master_of", {master.take: master for master in self.masters})

    def takes_of(self, file: FileFacts) -> tuple[str, ...]:
        """Return the ids of the takes that a master, or a copy made from one, holds."""
        held = self.master_at.get(file.derived_from or file.path, ())
        if held:
            return tuple(master.take for master in held)
        return (file.take,) if file.take else ()
