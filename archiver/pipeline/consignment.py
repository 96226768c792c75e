"""What of a bag is sent, under which names, and in which order."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from archiver.custody.deposit_record import BagIdentity, DepositedFile, Package
from archiver.custody.outgoing import Text, bag_identity, files_of, folder_of
from archiver.custody.places import Place, Sendable
from archiver.custody.unread import require_read
from archiver.errors import IntegrityError, MisuseError
from archiver.package.comparison import compare
from archiver.package.form import Form
from archiver.package.parts import Listed, PartsList, encode_list, part_name, split
from archiver.package.reader import Bag, read_bag
from archiver.package.serialising import Addition, Serialised, serialise
from archiver.package.tagfiles import FETCH
from archiver.package.tree import Tree, survey
from archiver.pipeline.versions_sent import Digest, LeftOut, left_out
from archiver.progress import Progress

__all__ = ["Consignment", "PlannedPackage", "consignment", "send"]

# Of one member of a tar: its header, an extended header for a long name, and padding.
_MOST_HEADER_BYTES = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedPackage:
    """A package that is to be sent; ``size`` is None where only making it tells."""

    name: str
    size: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Consignment:
    """A bag, ready to be sent; nothing of its payload was read yet.

    Parameters
    ----------
    root : Path
    said : Bag
    identity : BagIdentity
    form : Form
    files : tuple of DepositedFile
        All of the bag.
    left_out : LeftOut
        What the receiver holds already.
    package : Serialised, optional
        The bag in its form; None for a folder.
    part_bytes : int, optional
        Most bytes of one file that is sent.
    """

    root: Path
    said: Bag
    identity: BagIdentity
    form: Form
    files: tuple[DepositedFile, ...]
    left_out: LeftOut = field(default_factory=LeftOut)
    package: Serialised | None = None
    part_bytes: int | None = None

    @property
    def in_parts(self) -> bool:
        """Whether the package is sent in parts.

        Where its size is not known, it is if the bag alone would not fit into one part.
        """
        if self.package is None or self.part_bytes is None:
            return False
        size = self.package.size
        if size is None:
            # What cannot be compressed grows by less than this.
            size = self.package.read_bytes + (self.package.read_bytes >> 8)
            size += _MOST_HEADER_BYTES * (len(self.files) + 16)
        return size > self.part_bytes

    def sendables(self) -> Iterator[Sendable]:
        """Yield the package or its parts; take the bytes of each before the next."""
        if self.package is None:
            return
        if self.in_parts and self.part_bytes is not None:
            yield from split(self.package, self.part_bytes)
        else:
            yield self.package

    @property
    def planned(self) -> tuple[PlannedPackage, ...]:
        """The packages, before anything is sent."""
        if self.form is Form.FOLDER:
            size = sum(file.size for file in self.files if file.sent) + len(self.left_out.fetch)
            return (PlannedPackage(name=f"{self.identity.name}/", size=size),)
        if self.package is not None and self.in_parts and self.package.size is None:
            # How many parts there will be shows only when they are made.
            return (PlannedPackage(name=part_name(self.package.name, 1), size=None),)
        return tuple(PlannedPackage(name=one.name, size=one.size) for one in self.sendables())

    @property
    def bytes_to_read(self) -> int:
        """About how much is sent, for the time left."""
        return sum(file.size for file in self.files if file.sent)

    @property
    def seal(self) -> str:
        """SHA-256 of what seals the bag: its tag manifest, or its manifest if it has none."""
        manifests = self.identity.manifests
        return next(
            (
                manifests[name]
                for name in sorted(manifests, key=lambda name: (not name.startswith("tag"), name))
            ),
            "",
        )


def consignment(
    root: Path,
    form: Form,
    *,
    part_bytes: int | None = None,
    held: Sequence[Digest] | frozenset[Digest] = (),
) -> Consignment:
    """Plan how a bag is sent.

    Parameters
    ----------
    root : Path
        The bag's directory.
    form : Form
    part_bytes : int, optional
        Most bytes of one file that is sent.
    held : collection of Digest
        What the receiver holds already and need not be sent.

    Raises
    ------
    IntegrityError, InputError
        The bag is not complete, or holds a name that cannot be packed.
    MisuseError
        It is no bag, or a file of a folder is larger than one file may be.
    """
    said = read_bag(root)
    tree = survey(root)
    require_read((*said.findings, *tree.findings), str(root))
    _refuse_incomplete(root, said, tree)
    without = left_out(root, held) if held else LeftOut()
    identity = bag_identity(said, tree, root.name)
    listed = files_of(said, tree, without.paths)
    made: Serialised | None = None
    if form is Form.FOLDER:
        _refuse_large(root, listed, part_bytes)
    else:
        additions = [Addition(path=FETCH, content=without.fetch)] if without.fetch else []
        made = serialise(root, form, omit=without.paths, additions=additions)
    return Consignment(
        root=root,
        said=said,
        identity=identity,
        form=form,
        files=listed,
        left_out=without,
        package=made,
        part_bytes=part_bytes,
    )


def _refuse_incomplete(root: Path, said: Bag, tree: Tree) -> None:
    missing = sorted(compare(said, tree).missing)
    if missing or not said.payload_manifests:
        what = missing[0] if missing else "a payload manifest"
        raise IntegrityError(
            f"{what} is not there",
            where=str(root),
            accepted="a bag that holds all that its manifests list",
            remedy="Verify the bag and repair it from another copy before it is deposited",
        )


def _refuse_large(root: Path, listed: Sequence[DepositedFile], part_bytes: int | None) -> None:
    large = next((f for f in listed if part_bytes and f.sent and f.size > part_bytes), None)
    if large is not None:
        raise MisuseError(
            f"{large.path} has {large.size} bytes, and a folder is not split",
            where=str(root),
            accepted=f"files of at most {part_bytes} bytes, or a form that can be split",
            remedy="Send it as tar, in parts",
        )


def try_out(goods: Consignment, progress: Progress) -> tuple[PlannedPackage, ...]:
    """Make the packages as for sending and keep nothing of them.

    Returns
    -------
    tuple of PlannedPackage
        Each with its size.

    Raises
    ------
    IntegrityError, InputError
        A file is not what the bag's manifests say: sending would end so.
    """

    def size_of(one: Sendable) -> int:
        size = 0
        for block in one.blocks():
            size += len(block)
            progress.advance(len(block))
        return size

    if goods.form is not Form.FOLDER:
        return tuple(PlannedPackage(name=one.name, size=size_of(one)) for one in goods.sendables())
    additions = {FETCH: goods.left_out.fetch} if goods.left_out.fetch else {}
    size = sum(size_of(file) for _, file in folder_of(goods.root, goods.files, additions))
    return (PlannedPackage(name=f"{goods.identity.name}/", size=size),)


def withdraw(goods: Consignment, place: Place, folder: str) -> bool:
    """Remove what unfinished deliveries of a deposit have left; say whether nothing is there now.

    Raises
    ------
    SurroundingsError
        The far end cannot be reached or written.
    """
    below = {"/".join([goods.identity.name, *file.path.split("/")[:-1]]) for file in goods.files}
    inner = below if goods.form is Form.FOLDER else set[str]()
    for where in (*sorted((f"{folder}/{path}" for path in inner), reverse=True), folder):
        for held in place.listing(where):
            if held.unfinished:
                place.remove_unfinished(held.name, folder=where)
        # An empty folder of a deposit would look like one that is on its way.
        place.remove_empty(where)
    return not place.listing(folder)


def send(goods: Consignment, place: Place, folder: str, progress: Progress) -> Iterator[Package]:
    """Send the packages, one after another; each is verified at the far end when it is yielded.

    Raises
    ------
    IntegrityError
        A file is not what the bag's manifests say, or the far end holds something else.
    SurroundingsError
        The far end cannot be reached or written; what has arrived is gone on with next time.
    """
    if goods.form is not Form.FOLDER:
        listed: list[Listed] = []
        for one in goods.sendables():
            sent = place.send(one, folder=folder, on_bytes=progress.advance)
            listed.append(Listed(name=sent.name, size=sent.size, sha256=sent.sha256))
            yield Package(
                name=sent.name, size=sent.size, sha256=sent.sha256, verified_by=sent.verified_by
            )
        if goods.package is not None:
            parts = PartsList(package=goods.package.name, parts=tuple(listed))
            place.send(Text(name=parts.name, content=encode_list(parts)), folder=folder)
        return
    additions = {FETCH: goods.left_out.fetch} if goods.left_out.fetch else {}
    total = 0
    ways: set[str] = set()
    for below, file in folder_of(goods.root, goods.files, additions):
        sent = place.send(file, folder=f"{folder}/{below}", on_bytes=progress.advance)
        total += sent.size
        ways.add(sent.verified_by)
    yield Package(
        name=f"{goods.identity.name}/",
        size=total,
        sha256=goods.seal,
        verified_by=f"each file: {', '.join(sorted(ways))}",
    )
