"""Notes of deposits that were begun and are not complete, so that none is forgotten.

They lie among the papers and are no part of the record: the ledger knows only deposits that
are complete.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from archiver import files
from archiver.custody.statements import statement_bytes
from archiver.errors import ArchiverError

__all__ = ["Begun", "begun_in", "note_begun", "note_ended"]

_NAME = "under-way.json"
_LARGEST_BYTES = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Begun:
    """A deposit that was begun.

    Parameters
    ----------
    deposit, bag, institution, to : str
        As its record will state them.
    begun : str
        When it was last begun, or gone on with: RFC 3339 in UTC.
    failed : str
        Why the same command again cannot go on with it; empty if it can.
    """

    deposit: str
    bag: str
    institution: str
    to: str
    begun: str
    failed: str = ""

    @property
    def moment(self) -> datetime:
        """When it was last begun."""
        return datetime.fromisoformat(self.begun)


def note_begun(folder: Path, begun: Begun) -> None:
    """Note that a deposit is begun, in the folder of its papers."""
    files.make_directory(folder)
    files.write_whole(folder / _NAME, statement_bytes(asdict(begun)))


def note_ended(folder: Path) -> None:
    """Take the note away, and the folder with it if it held nothing else; absence is fine."""
    files.discard(folder / _NAME)
    if files.exists(folder) and not files.entries(folder):
        files.discard(folder)


def begun_in(papers: Path, known: Collection[str]) -> tuple[Begun, ...]:
    """Return the deposits that were begun and that the ledger does not know.

    Parameters
    ----------
    papers : Path
        Folder of the papers of all deposits; it need not be there.
    known : collection of str
        Identifiers of those in the ledger.
    """
    if not files.exists(papers):
        return ()
    found = []
    for entry in files.entries(papers):
        place = papers / entry.name / _NAME
        if not entry.is_directory or entry.name in known or not files.exists(place):
            continue
        try:
            note = Begun(**json.loads(files.read_bytes(place, limit=_LARGEST_BYTES)))
            # A note of another form, or of another time zone, is no note of ours.
            usable = note.deposit == entry.name and note.moment.tzinfo is not None
        except (ArchiverError, ValueError, TypeError, AttributeError):
            continue
        if usable:
            found.append(note)
    return tuple(sorted(found, key=lambda one: (one.begun, one.deposit)))
