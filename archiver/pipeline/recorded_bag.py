"""What a bag says of its session and its making, read back from its own records.

The bag is looked over without reading the payload: declaration, manifests, every listed
file there, bytes and number as stated; the records that are read must have their digest.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from archiver import files
from archiver.describe.facts import Archive
from archiver.describe.recorded import KeptFile, archive_of, measured_facts
from archiver.describe.runrecord import RunRecord, decode_run
from archiver.errors import InputError, IntegrityError
from archiver.findings import stops_deposit
from archiver.package.comparison import Comparison, compare
from archiver.package.manifest import hashlib_name
from archiver.package.reader import read_bag
from archiver.package.tagfiles import BagInfo
from archiver.package.tree import Tree, survey
from archiver.session.record_json import session_from_json

__all__ = ["BagRecords", "RecordedBag", "read_recorded"]

SESSION_RECORD = "metadata/session.json"
RUN_RECORD = "metadata/archiving.json"
_LARGEST_BYTES = 1 << 28
_SHOWN = 3
_VERIFY = "See `archiver verify` for all that is wrong, and use another copy of the bag"


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedBag:
    """A bag as its records describe it; ``records`` reads others of them."""

    path: Path
    run: RunRecord
    archive: Archive
    records: BagRecords


def read_recorded(path: Path) -> RecordedBag:
    """Read the records of a bag.

    Parameters
    ----------
    path : Path
        The directory of the bag.

    Raises
    ------
    MisuseError
        It is no directory.
    IntegrityError
        The bag is not whole, or a record has another digest than its manifest says.
    InputError
        It holds no records of this program, or a record cannot be read.
    SurroundingsError
        The bag cannot be read.
    """
    bag = BagRecords(path)
    run = decode_run(bag.record(RUN_RECORD))
    session = session_from_json(bag.json(SESSION_RECORD))
    measured = {
        master.file: measured_facts(bag.json(master.measurements), master.measurements)
        for master in run.masters
    }
    archive = archive_of(session, run, bag.kept(run.algorithms), measured)
    return RecordedBag(path=path, run=run, archive=archive, records=bag)


class BagRecords:
    """The records of a bag that is whole as far as its lists tell."""

    def __init__(self, path: Path) -> None:
        self.path = path
        said = read_bag(path)
        self.info: BagInfo = said.info
        self.tree: Tree = survey(path)
        self.lists: Comparison = compare(said, self.tree)
        found = [*said.findings, *self.tree.findings, *self.lists.findings]
        wrong = [f"{one.where}: {one.message}" for one in found if stops_deposit([one])]
        wrong += [f"{name} is missing" for name in self.lists.missing]
        wrong += [f"{name} stands in no manifest" for name in self.lists.unlisted]
        if wrong:
            more = f"; and {len(wrong) - _SHOWN} more" if len(wrong) > _SHOWN else ""
            raise IntegrityError(
                f"the bag is not whole: {'; '.join(wrong[:_SHOWN])}{more}",
                where=str(path),
                remedy=_VERIFY,
            )

    def holds(self, name: str) -> bool:
        """Say whether the bag has a record of this path."""
        return bool(self.lists.expected.get(name))

    def record(self, name: str) -> bytes:
        """Read a record and compare its digest."""
        expected = self.lists.expected.get(name)
        if not expected:
            raise InputError(
                f"the bag has no {name}",
                where=str(self.path),
                accepted="a bag that this program made",
            )
        content = files.read_bytes(
            self.path.joinpath(*name.split("/")), limit=_LARGEST_BYTES, follow=False
        )
        for one in expected:
            algorithm = hashlib_name(one.algorithm)
            if algorithm is None:
                continue
            digest = hashlib.new(algorithm, content, usedforsecurity=False).hexdigest()
            if digest != one.checksum:
                raise IntegrityError(
                    f"{name} has changed: its {one.algorithm} digest is {digest}, "
                    f"and {one.manifest} says {one.checksum}",
                    where=str(self.path),
                    remedy=_VERIFY,
                )
        return content

    def json(self, name: str) -> dict[str, Any]:
        """Read a record that is a JSON object."""
        try:
            document = json.loads(self.record(name))
        except ValueError as error:
            raise InputError(f"is no JSON ({error})", where=name) from error
        if not isinstance(document, dict):
            raise InputError("is no JSON object", where=name)
        return document

    def kept(self, algorithms: tuple[str, ...]) -> dict[str, KeptFile]:
        """Return size and digests of every file, in the order of the run's algorithms."""
        sizes = {file.path: file.size for file in self.tree.files}
        return {
            path: KeptFile(
                size_bytes=sizes[path],
                digests={
                    one.algorithm: one.checksum
                    for one in sorted(
                        (one for one in expected if one.algorithm in algorithms),
                        key=lambda one: algorithms.index(one.algorithm),
                    )
                },
            )
            for path, expected in self.lists.expected.items()
            if path in sizes
        }
