"""A bag on its way as a folder: each file sent by itself, and compared while it is read."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.custody.deposit_record import BagIdentity, DepositedFile
from archiver.errors import IntegrityError
from archiver.package.comparison import compare
from archiver.package.manifest import hashlib_name
from archiver.package.reader import Bag
from archiver.package.tree import Tree

__all__ = ["BagFile", "Text", "bag_identity", "files_of", "folder_of"]

_FIRST = "sha256"
_NO_WORD = ("", "-")


@dataclass(frozen=True, slots=True, kw_only=True)
class BagFile:
    """A file of a bag, read once from beginning to end and compared with its digest.

    Parameters
    ----------
    path : Path
    name : str
        At the far end.
    size : int
        Bytes.
    algorithm, digest : str
        As :mod:`hashlib` names it, and what the file must have; empty to compare nothing.
    """

    path: Path
    name: str
    size: int
    algorithm: str
    digest: str

    def blocks(self, start: int = 0) -> Iterator[bytes]:
        """Yield its bytes from an offset on.

        Raises
        ------
        IntegrityError
            It is not the file that the bag's manifests list, or ends early or late; the last
            block is not yielded then.
        """
        hasher = hashlib.new(self.algorithm or _FIRST, usedforsecurity=False)
        position = 0
        with files.open_read(self.path, buffering=0, follow=False) as file:
            while position < self.size or position == 0:
                with files.translated(self.path, "read"):
                    block = file.read(files.BLOCK_BYTES)
                if not block:
                    break
                hasher.update(block)
                position += len(block)
                if position >= self.size:
                    self._require(hasher.hexdigest(), position)
                if position > start:
                    yield block[max(0, start - (position - len(block))) :]
        if position < self.size:
            self._require(hasher.hexdigest(), position)

    def _require(self, digest: str, size: int) -> None:
        if size != self.size:
            raise IntegrityError(
                f"has {size} bytes; it had {self.size} when the deposit began",
                where=str(self.path),
                remedy="Verify the bag, and deposit again",
            )
        if self.digest and digest != self.digest:
            raise IntegrityError(
                f"its {self.algorithm} is {digest}; the manifest says {self.digest}",
                where=str(self.path),
                remedy="Verify the bag and repair it from another copy before it is deposited",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A small file that is sent out of memory."""

    name: str
    content: bytes

    @property
    def size(self) -> int:
        """Bytes."""
        return len(self.content)

    def blocks(self, start: int = 0) -> Iterator[bytes]:
        """Yield its bytes from an offset on."""
        yield self.content[start:]


def bag_identity(bag: Bag, tree: Tree, name: str) -> BagIdentity:
    """Say which bag it is, by names, digests and size."""
    payload = list(tree.payload())
    return BagIdentity(
        name=name,
        identifier=_stated(bag, "External-Identifier"),
        version=_stated(bag, "Bag-Version"),
        replaces=_stated(bag, "Bag-Replaces"),
        manifests=dict(bag.manifest_digests),
        payload_files=len(payload),
        payload_bytes=sum(file.size for file in payload),
    )


def _stated(bag: Bag, label: str) -> str:
    value = next(iter(bag.info.values(label)), "").strip()
    return "" if value in _NO_WORD else value


def files_of(bag: Bag, tree: Tree, left_out: Collection[str] = ()) -> tuple[DepositedFile, ...]:
    """List every file of a bag with one digest, SHA-256 where there is one."""
    expected = compare(bag, tree).expected
    manifests = dict(bag.manifest_digests)
    absent = frozenset(left_out)
    listed = []
    for file in tree.files:
        digests = {said.algorithm.lower(): said.checksum for said in expected.get(file.path, ())}
        if file.path in manifests:
            digests = {_FIRST: manifests[file.path]}
        algorithm = _FIRST if _FIRST in digests else next(iter(sorted(digests)), "")
        listed.append(
            DepositedFile(
                path=file.path,
                size=file.size,
                algorithm=algorithm,
                digest=digests.get(algorithm, ""),
                sent=file.path not in absent,
            )
        )
    return tuple(sorted(listed, key=lambda one: one.path.encode("utf-8", "surrogateescape")))


def folder_of(
    root: Path, listed: Sequence[DepositedFile], additions: Mapping[str, bytes]
) -> Iterator[tuple[str, BagFile | Text]]:
    """Yield the files of a bag that is sent as a folder, each with its folder at the far end.

    The declaration comes last: before it is there, no reader takes the folder for a bag.
    """
    last: tuple[str, BagFile | Text] | None = None
    for path, content in additions.items():
        folder, _, name = path.rpartition("/")
        yield f"{root.name}/{folder}".rstrip("/"), Text(name=name, content=content)
    for file in listed:
        if not file.sent:
            continue
        folder, _, name = file.path.rpartition("/")
        sendable = BagFile(
            path=root.joinpath(*file.path.split("/")),
            name=name,
            size=file.size,
            algorithm=hashlib_name(file.algorithm) or "" if file.algorithm else "",
            digest=file.digest,
        )
        pair = (f"{root.name}/{folder}".rstrip("/"), sendable)
        if file.path == "bagit.txt":
            last = pair
        else:
            yield pair
    if last is not None:
        yield last
