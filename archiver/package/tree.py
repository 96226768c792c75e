"""What lies in a bag's directory: one walk, no link followed, nothing opened."""

from __future__ import annotations

import enum
import operator
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.errors import ArchiverError
from archiver.findings import Finding, Where
from archiver.package.names import shown
from archiver.package.rules import FILE_NOT_OPENED, FILE_SPECIAL, LINK, LINK_INSIDE

__all__ = ["Kind", "Tree", "TreeFile", "survey"]


class Kind(enum.Enum):
    """What a name stands for."""

    FILE = enum.auto()
    LINK = enum.auto()
    REFUSED = enum.auto()


@dataclass(frozen=True, slots=True, kw_only=True)
class TreeFile:
    """One name that is not a directory.

    Parameters
    ----------
    path : str
        From the bag's directory, with ``/``.
    size : int
        Bytes; of the target for a link that stays inside.
    kind : Kind
        ``LINK`` leads to a file inside the bag; ``REFUSED`` must not be opened.
    """

    path: str
    size: int
    kind: Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Tree:
    """All files of a bag's directory, in the order of names, and what was wrong."""

    files: tuple[TreeFile, ...]
    has_data: bool
    findings: tuple[Finding, ...]

    def payload(self) -> Iterator[TreeFile]:
        """Yield the files below ``data/``."""
        return (file for file in self.files if file.path.startswith("data/"))


def survey(root: Path) -> Tree:
    """Walk a bag's directory.

    A directory that cannot be listed, a link that leads out of the bag or to a directory,
    and a device are findings; the walk goes on beside them.
    """
    found: list[TreeFile] = []
    findings: list[Finding] = []
    has_data = False
    # Not recursive: depth is limited by the path length of the system, not by ours.
    waiting: list[tuple[Path, str]] = [(root, "")]
    while waiting:
        directory, prefix = waiting.pop()
        try:
            entries = files.entries(directory)
        except ArchiverError as error:
            findings.append(
                FILE_NOT_OPENED.at(Where(file=shown(prefix) or "."), f"the directory {error.found}")
            )
            continue
        for entry in entries:
            path = prefix + entry.name
            if entry.is_link:
                file, finding = _link(root, directory / entry.name, path)
                found.append(file)
                findings.append(finding)
            elif entry.is_file:
                size = entry.size
                if size is None:
                    findings.append(
                        FILE_NOT_OPENED.at(Where(file=shown(path)), "the file has no known size")
                    )
                    size = 0
                found.append(TreeFile(path=path, size=size, kind=Kind.FILE))
            elif entry.is_directory:
                has_data = has_data or path == "data"
                waiting.append((directory / entry.name, f"{path}/"))
            else:
                found.append(TreeFile(path=path, size=0, kind=Kind.REFUSED))
                findings.append(
                    FILE_SPECIAL.at(
                        Where(file=shown(path)),
                        "the name stands for a device, a pipe or a socket",
                        accepted="files and directories",
                    )
                )
    found.sort(key=operator.attrgetter("path"))
    return Tree(files=tuple(found), has_data=has_data, findings=tuple(findings))


def _link(root: Path, place: Path, path: str) -> tuple[TreeFile, Finding]:
    where = Where(file=shown(path))
    refused = TreeFile(path=path, size=0, kind=Kind.REFUSED)
    try:
        target = files.resolved(place)
        status = files.status(target)
        home = files.resolved(root)
    except ArchiverError as error:
        return refused, LINK.at(where, f"the name is a link that {error.found}")
    if not target.is_relative_to(home):
        return refused, LINK.at(
            where, "the name is a link that leads out of the bag", accepted="a file"
        )
    if not status.is_file:
        return refused, LINK.at(
            where, "the name is a link to something that is no file", accepted="a file"
        )
    inside = TreeFile(path=path, size=status.size, kind=Kind.LINK)
    target_path = target.relative_to(home).as_posix()
    return inside, LINK_INSIDE.at(where, f"the name is a link to {shown(target_path)!r}")
