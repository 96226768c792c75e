"""A store: a folder of bags on a disk, or the same behind any URL that fsspec knows.

A URL is put in the place of a folder: while a store is open, every path below the folder
that stands for it leads to the object store, so that bags there are verified by the same
code as bags on a disk.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote, urlsplit

from archiver import files
from archiver.custody.remote import RemoteSeam
from archiver.errors import ArchiverError, MisuseError
from archiver.telling import command_line

__all__ = ["Store", "bags_of", "is_url", "looks_like_a_bag", "opened_store"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Store:
    """An open store.

    Parameters
    ----------
    location : str
        As it was given.
    name : str
        What the ledger calls it: the resolved path, or the URL.
    root : Path
        Where its bags lie, for all functions that take a path.
    remote : bool
        Whether it lies behind a URL.
    """

    location: str
    name: str
    root: Path
    remote: bool

    def path_of(self, bag: str) -> Path:
        """Return the directory of a bag, by its path in the store."""
        return self.root.joinpath(*bag.split("/"))


_mutex = threading.RLock()
_mounted: dict[str, int] = {}
_seam: RemoteSeam | None = None
_way_back = contextlib.ExitStack()


def is_url(location: str) -> bool:
    """Say whether a location is a URL and not a path of this machine."""
    return "://" in location


@contextlib.contextmanager
def opened_store(location: str, name: str = "") -> Iterator[Store]:
    """Open a store for the time of the block; may be used from several threads.

    Parameters
    ----------
    location : str
        A path, or a URL such as ``s3://bucket/folder``.
    name : str
        What the ledger is to call it, whatever its location.

    Raises
    ------
    MisuseError
        The path is no directory, or nothing here knows the kind of URL.
    SurroundingsError
        It cannot be reached.
    """
    if location.startswith("file://"):
        location = unquote(urlsplit(location).path)
    if not is_url(location):
        root = Path(location)
        resolved = files.resolved(root)
        if not files.status(resolved).is_directory:
            raise MisuseError(
                "is not a directory", where=location, accepted="a folder that holds bags, or a URL"
            )
        # A name of bytes that are no text has no place in the ledger as it is.
        told = (name or str(resolved)).encode("utf-8", "backslashreplace").decode("utf-8")
        yield Store(location=location, name=told, root=root, remote=False)
        return
    url = location.rstrip("/")
    root = Path(url)
    _mount(url, root)
    try:
        yield Store(location=location, name=name or url, root=root, remote=True)
    finally:
        _unmount(url, root)


def _mount(url: str, root: Path) -> None:
    global _seam  # noqa: PLW0603 - one seam for all threads of the process is the point
    with _mutex:
        if not _mounted:
            _seam = RemoteSeam(files.in_use())
            _way_back.enter_context(files.use(_seam))
        seam = _seam
        if seam is None:  # pragma: no cover - mounted and seam go together
            return
        if url not in _mounted:
            try:
                seam.mount(root, url)
            except BaseException:
                if not _mounted:
                    _way_back.close()
                raise
        _mounted[url] = _mounted.get(url, 0) + 1


def _unmount(url: str, root: Path) -> None:
    with _mutex:
        _mounted[url] -= 1
        if _mounted[url]:
            return
        del _mounted[url]
        if _seam is not None:
            _seam.unmount(root)
        if not _mounted:
            _way_back.close()


def looks_like_a_bag(names: frozenset[str]) -> bool:
    """Say whether a directory of these names is a bag, or was one before it was damaged."""
    return "bagit.txt" in names or any(
        name.startswith("manifest-") and name.endswith(".txt") for name in names
    )


def _moved_aside(name: str, beside: frozenset[str]) -> bool:
    """Say whether a folder holds what a repair moved out of the bag that lies beside it."""
    return name.endswith(".set-aside") and name.removesuffix(".set-aside") in beside


def bags_of(store: Store) -> Iterator[str]:
    """Yield the paths of the bags in a store, in order; folders of bags are entered.

    A hidden directory is left out: it is a bag that is being written; so is what a repair moved
    out of a bag, which may look like another one. A directory that cannot be listed is yielded as if it were a bag, so that checking it says so.
    """
    waiting = [""]
    while waiting:
        prefix = waiting.pop()
        place = store.path_of(prefix) if prefix else store.root
        try:
            found = files.entries(place)
        except ArchiverError:
            if not prefix:
                raise
            yield prefix
            continue
        names = frozenset(entry.name for entry in found)
        if looks_like_a_bag(names):
            if not prefix:
                raise MisuseError(
                    "is a bag itself",
                    where=store.location,
                    accepted="the folder that holds bags",
                    remedy="Name the folder above, or verify the bag alone: "
                    f"{command_line('verify', store.location)}",
                )
            yield prefix
            continue
        waiting += [
            f"{prefix}/{entry.name}" if prefix else entry.name
            for entry in reversed(found)
            if entry.is_directory
            and not entry.name.startswith(".")
            and not _moved_aside(entry.name, names)
        ]
