"""Hash many files on all processors: each once, large ones first, in constant memory.

Threads suffice, since hashlib lets go of the interpreter while it hashes a block. The caller's
own thread is one of them: to wait is no work.
"""

from __future__ import annotations

import contextlib
import operator
import os
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from archiver import files
from archiver.errors import ArchiverError

__all__ = ["Hashed", "HashingStopped", "Job", "Journal", "hash_all", "processors"]


_BLOCK_BYTES = 1 << 20
"""What is read at a time: it stays in the cache of the processor that hashes it, and is so large
that handing the interpreter to and fro costs nothing beside hashing. An eighth of this took two
threads 5 % longer."""
_SMALL_BYTES = 1 << 17
"""Below this, opening takes longer than hashing, and threads only hinder each other: ten
thousand files of 16 KiB take one thread half of the time that they take two."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A file to hash.

    Parameters
    ----------
    path : str
        From the root, with ``/``.
    size : int
        Bytes, for the order.
    algorithms : tuple of str
        As :mod:`hashlib` names them.
    wanted : tuple of (str, str)
        Algorithms and digests; if one is not met the file is read a second time.
    follow : bool
        Whether the path may be a link.
    """

    path: str
    size: int
    algorithms: tuple[str, ...]
    wanted: tuple[tuple[str, str], ...] = ()
    follow: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Hashed:
    """What reading a file gave.

    Parameters
    ----------
    path : str
        As in the job.
    size : int
        Bytes read; 0 if reading failed.
    digests : dict of str to str
        Of the first reading, by algorithm.
    again : dict of str to str
        Of the second reading; empty if there was none.
    error : ArchiverError, optional
        Why the file could not be read to its end.
    """

    path: str
    size: int
    digests: dict[str, str]
    again: dict[str, str]
    error: ArchiverError | None = None


class HashingStopped(Exception):  # noqa: N818 - nothing has gone wrong
    """The caller's time is up; what was hashed stands in the journal."""


class Journal(Protocol):
    """Keeps the digests of files read so far, so that an interrupted check can go on."""

    def wants(self, total_bytes: int) -> bool:
        """Say whether so many bytes are worth remembering file by file."""

    def recall(self, path: str, status: files.Status) -> dict[str, str] | None:
        """Return the digests of a file that is still as it was when it was read."""

    def note(self, path: str, status: files.Status, digests: dict[str, str]) -> None:
        """Keep the digests of a file; may be called from any thread."""


_NOTHING: dict[str, str] = {}


def processors() -> int:
    """Return how many processors this process may use, which may be fewer than there are."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class _Stopped(BaseException):
    """Another thread has failed, or the person has interrupted."""


def hash_all(
    root: Path,
    jobs: Sequence[Job],
    *,
    workers: int | None = None,
    on_bytes: Callable[[int], None] | None = None,
    journal: Journal | None = None,
    until: Callable[[], bool] | None = None,
) -> dict[str, Hashed]:
    """Hash files below a directory.

    Parameters
    ----------
    root : Path
        The directory.
    jobs : sequence of Job
        In any order.
    workers : int, optional
        Threads, and files open at a time; the number of processors by default.
    on_bytes : callable, optional
        Called with the number of bytes of each block, from any thread.
    journal : Journal, optional
        Asked for each file before it is read, and told after.
    until : callable, optional
        Asked before each file; once it says yes no further file is begun.

    Returns
    -------
    dict of str to Hashed
        By path. What cannot be read is among them, with its error.

    Raises
    ------
    HashingStopped
        ``until`` said yes before all files were read.
    """
    number = max(1, min(workers or processors(), len(jobs)))
    if all(job.size < _SMALL_BYTES for job in jobs):
        number = 1
    if journal is not None and not journal.wants(sum(job.size for job in jobs)):
        journal = None
    stop = threading.Event()

    def count(size: int) -> None:
        if stop.is_set():
            raise _Stopped
        if on_bytes is not None:
            on_bytes(size)

    # Nobody else can ask a single thread to stop.
    counted = on_bytes if number == 1 else count
    # The largest first: a large file begun last would leave one processor alone with it.
    queue = iter(sorted(jobs, key=operator.attrgetter("size"), reverse=True))
    mutex = threading.Lock()
    done: dict[str, Hashed] = {}

    def work(smallest_bytes: int) -> None:
        buffer = bytearray(_BLOCK_BYTES)
        while not stop.is_set():
            if until is not None and until():
                return
            with mutex:
                job = next(queue, None)
            if job is None:
                return
            done[job.path] = _remembered(root, job, buffer, counted, journal)
            if job.size < smallest_bytes:
                return

    failures: list[BaseException] = []

    def beside() -> None:
        try:
            # One thread goes on to the small files, the others leave when they meet one.
            work(_SMALL_BYTES)
        except BaseException as error:  # noqa: BLE001 - raised again in the caller's thread
            failures.append(error)
            stop.set()

    others = [threading.Thread(target=beside, name=f"hash-{i}") for i in range(1, number)]
    try:
        for other in others:
            other.start()
        work(0)
        for other in others:
            other.join()
    except BaseException as error:
        stop.set()
        for other in others:
            if other.ident is not None:
                other.join()
        if not isinstance(error, _Stopped):
            raise
    # The first failure has stopped the other threads; theirs say no more than that.
    for failure in failures:
        if not isinstance(failure, _Stopped):
            raise failure
    if len(done) < len(jobs):
        raise HashingStopped
    return done


def _remembered(
    root: Path,
    job: Job,
    buffer: bytearray,
    count: Callable[[int], None] | None,
    journal: Journal | None,
) -> Hashed:
    # What a link leads to may change without the link.
    if journal is None or job.follow:
        return _hash(root, job, buffer, count)
    try:
        before = files.status(f"{root}/{job.path}")
    except ArchiverError:
        return _hash(root, job, buffer, count)
    known = journal.recall(job.path, before)
    if known is not None and set(known) == set(job.algorithms):
        if count is not None:
            count(before.size)
        return Hashed(path=job.path, size=before.size, digests=known, again={})
    hashed = _hash(root, job, buffer, count)
    if hashed.error is None and not hashed.again:
        journal.note(job.path, before, hashed.digests)
    return hashed


def _hash(root: Path, job: Job, buffer: bytearray, count: Callable[[int], None] | None) -> Hashed:
    place = f"{root}/{job.path}"
    try:
        if job.size < _SMALL_BYTES:
            size, digests = files.digests_at_once(
                place, job.algorithms, expected_bytes=job.size, follow=job.follow
            )
            if count is not None:
                count(size)
        else:
            size, digests = files.digests_of(
                place, job.algorithms, on_bytes=count, buffer=buffer, follow=job.follow
            )
    except ArchiverError as error:
        return Hashed(path=job.path, size=0, digests={}, again={}, error=error)
    for name, digest in job.wanted:
        if digests[name] != digest:
            break
    else:
        return Hashed(path=job.path, size=size, digests=digests, again=_NOTHING)
    again: dict[str, str] = {}
    # The second reading only tells a fault of the medium from one of the reading; if it
    # fails, the first still stands.
    with contextlib.suppress(ArchiverError):
        files.drop_cache(Path(place))
        _, again = files.digests_of(place, job.algorithms, buffer=buffer, follow=job.follow)
    return Hashed(path=job.path, size=size, digests=digests, again=again)
