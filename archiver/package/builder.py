"""Make a bag: all of it under its final name, or nothing.

Everything is written to a hidden directory beside the final one, read back, brought to
the medium and renamed. A lock keeps two runs apart; what a killed run left is removed by
the next.

Source: RFC 8493 sections 2.1 and 2.2; the order of writing and flushing is the house's own.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, BinaryIO, Self

from archiver import files
from archiver.errors import (
    ArchiverError,
    DefectError,
    InputError,
    IntegrityError,
    MisuseError,
    SurroundingsError,
)
from archiver.package.claims import Claims, require_bag_name
from archiver.package.manifest import encode_manifest, hashlib_name, manifest_kind
from archiver.package.names import shown
from archiver.package.settling import Handed, Settler
from archiver.package.sources import blocks_of, changed, unchanged
from archiver.package.space import require_space
from archiver.package.tagfiles import BAG_INFO, FETCH, bag_size, encode_bag_info
from archiver.package.text import DECLARATION, encode_declaration
from archiver.package.tree import survey
from archiver.package.versions import next_version, unversioned_name, versioned_name
from archiver.signal.stream import run_pass

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

__all__ = [
    "ALGORITHMS",
    "BagBuilder",
    "StoredFile",
]

ALGORITHMS = ("sha256", "sha512", "md5")
"""What a bag of ours can be protected with, the default first."""

# Large enough that handing a block from thread to thread costs nothing beside hashing it.
_READ_BACK_BYTES = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFile:
    """A file of the bag being made.

    Parameters
    ----------
    path : str
        In the bag, with ``/``.
    size : int
        Bytes.
    digests : tuple of tuple of str
        Algorithm and lower-case hexadecimal digest, in the order asked for.
    """

    path: str
    size: int
    digests: tuple[tuple[str, str], ...]

    def digest(self, algorithm: str) -> str:
        """Return the digest of an algorithm."""
        return dict(self.digests)[algorithm]


class BagBuilder:
    """Writes one bag. Use as a context manager; nothing stays unless :meth:`seal` returned.

    Methods may be called from several threads.

    Parameters
    ----------
    destination : Path
        Directory that will hold the bag; made if it is missing.
    name : str
        Name of the bag's directory.
    algorithms : sequence of str
        Of :data:`ALGORITHMS`; each gives a payload and a tag manifest.
    needed_bytes : int
        Refuse to begin with less free space, see :func:`bytes_needed`.
    on_bytes : callable, optional
        Called with the number of bytes copied, for progress.

    Raises
    ------
    MisuseError
        On entering: the name is taken or unfit, an algorithm is not offered, or another
        run is making this bag.
    SurroundingsError
        On entering: no space, no permission.
    """

    def __init__(
        self,
        destination: Path,
        name: str,
        algorithms: Sequence[str] = ("sha256",),
        *,
        needed_bytes: int = 0,
        on_bytes: Callable[[int], None] | None = None,
    ) -> None:
        require_bag_name(name)
        for algorithm in algorithms:
            if algorithm not in ALGORITHMS:
                raise MisuseError(
                    f"the digest algorithm {algorithm!r} is not offered",
                    accepted=", ".join(ALGORITHMS),
                )
        if not algorithms:
            raise MisuseError("no digest algorithm was named", accepted=", ".join(ALGORITHMS))
        self.destination = destination
        self.name = name
        self.final = destination / name
        self.algorithms = tuple(dict.fromkeys(algorithms))
        self._needed_bytes = needed_bytes
        self._on_bytes = on_bytes
        self._mutex = threading.Lock()
        self._stored: dict[str, StoredFile] = {}
        self._claims = Claims(str(self.final))
        self._handed: dict[str, Handed] = {}
        self._directories: set[Path] = set()
        self._sealed = False

    def __enter__(self) -> Self:
        """Take the lock, look for room and begin."""
        self._exit = contextlib.ExitStack()
        with contextlib.ExitStack() as undo:
            self._make_destination(undo)
            undo.enter_context(files.lock(self._lock_path, busy=self._busy()))
            if files.exists(self.final):
                raise self._taken()
            self._remove_leftovers()
            if self._needed_bytes:
                require_space(self.destination, self._needed_bytes)
            self._root = files.temporary_sibling(self.final)
            undo.callback(self._discard)
            files.make_directory(self._root)
            self._directories.add(self._root)
            self._settler = undo.enter_context(Settler())
            self._exit = undo.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Remove everything unless the bag is sealed, and let go of the lock."""
        self._exit.__exit__(kind, error, trace)

    def _make_destination(self, undo: contextlib.ExitStack) -> None:
        missing: list[Path] = []
        place = self.destination
        while not files.exists(place) and place != place.parent:
            missing.append(place)
            place = place.parent
        # Registered before they are made: an interrupt between the two leaves nothing.
        for directory in reversed(missing):
            undo.callback(self._remove_if_empty, directory)
        files.make_directory(self.destination)
        if not files.status(files.resolved(self.destination)).is_directory:
            raise MisuseError(
                "is not a directory",
                where=str(self.destination),
                accepted="a directory for the bag",
                remedy="Choose another destination",
            )
        for directory in missing:
            files.flush_directory(directory.parent)

    def _remove_if_empty(self, directory: Path) -> None:
        if self._sealed:
            return
        with contextlib.suppress(ArchiverError):
            if files.exists(directory) and not files.entries(directory):
                files.discard(directory)

    @property
    def _lock_path(self) -> Path:
        return self.destination / f".{self.name}.lock"

    def _busy(self) -> MisuseError:
        return MisuseError(
            "another run is making this bag at this moment",
            where=str(self.final),
            remedy=f"Wait until it has ended; it holds {self._lock_path.name}",
        )

    def _taken(self) -> MisuseError:
        name = unversioned_name(self.name)
        version = next_version(self.destination, name)
        return MisuseError(
            "a bag of this name exists already, and no bag is ever overwritten",
            where=str(self.final),
            remedy=(
                f"Make a new version of it with --version {version}; it will be named "
                f"{versioned_name(name, version)}"
            ),
        )

    def _remove_leftovers(self) -> None:
        # The lock is held, so the run that made these has ended.
        pattern = re.compile(rf"\.{re.escape(self.name)}\.[0-9a-f]+\.unfinished")
        for entry in files.entries(self.destination):
            if pattern.fullmatch(entry.name):
                files.discard(self.destination / entry.name)

    def _discard(self) -> None:
        for handed in self._handed.values():
            handed.abandon()
        if not self._sealed:
            with contextlib.suppress(ArchiverError):
                files.discard(self._root)

    @property
    def stored(self) -> tuple[StoredFile, ...]:
        """What was written so far, in the order in which it was finished."""
        with self._mutex:
            return tuple(self._stored.values())

    def copy(
        self,
        source: Path,
        path: str,
        *,
        also: Sequence[Callable[[ReadableBuffer], object]] = (),
    ) -> StoredFile:
        """Copy a file into the bag, hashing what is copied.

        Parameters
        ----------
        source : Path
            A file of its own; links and devices are refused.
        path : str
            Where in the bag, such as ``data/photographs/horn.png``.
        also : sequence of callable
            Each is called with every block; the buffer is valid for the call only.

        Raises
        ------
        InputError
            The source is no file or changed while it was copied; or the path is not one
            that every system takes.
        SurroundingsError
            Reading or writing failed.
        """
        with unchanged(source) as before:
            reading = files.open_read(source, buffering=0, follow=False)
            with reading:
                stored = self._write(path, blocks_of(reading, source, before.size), also)
            if stored.size != before.size:
                raise changed(source, f"{stored.size} of {before.size} bytes could be read")
        return stored

    def write_payload(self, path: str, content: bytes) -> StoredFile:
        """Write a small payload file; ``path`` begins ``data/``."""
        if not path.startswith("data/"):
            raise DefectError(f"{path} is no path of a payload file")
        return self._write(path, (content,), ())

    def write_tag(self, path: str, content: bytes) -> StoredFile:
        """Write a tag file such as ``metadata/session.json``."""
        if (
            path.startswith("data/")
            or path in {"data", DECLARATION, BAG_INFO, FETCH}
            or manifest_kind(path) is not None
        ):
            raise DefectError(f"{path} is no path of a tag file that can be written")
        return self._write(path, (content,), ())

    def create(self, path: str) -> BinaryIO:
        """Open a new file of the bag, for writing and reading by the caller.

        Close it, then call :meth:`adopt`.
        """
        handed = Handed(*self._open(path), settler=self._settler)
        with self._mutex:
            self._handed[path] = handed
        return handed.as_binary()

    def adopt(
        self, path: str, *, also: Sequence[Callable[[ReadableBuffer], object]] = ()
    ) -> StoredFile:
        """Take in what the caller wrote: hash it by reading it back.

        Parameters
        ----------
        path : str
            As given to :meth:`create`.
        also : sequence of callable
            Each is called with every block that is read back, in a thread of its own, for
            instance to confirm digests of the samples.
        """
        with self._mutex:
            handed = self._handed.get(path)
        if handed is None:
            raise DefectError(f"{path} was not created here")
        handed.close()
        with self._mutex:
            del self._handed[path]
        self._settler.settle(handed.inner, handed.path, None)
        hashers = self._hashers()
        size = run_pass(
            _read_anew(handed.path), [*(hasher.update for hasher in hashers.values()), *also]
        )
        stored = StoredFile(path=path, size=size, digests=_digests(hashers))
        with self._mutex:
            self._stored[path] = stored
        self._settler.check()
        return stored

    def seal(self, bag_info: Sequence[tuple[str, str]]) -> Path:
        """Write the manifests, bring everything to the medium and give the bag its name.

        Parameters
        ----------
        bag_info : sequence of tuple of str
            Elements of ``bag-info.txt`` in order; Bag-Size and Payload-Oxum are added.

        Returns
        -------
        Path
            The bag.

        Raises
        ------
        IntegrityError
            What is read back is not what was written.
        SurroundingsError
            Flushing or renaming failed; nothing is left.

        Source: RFC 8493 sections 2.1.3, 2.2.1, 2.2.2.
        """
        if self._handed:
            raise DefectError(f"{', '.join(sorted(self._handed))} was created and not adopted")
        payload = [f for f in self._stored.values() if f.path.startswith("data/")]
        if not payload:
            raise InputError("there is nothing to put into the bag", where=str(self.final))
        octets = sum(file.size for file in payload)
        info = encode_bag_info(
            [
                *bag_info,
                ("Bag-Size", bag_size(octets)),
                ("Payload-Oxum", f"{octets}.{len(payload)}"),
            ]
        )
        for algorithm in self.algorithms:
            content = encode_manifest((f.path, f.digest(algorithm)) for f in payload)
            self._write(f"manifest-{algorithm}.txt", (content,), ())
        self._write(DECLARATION, (encode_declaration(),), ())
        self._write(BAG_INFO, (info,), ())
        tags = [f for f in self._stored.values() if not f.path.startswith("data/")]
        for algorithm in self.algorithms:
            content = encode_manifest((f.path, f.digest(algorithm)) for f in tags)
            self._write(f"tagmanifest-{algorithm}.txt", (content,), ())
        self._settler.finish()
        self._confirm_tree()
        for directory in sorted(self._directories, key=lambda d: len(d.parts), reverse=True):
            files.flush_directory(directory)
        self._rename()
        return self.final

    def _confirm_tree(self) -> None:
        found = {file.path: file.size for file in survey(self._root).files}
        wanted = {file.path: file.size for file in self._stored.values()}
        if found != wanted:
            names = sorted(
                path for path in found.keys() | wanted.keys() if found.get(path) != wanted.get(path)
            )
            raise IntegrityError(
                f"what lies there is not what was written: {', '.join(map(shown, names[:5]))}",
                where=str(self._root),
                remedy="Find out which other program works in this directory, then run again",
            )

    def _rename(self) -> None:
        try:
            files.rename_new(self._root, self.final)
            files.flush_directory(self.destination)
        except BaseException:
            # A run that fails leaves nothing, not even a bag that is probably whole.
            with contextlib.suppress(ArchiverError):
                if not files.exists(self._root) and files.exists(self.final):
                    files.rename_new(self.final, self._root)
            raise
        self._sealed = True

    def _hashers(self) -> dict[str, hashlib._Hash]:
        return {a: hashlib.new(_hashlib(a), usedforsecurity=False) for a in self.algorithms}

    def _open(self, path: str) -> tuple[BinaryIO, Path]:
        self._settler.check()
        self._claims.claim(path)
        place = self._root.joinpath(*path.split("/"))
        with self._mutex:
            directory = place.parent
            if directory not in self._directories:
                files.make_directory(directory)
                while directory not in self._directories:
                    self._directories.add(directory)
                    directory = directory.parent
        return files.create(place), place

    def _write(
        self,
        path: str,
        blocks: Iterable[ReadableBuffer],
        also: Sequence[Callable[[ReadableBuffer], object]],
    ) -> StoredFile:
        hashers = self._hashers()
        inner, place = self._open(path)
        # The settler closes the file that it is given; until then it is ours to close.
        with contextlib.ExitStack() as ours:
            ours.callback(_close_quietly, inner)
            size = unflushed = 0
            for block in blocks:
                for hasher in hashers.values():
                    hasher.update(block)
                for consume in also:
                    consume(block)
                with files.translated(place, "written"):
                    inner.write(block)
                count = memoryview(block).nbytes
                size += count
                unflushed = self._settler.early(inner, place, unflushed + count)
                if self._on_bytes is not None:
                    self._on_bytes(count)
            stored = StoredFile(path=path, size=size, digests=_digests(hashers))
            with self._mutex:
                self._stored[path] = stored
            expected = (_hashlib(self.algorithms[0]), stored.digests[0][1])
            ours.pop_all()
            self._settler.settle(inner, place, expected)
        return stored


def _hashlib(algorithm: str) -> str:
    name = hashlib_name(algorithm)
    if name is None:
        raise SurroundingsError(
            f"this machine's Python does not offer {algorithm}",
            remedy="Use another digest algorithm or another Python",
        )
    return name


def _digests(hashers: dict[str, hashlib._Hash]) -> tuple[tuple[str, str], ...]:
    return tuple((algorithm, hasher.hexdigest()) for algorithm, hasher in hashers.items())


def _read_anew(path: Path) -> Iterator[bytes]:
    with files.open_read(path, buffering=0) as file:
        while True:
            with files.translated(path, "read back"):
                block = file.read(_READ_BACK_BYTES)
            if not block:
                return
            yield block


def _close_quietly(file: BinaryIO) -> None:
    # Whatever closing says, an error is already on its way.
    with contextlib.suppress(OSError):
        file.close()
