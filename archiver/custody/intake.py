"""Bringing what arrived into a place of its own, and from there into the store or aside.

A bag is looked at in a hidden directory of the store, so that giving it its name is one step
and needs no second copy. What is refused is moved as it arrived, never opened.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterator
from pathlib import Path

from archiver import files
from archiver.errors import ArchiverError, DefectError, IntegrityError, MisuseError
from archiver.findings import Where
from archiver.package.entry_names import NameJudge
from archiver.package.limits import Limits
from archiver.package.names import shown
from archiver.package.package_rules import KIND_LINK, KIND_UNKNOWN, TOO_MANY, TOO_MUCH
from archiver.package.refusal import PackageRefusedError
from archiver.package.settling import Settler
from archiver.package.space import bytes_needed, require_space

__all__ = ["copy_folder", "move_aside", "staging", "sweep"]

_STAGED = "receiving"
_LEFT = re.compile(rf"(\.{_STAGED}\.[0-9a-f]+\.unfinished)(?:\.lock)?")
_TRIES = 5


def sweep(store: Path) -> None:
    """Remove what runs that were killed have left: the lock of a dead process does not hold."""
    left = {found[1] for one in files.entries(store) if (found := _LEFT.fullmatch(one.name))}
    for name in sorted(left):
        with contextlib.suppress(ArchiverError), _held(store / name):
            files.discard(store / name)


@contextlib.contextmanager
def staging(store: Path) -> Iterator[Path]:
    """Make a hidden directory in a store for the time of the block; remove it afterwards."""
    with contextlib.ExitStack() as held:
        place = _own_place(store, held)
        try:
            files.make_directory(place)
            yield place
        finally:
            with contextlib.suppress(ArchiverError):
                files.discard(place)


def _own_place(store: Path, held: contextlib.ExitStack) -> Path:
    for attempt in range(_TRIES):
        place = files.temporary_sibling(store / _STAGED)
        try:
            held.enter_context(_held(place))
        except MisuseError:
            # Somebody who sweeps took the new lock for a left one in the instant between.
            if attempt == _TRIES - 1:
                raise
        else:
            return place
    raise DefectError("no place was tried")  # pragma: no cover - the loop returns or raises


def _held(place: Path) -> contextlib.AbstractContextManager[None]:
    busy = MisuseError("is in use by another process", where=str(place))
    return files.lock(place.with_name(f"{place.name}.lock"), busy=busy)


def copy_folder(
    source: Path,
    into: Path,
    *,
    limits: Limits,
    on_bytes: Callable[[int], None] | None = None,
) -> Path:
    """Copy a bag that came as a folder; links and devices are refused, nothing is followed.

    Parameters
    ----------
    source : Path
    into : Path
        Directory that will hold the copy, under the same name.
    limits : Limits
    on_bytes : callable, optional
        Called with the number of bytes of each block.

    Returns
    -------
    Path
        The copy; everything of it is on the medium, and nothing of it was compared.

    Raises
    ------
    PackageRefusedError
        It holds what is not taken.
    SurroundingsError
        No space, no permission.
    """
    judge = NameJudge(source.name, any_names=limits.any_names)
    found: list[tuple[str, int]] = []
    total = 0
    for path, entry in files.walk_files(source):
        if not entry.is_file:
            rule = KIND_LINK if entry.is_link else KIND_UNKNOWN
            raise PackageRefusedError(
                rule.at(Where(file=shown(path)), "the name stands for no file", accepted="files")
            )
        judge.judge(f"{source.name}/{path}", is_directory=False)
        size = entry.size or 0
        total += size
        found.append((path, size))
        if len(found) > limits.most_entries:
            raise PackageRefusedError(
                TOO_MANY.at(Where(file="."), f"there are more than {limits.most_entries} files")
            )
        if limits.most_bytes is not None and total > limits.most_bytes:
            raise PackageRefusedError(
                TOO_MUCH.at(Where(file="."), f"there are more than {limits.most_bytes} bytes")
            )
    require_space(into, bytes_needed(size for _, size in found))
    root = into / source.name
    files.make_directory(root)
    directories = {root}
    with Settler() as settler:
        for path, _ in found:
            settler.check()
            target = root.joinpath(*path.split("/"))
            parent = target.parent
            files.make_directory(parent)
            while parent not in directories:
                directories.add(parent)
                parent = parent.parent
            _copy(source.joinpath(*path.split("/")), target, settler, limits, on_bytes)
        settler.finish()
    for directory in sorted(directories, key=lambda d: len(d.parts), reverse=True):
        files.flush_directory(directory)
    return root


def _copy(
    source: Path,
    target: Path,
    settler: Settler,
    limits: Limits,
    on_bytes: Callable[[int], None] | None,
) -> None:
    size = unflushed = 0
    file = files.create(target)
    with contextlib.ExitStack() as ours:
        ours.callback(file.close)
        with files.open_read(source, buffering=0, follow=False) as reading:
            while True:
                with files.translated(source, "read"):
                    block = reading.read(files.BLOCK_BYTES)
                if not block:
                    break
                size += len(block)
                # A file that grows while it is read must not fill the disk.
                if limits.most_bytes is not None and size > limits.most_bytes:
                    raise PackageRefusedError(
                        TOO_MUCH.at(
                            Where(file=shown(source.name)),
                            f"there are more than {limits.most_bytes} bytes",
                        )
                    )
                with files.translated(target, "written"):
                    file.write(block)
                unflushed = settler.early(file, target, unflushed + len(block))
                if on_bytes is not None:
                    on_bytes(len(block))
        ours.pop_all()
    settler.settle(file, target, None)


def move_aside(source: Path, target: Path) -> None:
    """Move a file or a folder as it is to a name that is free; links stay links.

    Within one file system this is one step. To another the copy is whole and compared before
    anything is removed here.

    Raises
    ------
    SurroundingsError
        It cannot be moved; it lies where it was.
    IntegrityError
        The copy is not what was copied; what was moved lies where it was.
    """
    files.make_directory(target.parent)
    if files.status(source).device == files.status(files.resolved(target.parent)).device:
        files.rename_new(source, target)
        files.flush_directory(target.parent)
        files.flush_directory(source.parent)
        return
    temporary = files.temporary_sibling(target)
    try:
        _duplicate(source, temporary)
        files.rename_new(temporary, target)
    except BaseException:
        with contextlib.suppress(ArchiverError):
            files.discard(temporary)
        raise
    files.flush_directory(target.parent)
    files.discard(source)


def _duplicate(source: Path, target: Path) -> None:
    if files.status(source).is_file:
        _duplicate_file(source, target)
        return
    files.make_directory(target)
    for path, entry in files.walk_files(source):
        place = target.joinpath(*path.split("/"))
        files.make_directory(place.parent)
        if not entry.is_file:
            raise MisuseError(
                f"holds {shown(path)!r}, which is no file, and cannot be moved to another disk",
                where=str(source),
                remedy="Choose a folder for the quarantine on the same disk",
            )
        _duplicate_file(source.joinpath(*path.split("/")), place)


def _duplicate_file(source: Path, target: Path) -> None:
    with files.create(target) as file:

        def put(block: memoryview) -> None:
            with files.translated(target, "written"):
                file.write(block)

        _, sent = files.digests_of(source, ["sha256"], also=(put,), follow=False)  # type: ignore[arg-type]
        files.flush_file(file, target)
    _, found = files.digests_of(target, ["sha256"], follow=False)
    if sent != found:
        raise IntegrityError(
            "what is read back is not what was written",
            where=str(target),
            remedy="The disk or the memory of this machine may be failing: use another",
        )
