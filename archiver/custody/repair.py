"""Repair a copy of a bag from good ones: beside, read back, swapped, every step recorded.

A file that is good is never opened for writing, replaced or moved. A bad one stays as it is
until a good one lies beside the bag, flushed and read back from the medium; then one rename
puts it in place. What does not belong into the bag is moved beside it and not removed, and what
agreed with the copy's own manifests is kept there too: a wrong decision must not cost the sound.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver import files
from archiver.custody.audit import plain
from archiver.custody.copies import (
    Comparison,
    Copy,
    CopyVerdict,
    FileState,
    agrees,
    statements_of,
)
from archiver.custody.entry import Draft, EntryKind, moment_text
from archiver.custody.ledger import Ledger
from archiver.custody.store import Store
from archiver.errors import ArchiverError, IntegrityError, MisuseError
from archiver.package.names import danger
from archiver.package.space import require_space

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

__all__ = [
    "Repair",
    "RepairStep",
    "aside_place",
    "move_aside",
    "put_in_place",
    "repair_copies",
    "sweep",
    "working_place",
]

_LEFTOVER = re.compile(r"\.(?P<bag>.+)\.[0-9a-f]{8}\.repairing", re.DOTALL)


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairStep:
    """One thing that was done, or could not be.

    Parameters
    ----------
    store, bag, path : str
        The path is empty for a whole bag.
    kind : EntryKind
        As the ledger has it.
    note : str
        Where the good bytes came from, or why nothing was done.
    """

    store: str
    bag: str
    path: str
    kind: EntryKind
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Repair:
    """What a repair did."""

    steps: tuple[RepairStep, ...]

    @property
    def complete(self) -> bool:
        """Whether nothing failed."""
        return all(step.kind is not EntryKind.REPAIR_FAILED for step in self.steps)


def repair_copies(
    comparison: Comparison, ledger: Ledger, *, on_bytes: Callable[[int], None] | None = None
) -> Repair:
    """Repair every copy that is not good, as far as there are good files.

    Parameters
    ----------
    comparison : Comparison
        Of the copies as they are now.
    ledger : Ledger
        Told before and after each step.
    on_bytes : callable, optional
        Called with the number of bytes of each block copied.

    Raises
    ------
    MisuseError
        Nothing decides which copy is right, or another process is repairing this bag.
    SurroundingsError
        A disk is full or cannot be written; the file in hand is as it was.
    """
    reference = comparison.reference
    if reference is None:
        raise MisuseError(
            "the copies contradict each other and nothing decides between them",
            where=comparison.bag,
            remedy="Add a third copy, or the ledger of an audit made while the bag was intact, or "
            "name whose signature counts with --signers",
        )
    steps: list[RepairStep] = []
    for copy, verdict, states in zip(
        comparison.copies, comparison.verdicts, comparison.states, strict=True
    ):
        if verdict is CopyVerdict.GOOD:
            continue
        with working_place(copy.store, copy.bag) as place:
            work = _Repair(comparison, copy, ledger, place, on_bytes)
            if verdict is CopyVerdict.ABSENT:
                work.replicate(reference.statements)
            elif verdict is CopyVerdict.UNUSABLE:
                work.fail("", copy.error)
            else:
                work.mend(states)
            steps += work.steps
    return Repair(steps=tuple(steps))


@contextlib.contextmanager
def working_place(store: Store, bag: str) -> Iterator[Path]:
    """Hold a bag for repair, and give a hidden place beside it on the same file system."""
    target = store.path_of(bag)
    files.make_directory(target.parent)
    with _held(target):
        place = target.with_name(f".{target.name}.{secrets.token_hex(4)}.repairing")
        try:
            yield place
        finally:
            files.discard(place)


def _held(target: Path) -> contextlib.AbstractContextManager[None]:
    busy = MisuseError(
        "is being repaired by another process",
        where=str(target),
        remedy="Run again when that has ended",
    )
    return files.lock(target.with_name(f".{target.name}.repair.lock"), busy=busy)


def sweep(store: Store, bags: Iterable[str]) -> None:
    """Remove what repairs of these bags left beside them when they were killed."""
    for parent in sorted({store.path_of(bag).parent for bag in bags}):
        if not files.exists(parent):
            continue
        for entry in files.entries(parent):
            found = _LEFTOVER.fullmatch(entry.name)
            if found is None:
                continue
            # What another process is at is no leftover.
            with contextlib.suppress(MisuseError), _held(parent / found["bag"]):
                files.discard(parent / entry.name)


def put_in_place(temporary: Path, root: Path, path: str) -> None:
    """Rename a file that is complete and flushed into a bag, over what may be there.

    Raises
    ------
    MisuseError
        The way to the place leads through a link or a file.
    """
    target = root.joinpath(*path.split("/"))
    _require_plain_way(root, path)
    files.make_directory(target.parent)
    if files.exists(target) and files.status(target).is_directory:
        raise MisuseError("a folder lies where the file belongs", where=str(target))
    files.replace(temporary, target)
    files.flush_directory(target.parent)


def aside_place(root: Path, path: str) -> Path:
    """Find a free name beside a bag for a file that does not belong into it."""
    beside = root.with_name(f"{root.name}.set-aside").joinpath(*path.split("/"))
    target, number = beside, 1
    while files.exists(target):
        number += 1
        target = beside.with_name(f"{beside.name}.{number}")
    return target


def move_aside(root: Path, path: str, target: Path) -> None:
    """Move a file out of a bag to where :func:`aside_place` said."""
    source = root.joinpath(*path.split("/"))
    files.make_directory(target.parent)
    files.rename_new(source, target)
    files.flush_directory(target.parent)
    files.flush_directory(source.parent)


def _require_plain_way(root: Path, path: str) -> None:
    reason = danger(path)
    if reason:
        raise MisuseError(f"the path {path!r} {reason}", where=str(root))
    place = root
    for part in path.split("/")[:-1]:
        place /= part
        if not files.exists(place):
            return
        found = files.status(place)
        if found.is_link or not found.is_directory:
            raise MisuseError(
                "is no folder of its own, so nothing is written through it",
                where=str(place),
                remedy="Remove it by hand, then repair again",
            )


class _Repair:
    """Mends one copy."""

    def __init__(
        self,
        comparison: Comparison,
        copy: Copy,
        ledger: Ledger,
        place: Path,
        on_bytes: Callable[[int], None] | None,
    ) -> None:
        self.comparison = comparison
        self.copy = copy
        self.ledger = ledger
        self.place = place
        self.on_bytes = on_bytes
        self.root = copy.store.path_of(copy.bag)
        self.steps: list[RepairStep] = []
        self.kept: frozenset[str] = frozenset()

    def record(self, kind: EntryKind, facts: Mapping[str, Any]) -> None:
        """Enter a step in the ledger; it is there before this returns."""
        self.ledger.append(
            Draft(
                kind=kind,
                store=self.copy.store.name,
                bag=plain(self.copy.bag),
                moment=moment_text(datetime.now(UTC)),
                facts=facts,
            )
        )

    def told(self, kind: EntryKind, path: str, note: str) -> None:
        """Remember a step for the report."""
        self.steps.append(
            RepairStep(
                store=self.copy.store.name, bag=self.copy.bag, path=path, kind=kind, note=note
            )
        )

    def fail(self, path: str, reason: str) -> None:
        """Enter that a file could not be repaired."""
        self.record(EntryKind.REPAIR_FAILED, {"path": plain(path), "reason": plain(reason)})
        self.told(EntryKind.REPAIR_FAILED, path, reason)

    def consistent(self, states: Mapping[str, FileState]) -> frozenset[str]:
        """Return the files to be replaced that are as the copy's own manifests state.

        The tag manifests are among them if any other file is: they state the rest.
        """
        own = statements_of(self.copy)
        altered = [path for path, state in states.items() if state is FileState.ALTERED]
        found = {
            path for path in altered if path in own and agrees(self.copy.digests[path], own[path])
        }
        tags = {path for path in found if path.startswith("tagmanifest-")}
        return frozenset(found if found - tags else ())

    def mend(self, states: Mapping[str, FileState]) -> None:
        """Mend the files that are not good, payload first, manifests last."""
        self.kept = self.consistent(states)
        needed = [path for path, state in states.items() if state is not FileState.EXTRA]
        sizes = [
            max((c.sizes[p] for c in self.comparison.sources_of(p)), default=0) for p in needed
        ]
        kept = sum(self.copy.sizes[path] for path in self.kept)
        require_space(self.root.parent, max(sizes, default=0) + kept)
        for path in sorted(needed, key=lambda name: (not name.startswith("data/"), name)):
            self.mend_file(path, states[path])
        for path, state in sorted(states.items()):
            if state is FileState.EXTRA:
                self.set_aside(path)

    def mend_file(self, path: str, state: FileState) -> None:
        """Put a good file in the place of one that is not."""
        sources = self.comparison.sources_of(path)
        if not sources:
            self.fail(path, "no copy of this file is good")
            return
        found = self.copy.digests.get(path, {}).get("sha256", str(state))
        reason = ""
        for source in sources:
            expected = source.digests[path]["sha256"]
            facts: Mapping[str, Any] = {
                "path": plain(path),
                "expected": expected,
                "found": found if state is FileState.ALTERED else str(state),
                "source": plain(source.store.name),
            }
            try:
                temporary = self.brought(source, path, expected, self.place)
                _require_plain_way(self.root, path)
            except (IntegrityError, MisuseError) as error:
                reason = f"{source.store.name}: {error.found}"
                continue
            if path in self.kept:
                try:
                    self.keep(path)
                except IntegrityError as error:
                    self.fail(path, error.found)
                    return
            self.record(EntryKind.REPAIR_INTENDED, facts)
            put_in_place(temporary, self.root, path)
            self.record(EntryKind.REPAIRED, facts)
            self.told(EntryKind.REPAIRED, path, source.store.name)
            return
        self.fail(path, reason)

    def brought(self, source: Copy, path: str, expected: str, to: Path) -> Path:
        """Copy a file beside the bag, flush it, and read it back.

        Raises
        ------
        IntegrityError
            What was read there, or what arrived here, is not the file that is meant.
        """
        target = to.joinpath(*path.split("/"))
        files.make_directory(target.parent)
        place = source.store.path_of(source.bag).joinpath(*path.split("/"))
        hasher = hashlib.sha256(usedforsecurity=False)
        with files.create(target) as file:

            def take(block: ReadableBuffer) -> None:
                hasher.update(block)
                with files.translated(target, "written"):
                    file.write(block)

            files.digests_of(place, (), also=(take,), on_bytes=self.on_bytes, follow=False)
            files.flush_file(file, target)
        if hasher.hexdigest() != expected:
            files.discard(target)
            raise IntegrityError("the file has changed since it was compared", where=str(place))
        files.drop_cache(target)
        _, digests = files.digests_of(target, ("sha256",))
        if digests["sha256"] != expected:
            files.discard(target)
            raise IntegrityError("what was written does not read back the same", where=str(target))
        return target

    def keep(self, path: str) -> None:
        """Put a copy of a file that is about to be replaced beside the bag, read back.

        Raises
        ------
        IntegrityError
            The file is another than when it was compared.
        """
        made = self.brought(
            self.copy, path, self.copy.digests[path]["sha256"], self.place / "replaced"
        )
        target = aside_place(self.root, path)
        self.record(EntryKind.SET_ASIDE, {"path": plain(path), "to": plain(str(target))})
        files.make_directory(target.parent)
        files.rename_new(made, target)
        files.flush_directory(target.parent)
        self.told(EntryKind.SET_ASIDE, path, str(target))

    def set_aside(self, path: str) -> None:
        """Move a file that no manifest lists out of the bag, beside it."""
        target = aside_place(self.root, path)
        self.record(EntryKind.SET_ASIDE, {"path": plain(path), "to": plain(str(target))})
        move_aside(self.root, path, target)
        self.told(EntryKind.SET_ASIDE, path, str(target))

    def replicate(self, statements: Mapping[str, Mapping[str, str]]) -> None:
        """Copy a whole bag to where it is not, under a hidden name until it is complete."""
        lost = self.comparison.beyond_help()
        if lost:
            self.fail("", f"no copy of {lost[0]} is good, so no whole bag can be made")
            return
        sizes = {path: self.comparison.sources_of(path)[0].sizes[path] for path in statements}
        require_space(self.root.parent, sum(sizes.values()))
        names: dict[str, int] = {}
        directories: set[Path] = set()
        for path in sorted(statements):
            failed: ArchiverError | None = None
            for source in self.comparison.sources_of(path):
                try:
                    made = self.brought(source, path, source.digests[path]["sha256"], self.place)
                except IntegrityError as error:
                    failed = error
                    continue
                names[source.store.name] = names.get(source.store.name, 0) + 1
                directories.add(made.parent)
                failed = None
                break
            if failed is not None:
                self.fail(path, failed.found)
                return
        for directory in sorted(directories, key=lambda d: len(d.parts), reverse=True):
            files.flush_directory(directory)
        files.rename_new(self.place, self.root)
        files.flush_directory(self.root.parent)
        source_name = max(names, key=lambda name: names[name])
        self.record(
            EntryKind.REPLICATED,
            {
                "source": plain(source_name),
                "files": len(statements),
                "bytes": sum(sizes.values()),
            },
        )
        self.told(EntryKind.REPLICATED, "", source_name)
