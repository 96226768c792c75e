"""Sending a new version without what the receiver holds already, and making it whole there.

Payload that was handed over with an earlier version is named in ``fetch.txt`` by its digest
(RFC 8493 section 2.2.3, RFC 6920) and left out of the package. The receiver completes the bag
from the earlier version that it holds: each file is copied, its digest compared, and
``fetch.txt`` is taken away, since no tag manifest lists it. What results is the bag as it is
at home, byte for byte.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.errors import ArchiverError, InputError, IntegrityError
from archiver.package.manifest import Manifest, hashlib_name
from archiver.package.named_information import ALGORITHMS, is_ni, ni_of, parse_ni
from archiver.package.names import danger, encode_path, shown
from archiver.package.reader import Bag, read_bag
from archiver.package.tagfiles import FETCH, FetchLine

__all__ = [
    "Completed",
    "Digest",
    "HeldChangedError",
    "LeftOut",
    "complete",
    "left_out",
    "payload_digests",
]

Digest = tuple[str, str]
"""Algorithm as manifests name it, and lower-case hexadecimal."""

# One digest of each file is enough to name it; the first is the one of RFC 6920 itself.
_PREFERRED = ("sha256", "sha512", "sha384")


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """What need not be sent.

    Parameters
    ----------
    paths : tuple of str
        Payload files to leave out of the package, sorted.
    size_bytes : int
        What they hold together.
    fetch : bytes
        Content of ``fetch.txt`` for the package; empty where nothing is left out.
    """

    paths: tuple[str, ...] = ()
    size_bytes: int = 0
    fetch: bytes = b""


@dataclass(frozen=True, slots=True, kw_only=True)
class Completed:
    """What completing a received bag came to.

    Parameters
    ----------
    files : tuple of (str, str)
        Path of each file that was put in, and the name of the bag that it was taken from.
    size_bytes : int
        What they hold together.
    pending : tuple of FetchLine
        Lines of ``fetch.txt`` that are no ``ni`` URIs; the file is kept while there are any.
    """

    files: tuple[tuple[str, str], ...] = ()
    size_bytes: int = 0
    pending: tuple[FetchLine, ...] = ()


def payload_digests(bag: Path | Bag) -> frozenset[Digest]:
    """Return every digest that the payload manifests of a bag list.

    Raises
    ------
    MisuseError, SurroundingsError
        There is no directory to read.
    """
    said = bag if isinstance(bag, Bag) else read_bag(bag)
    return frozenset(
        (manifest.algorithm.lower(), line.checksum)
        for manifest in said.payload_manifests
        for line in manifest.lines
    )


def left_out(bag: Path, held_digests: Collection[Digest], *, authority: str = "") -> LeftOut:
    """Say which payload of a bag need not be sent.

    Parameters
    ----------
    bag : Path
        The bag as it is at home; nothing in it is changed.
    held_digests : collection of Digest
        What the receiver holds, as its receipts say; see :func:`payload_digests`.
    authority : str
        Host of the receiver, for the URIs; may be empty.

    Returns
    -------
    LeftOut
        At least one payload file is always sent, and files that are empty are.

    Raises
    ------
    InputError
        The bag has a ``fetch.txt`` of its own.
    MisuseError, SurroundingsError
        There is no directory to read, or a listed file is not there.

    Source: RFC 8493 section 2.2.3, RFC 6920 section 3.
    """
    said = read_bag(bag)
    if said.fetch or files.exists(bag / FETCH):
        raise InputError(
            "the bag has a fetch.txt of its own",
            where=str(bag / FETCH),
            accepted="a bag that holds all of its payload",
            remedy="Send the whole bag, or complete it first",
        )
    held = frozenset(held_digests)
    named = _named(said.payload_manifests)
    lines: list[tuple[str, int, str]] = []
    for path in sorted(named, key=str.encode):
        known = next((digest for digest in named[path] if digest in held), None)
        if known is None:
            continue
        size = files.status(bag.joinpath(*path.split("/"))).size
        if size:
            lines.append((ni_of(*known, authority), size, path))
    if lines and len(lines) == len(named):
        # A package without any payload would be no bag on its way.
        lines.remove(min(lines, key=lambda line: line[1]))
    if not lines:
        return LeftOut()
    return LeftOut(
        paths=tuple(path for _, _, path in lines),
        size_bytes=sum(size for _, size, _ in lines),
        fetch="".join(f"{url} {size} {encode_path(path)}\n" for url, size, path in lines).encode(),
    )


def _named(manifests: Sequence[Manifest]) -> dict[str, list[Digest]]:
    """Return for each path the digests that can name it, the preferred one first."""
    usable = [m for m in manifests if m.algorithm.lower() in ALGORITHMS]
    usable.sort(key=lambda manifest: _PREFERRED.index(manifest.algorithm.lower()))
    named: dict[str, list[Digest]] = {}
    for manifest in usable:
        for line in manifest.lines:
            named.setdefault(line.path, []).append((manifest.algorithm.lower(), line.checksum))
    return named


def complete(
    bag: Path, earlier: Iterable[Path], *, on_bytes: Callable[[int], None] | None = None
) -> Completed:
    """Put into a received bag what its ``fetch.txt`` names by digest.

    Parameters
    ----------
    bag : Path
        The unpacked bag, in a place of its own; files are written into it.
    earlier : iterable of Path
        Bags that the receiver holds; nothing in them is changed.
    on_bytes : callable, optional
        Called with the number of bytes of each block copied.

    Returns
    -------
    Completed
        Nothing is ever fetched from a network; lines of other URLs are still pending.

    Raises
    ------
    HeldChangedError
        A file of an earlier bag has changed.
    IntegrityError
        No earlier bag holds such content, or the digest that ``fetch.txt`` names is not the
        one of the bag's own manifest. What was put in until then is whole; ``fetch.txt``
        stands.
    InputError
        ``fetch.txt`` cannot be read, or names a file twice or one that is in no manifest.
    """
    said = read_bag(bag)
    wrong = [one for one in said.findings if one.where.file == FETCH]
    if wrong:
        raise InputError(
            f"fetch.txt cannot be followed: {wrong[0].message}",
            where=str(wrong[0].where),
            accepted=wrong[0].accepted,
            remedy="Ask the sender for the whole bag",
        )
    sources = _Held(earlier)
    listed = {
        (m.algorithm.lower(), line.path): line.checksum
        for m in said.payload_manifests
        for line in m.lines
    }
    done: list[tuple[str, str]] = []
    total = 0
    pending: list[FetchLine] = []
    for line in said.fetch:
        if not is_ni(line.url):
            pending.append(line)
            continue
        digest = _promised(line, listed)
        _refuse_links(bag, line.path)
        target = bag.joinpath(*line.path.split("/"))
        if files.exists(target):
            continue
        total += sources.put(digest, line, target, on_bytes)
        done.append((line.path, sources.owner(digest)))
    if said.fetch and not pending:
        files.discard(bag / FETCH)
        files.flush_directory(bag)
    return Completed(files=tuple(done), size_bytes=total, pending=tuple(pending))


def _promised(line: FetchLine, listed: dict[tuple[str, str], str]) -> Digest:
    """Return the digest that a line names, if the bag's own manifest says the same."""
    where = f"{FETCH}:{line.line}"
    if danger(line.path) or not line.path.startswith("data/"):
        raise InputError(f"the path {shown(line.path)!r} is refused", where=where)
    named = parse_ni(line.url)
    if named is None:
        raise InputError(
            f"{shown(line.url[:200])!r} is no ni URI that can be followed",
            where=where,
            accepted="ni://AUTHORITY/sha-256;VALUE, or sha-384 or sha-512, of full length",
            remedy="Ask the sender for the whole bag",
        )
    said = listed.get((named.algorithm, line.path))
    if said is None:
        raise InputError(
            f"{shown(line.path)!r} stands in no {named.algorithm} manifest of the bag",
            where=where,
            remedy="Ask the sender for the whole bag",
        )
    if said != named.digest:
        raise IntegrityError(
            f"fetch.txt and the manifest name {shown(line.path)!r} by different digests: "
            f"{named.digest} and {said}",
            where=where,
            remedy="Do not trust this package: ask the sender for the whole bag",
        )
    return named.algorithm, named.digest


class _Held:
    """The payload of bags that are held, by digest."""

    def __init__(self, bags: Iterable[Path]) -> None:
        self._bags = tuple(bags)

    @functools.cached_property
    def _places(self) -> dict[Digest, tuple[Path, str]]:
        places: dict[Digest, tuple[Path, str]] = {}
        for root in self._bags:
            for manifest in read_bag(root).payload_manifests:
                for line in manifest.lines:
                    key = (manifest.algorithm.lower(), line.checksum)
                    if key not in places and files.exists(root.joinpath(*line.path.split("/"))):
                        places[key] = (root, line.path)
        return places

    def owner(self, digest: Digest) -> str:
        return self._places[digest][0].name

    def put(
        self, digest: Digest, line: FetchLine, target: Path, on_bytes: Callable[[int], None] | None
    ) -> int:
        """Copy the content of a digest to its place in the bag; return its size."""
        held = self._places.get(digest)
        if held is None:
            looked = ", ".join(shown(bag.name) for bag in self._bags) or "none were given"
            raise IntegrityError(
                f"no earlier bag that is held has the content of {shown(line.path)!r} "
                f"({digest[0]} {digest[1]}); looked into: {looked}",
                where=f"{FETCH}:{line.line}",
                remedy="Find the earlier version, or ask the sender for the whole bag",
            )
        root, path = held
        source = root.joinpath(*path.split("/"))
        files.make_directory(target.parent)
        temporary = files.temporary_sibling(target)
        hasher = hashlib.new(hashlib_name(digest[0]) or digest[0], usedforsecurity=False)
        size = 0
        with contextlib.ExitStack() as undo:
            undo.callback(_discard, temporary)
            with files.create(temporary) as writing:
                for block in _blocks(source):
                    hasher.update(block)
                    with files.translated(temporary, "written"):
                        writing.write(block)
                    size += len(block)
                    if on_bytes is not None:
                        on_bytes(len(block))
                files.flush_file(writing, temporary)
            if hasher.hexdigest() != digest[1]:
                raise _changed(source, digest, hasher.hexdigest(), size)
            if line.length not in {None, size}:
                raise InputError(
                    f"fetch.txt states {line.length} bytes for {shown(line.path)!r}; the content "
                    f"that it names has {size}",
                    where=f"{FETCH}:{line.line}",
                    remedy="Do not trust this package: ask the sender for the whole bag",
                )
            files.rename_new(temporary, target)
            undo.pop_all()
        files.flush_directory(target.parent)
        return size


def _discard(temporary: Path) -> None:
    with contextlib.suppress(ArchiverError):
        files.discard(temporary)


class HeldChangedError(IntegrityError):
    """A file that is held, and that would complete a bag, is not what it was."""


def _changed(source: Path, digest: Digest, found: str, size: int) -> HeldChangedError:
    return HeldChangedError(
        f"the file is not what the new version refers to: {size} bytes with the {digest[0]} "
        f"digest {found}; expected is {digest[1]}",
        where=str(source),
        remedy="Verify and repair the earlier bag, or ask the sender for the whole one",
    )


def _refuse_links(bag: Path, path: str) -> None:
    """Refuse a path that leads over a link, which could lead out of the bag."""
    place = bag
    for part in path.split("/"):
        place = place / part
        if not files.exists(place):
            return
        if files.status(place).is_link:
            raise InputError(
                f"the path {shown(path)!r} leads over a link",
                where=FETCH,
                accepted="folders and files of the bag's own",
                remedy="Do not trust this package: ask the sender for the whole bag",
            )


def _blocks(source: Path) -> Iterator[bytes]:
    with files.open_read(source, buffering=0, follow=False) as reading:
        while True:
            with files.translated(source, "read"):
                block = reading.read(files.BLOCK_BYTES)
            if not block:
                return
            yield block
