"""What may be left on a disk when the power fails.

A recorder keeps everything that changes the disk, in order. A state after a failure is made
from the part of the record up to some moment: what was flushed since is certain; of the
rest, each write is kept, lost or garbage, and each change of a directory kept or lost, by
chance. The method is that of the crash tests of SQLite, described in its own account of its
testing; POSIX promises no more.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from tests.faults import FaultySeam


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One change of the disk, or one flush."""

    kind: str
    path: Path
    target: Path = Path()
    position: int = 0
    content: bytes = b""


@dataclass(kw_only=True)
class Recorder(FaultySeam):
    """Passes everything on and keeps what changes the disk.

    ``deaf_to`` names flushes that are left out of the record, as if nobody had asked.
    """

    changes: list[Change] = field(default_factory=list)
    deaf_to: frozenset[str] = frozenset()

    def note(self, change: Change) -> None:
        """Keep a change."""
        with self._mutex:
            if change.kind not in self.deaf_to:
                self.changes.append(change)

    def wrote(self, path: Path, position: int, content: bytes) -> None:
        self.note(Change(kind="write", path=path, position=position, content=content))

    def create(self, path: Path) -> BinaryIO:
        file = super().create(path)
        self.note(Change(kind="create", path=path))
        return file

    def fsync(self, file: BinaryIO) -> None:
        super().fsync(file)
        self.note(Change(kind="fsync", path=Path(file.path)))  # type: ignore[attr-defined]

    def fsync_directory(self, path: Path) -> None:
        super().fsync_directory(path)
        self.note(Change(kind="fsync_directory", path=path))

    def mkdir(self, path: Path) -> None:
        super().mkdir(path)
        self.note(Change(kind="mkdir", path=path))

    def rename(self, source: Path, target: Path) -> None:
        super().rename(source, target)
        self.note(Change(kind="rename", path=source, target=target))

    def replace(self, source: Path, target: Path) -> None:
        super().replace(source, target)
        self.note(Change(kind="rename", path=source, target=target))


def state_after_failure(
    changes: list[Change], chance: random.Random, before: dict[Path, bytes] | None = None
) -> dict[Path, bytes]:
    """Return the files, by path, that one possible disk holds.

    ``before`` holds what lay there and was flushed long ago.
    """
    flushed_files: dict[Path, int] = {}
    flushed_directories: dict[Path, int] = {}
    for number, change in enumerate(changes):
        if change.kind == "fsync":
            flushed_files[change.path] = number
        elif change.kind == "fsync_directory":
            flushed_directories[change.path] = number
    held = dict(before or {})
    directories: set[Path] = {path.parent for path in held}
    made = {change.path for change in changes if change.kind == "mkdir"}
    for number, change in enumerate(changes):
        certain_entry = number < flushed_directories.get(change.path.parent, -1)
        if change.kind == "mkdir":
            if certain_entry or chance.random() < 0.5:
                directories.add(change.path)
        elif change.kind == "create":
            home = change.path.parent
            if (certain_entry or chance.random() < 0.5) and (
                home in directories or home not in made
            ):
                held[change.path] = b""
        elif change.kind == "write" and change.path in held:
            fate = 0 if number < flushed_files.get(change.path, -1) else chance.randrange(3)
            if fate == 1:
                continue
            content = change.content if fate == 0 else chance.randbytes(len(change.content))
            old = held[change.path].ljust(change.position, b"\0")
            end = change.position + len(content)
            held[change.path] = old[: change.position] + content + old[end:]
        elif change.kind == "rename" and (certain_entry or chance.random() < 0.5):
            # A name that the disk never took in cannot have been renamed.
            if change.path in made and change.path not in directories:
                continue
            moved = {p: c for p, c in held.items() if p == change.path or change.path in p.parents}
            for path, content in moved.items():
                del held[path]
                held[change.target / path.relative_to(change.path)] = content
    return held
