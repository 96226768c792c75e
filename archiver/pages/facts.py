"""What the page is made from: the records of a bag, or those of a folder not yet archived."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from archiver.describe.facts import Archive, FileFacts
from archiver.describe.motion_record import MotionRecord
from archiver.describe.sound_record import SoundRecord
from archiver.findings import Finding
from archiver.session.records import Session

__all__ = ["Links", "PageFacts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PageFacts:
    """Everything that the page tells.

    Parameters
    ----------
    archive : Archive
        The public record with its files; without masters for a folder.
    bag : str
        Name of the bag; empty for a folder.
    version : int
        Of the bag.
    replaces : str
        Name of the bag that this one replaces; empty if none.
    reason : str
        Why there is a new version; empty if that was not said.
    sounds : mapping of str to SoundRecord
        By path of the master.
    motion : MotionRecord, optional
        None if nothing was measured.
    findings : sequence of Finding
        As recorded with the bag.
    algorithms : sequence of str
        Digest algorithms of the manifests.
    restricted_left_out : bool
        There was something that is not public, and the bag does not hold it.
    steps : sequence of str
        What was done to make the bag.
    alone : bool
        The page of a bag goes without the bag, and so without its sound.
    """

    archive: Archive
    bag: str = ""
    version: int = 1
    replaces: str = ""
    reason: str = ""
    sounds: Mapping[str, SoundRecord] = field(default_factory=dict)
    motion: MotionRecord | None = None
    findings: Sequence[Finding] = ()
    algorithms: Sequence[str] = ()
    restricted_left_out: bool = False
    steps: Sequence[str] = ()
    alone: bool = False

    @property
    def session(self) -> Session:
        """The record of the session."""
        return self.archive.session


@dataclass(frozen=True, slots=True, kw_only=True)
class Links:
    """How the page reaches files; each gives an empty text where it cannot.

    Parameters
    ----------
    picture : callable
        The source of a photograph: a reference, or the picture itself as a ``data:`` URL.
    file : callable
        A reference to a file by its path in the bag.
    cover : callable
        As ``picture``, for the one at the head of the page, which stands below once more.
    """

    picture: Callable[[FileFacts], str]
    file: Callable[[str], str]
    cover: Callable[[FileFacts], str]
