"""Heal a single copy of a bag from its recovery data: beside, read back, swapped.

The good files of the bag are shown to the PAR2 program under second names in a hidden place
beside it, with copies of the bad ones; it works there alone. What it restores must have the
digest that the file had when the recovery data was made; only then it is renamed into the bag.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from archiver import files
from archiver.custody.audit import plain
from archiver.custody.entry import Draft, EntryKind, moment_text
from archiver.custody.ledger import Ledger
from archiver.custody.repair import aside_place, move_aside, put_in_place, working_place
from archiver.custody.store import Store
from archiver.errors import ArchiverError, IntegrityError
from archiver.package.hashing import Job, hash_all
from archiver.package.recovery import restore
from archiver.package.recovery_data import contents_of, recovery_place
from archiver.package.space import require_space
from archiver.package.tree import Kind, survey

__all__ = ["Healed", "heal_bag"]

_NO_BYTES = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
_PIECE_BYTES = 1 << 12
_BLOCK_BYTES = 1 << 18


@dataclass(frozen=True, slots=True, kw_only=True)
class Healed:
    """What was done.

    Parameters
    ----------
    restored : tuple of str
        Files that have their bytes again.
    set_aside : tuple of str
        Files that did not belong into the bag and lie beside it now.
    """

    restored: tuple[str, ...]
    set_aside: tuple[str, ...]


def heal_bag(
    store: Store,
    bag: str,
    ledger: Ledger | None = None,
    *,
    on_bytes: Callable[[int], None] | None = None,
) -> Healed:
    """Restore what is damaged in a bag from the recovery data beside it.

    Parameters
    ----------
    store : Store
    bag : str
        Path in the store.
    ledger : Ledger, optional
        Told before and after each step.
    on_bytes : callable, optional
        Called with the number of bytes of each block read.

    Raises
    ------
    IntegrityError
        The damage is beyond the recovery data; the bag was not changed.
    MisuseError
        The PAR2 program is not installed, or another process is at this bag.
    SurroundingsError
        There is no recovery data, no room, or no permission.
    """
    return _Healing(store, bag, ledger, on_bytes).run()


class _Healing:
    def __init__(
        self,
        store: Store,
        bag: str,
        ledger: Ledger | None,
        on_bytes: Callable[[int], None] | None,
    ) -> None:
        self.store = store
        self.bag = bag
        self.root = store.path_of(bag)
        self.ledger = ledger
        self.on_bytes = on_bytes

    def run(self) -> Healed:
        """Find what is bad, have it restored, and swap it in."""
        files.status(self.root)
        known = contents_of(self.root)
        held = survey(self.root)
        sizes = {file.path: file.size for file in held.files if file.kind is Kind.FILE}
        found = self._digests(sizes)
        bad = {
            path: found.get(path, "missing" if path not in sizes else "unreadable")
            for path, digest in known.items()
            if found.get(path) != digest
        }
        strays = [path for path in sizes if path not in known and path.startswith("data/")]
        if not bad:
            return Healed(restored=(), set_aside=self._aside(strays))
        # Restored files and copies of the damaged ones; twice what is bad, and some room.
        need = sum(sizes.get(path, 0) for path in bad) + self._most(bad, sizes)
        require_space(self.root.parent, need)
        with working_place(self.store, self.bag) as place:
            workspace = place / "bag"
            extra = self._lay_out(workspace, known, bad, sizes, strays)
            empty = [path for path in bad if known[path] == _NO_BYTES]
            if len(empty) < len(bad):
                restore(self.root, workspace, extra)
            for path in empty:
                target = workspace.joinpath(*path.split("/"))
                files.discard(target)
                files.make_directory(target.parent)
                files.create(target).close()
            ready = self._read_back(workspace, known, bad)
            for path, temporary in ready.items():
                facts = {
                    "path": plain(path),
                    "expected": known[path],
                    "found": bad[path],
                    "source": plain(recovery_place(self.root).name),
                }
                self._record(EntryKind.REPAIR_INTENDED, facts)
                put_in_place(temporary, self.root, path)
                self._record(EntryKind.REPAIRED, facts)
        return Healed(restored=tuple(sorted(bad)), set_aside=self._aside(strays))

    def _most(self, bad: Mapping[str, str], sizes: Mapping[str, int]) -> int:
        """Guess the size of what is missing by the largest file there."""
        return max(sizes.values(), default=0) * sum(path not in sizes for path in bad)

    def _digests(self, sizes: Mapping[str, int]) -> dict[str, str]:
        jobs = [Job(path=path, size=size, algorithms=("sha256",)) for path, size in sizes.items()]
        hashed = hash_all(self.root, jobs, on_bytes=self.on_bytes)
        return {
            path: result.digests["sha256"]
            for path, result in hashed.items()
            if result.error is None
        }

    def _lay_out(
        self,
        workspace: Path,
        known: Mapping[str, str],
        bad: Mapping[str, str],
        sizes: Mapping[str, int],
        strays: list[str],
    ) -> list[Path]:
        """Show the program the bag as it is; returns files under names that are not theirs."""
        extra: list[Path] = []
        files.make_directory(workspace)
        for path in (*known, *strays):
            if path not in sizes:
                continue
            source = self.root.joinpath(*path.split("/"))
            target = workspace.joinpath(*path.split("/"))
            files.make_directory(target.parent)
            if path in known and path not in bad:
                try:
                    files.link(source, target)
                except ArchiverError:
                    # Not every file system gives second names.
                    _copied(source, target)
            else:
                _copied(source, target)
            if path not in known:
                extra.append(target)
        return extra

    def _read_back(
        self, workspace: Path, known: Mapping[str, str], bad: Mapping[str, str]
    ) -> dict[str, Path]:
        """Check every restored file against the digest that it once had."""
        ready: dict[str, Path] = {}
        for path in sorted(bad, key=lambda name: (not name.startswith("data/"), name)):
            temporary = workspace.joinpath(*path.split("/"))
            files.flush_written(temporary)
            files.drop_cache(temporary)
            _, digests = files.digests_of(temporary, ("sha256",), on_bytes=self.on_bytes)
            if digests["sha256"] != known[path]:
                raise IntegrityError(
                    "was restored to something else than it was; nothing was changed",
                    where=path,
                    remedy="Take the file from another copy of the bag",
                )
            ready[path] = temporary
        return ready

    def _aside(self, strays: list[str]) -> tuple[str, ...]:
        for path in strays:
            target = aside_place(self.root, path)
            self._record(EntryKind.SET_ASIDE, {"path": plain(path), "to": plain(str(target))})
            move_aside(self.root, path, target)
        return tuple(strays)

    def _record(self, kind: EntryKind, facts: Mapping[str, Any]) -> None:
        if self.ledger is not None:
            self.ledger.append(
                Draft(
                    kind=kind,
                    store=self.store.name,
                    bag=plain(self.bag),
                    moment=moment_text(datetime.now(UTC)),
                    facts=facts,
                )
            )


def _copied(source: Path, target: Path) -> None:
    """Copy what can be read; zeros stand for what cannot, which counts as damage."""
    size = files.status(source).size
    with files.open_read(source, buffering=0, follow=False) as reader, files.create(target) as new:
        at = 0
        while at < size:
            piece = b""
            length = min(_BLOCK_BYTES, size - at)
            with contextlib.suppress(OSError):
                reader.seek(at)
                piece = reader.read(length)
            if not piece:
                # Somewhere in this block the medium fails: step over it in small pieces.
                length = min(_PIECE_BYTES, size - at)
                with contextlib.suppress(OSError):
                    reader.seek(at)
                    piece = reader.read(length)
                piece = piece or bytes(length)
            with files.translated(target, "written"):
                new.write(piece)
            at += len(piece)
