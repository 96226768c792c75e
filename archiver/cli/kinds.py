"""Whether what was named is of the kind that a command takes, and what to do if it is not.

Every command asks here. What is not known as another kind is left to the command itself,
which then says what is wrong with it.
"""

from __future__ import annotations

import enum
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from archiver import files
from archiver.cli.naming import named
from archiver.errors import ArchiverError, IntegrityError, MisuseError
from archiver.os_errors import not_there
from archiver.package.recovery_data import recovery_place
from archiver.pipeline.kinds import BESIDE_BAGS, Found, Kind, is_text, look_at
from archiver.telling import command_line, quoted

__all__ = [
    "Takes",
    "arrivals_among",
    "bags_among",
    "expect",
    "folder_given",
    "globbed",
    "ledger_given",
    "receipt_given",
    "stores_among",
    "tell_skipped",
]

_WILD = frozenset("*?[")
_LEDGER_NAME = "ledger.sqlite3"
# Source: sqlite.org/tempfiles.html (rollback journals, write-ahead log, shared memory).
_OF_DATABASE = ("-journal", "-wal", "-shm")
_RECEIPT_NAME = "receipt.json"
_NO_KIND = frozenset({Kind.FILE, Kind.FOLDER, Kind.EMPTY, Kind.CLOSED, Kind.MISSING})


class Takes(enum.Enum):
    """What a command takes, in words."""

    BAG = "the folder of a bag, with bagit.txt in it"
    SESSION = "a session folder, with session.yaml in it"
    EITHER = "a session folder, or the folder of a bag"
    STORE = "a folder that holds bags, or a URL"
    ARRIVAL = "a deposit, a package or its parts, a bag, or a folder of these"
    PACKAGE = "a package: tar, tar.gz, tar.zst or zip"
    SOUND = "a sound file"
    LEDGER = "a ledger"
    LEDGER_FILE = "a ledger, or a new file for one"


_KINDS = {
    Takes.BAG: frozenset({Kind.BAG}),
    Takes.SESSION: frozenset({Kind.SESSION}),
    Takes.EITHER: frozenset({Kind.BAG, Kind.SESSION}),
    Takes.STORE: frozenset({Kind.STORE}),
    Takes.PACKAGE: frozenset({Kind.PACKAGE}),
    Takes.SOUND: frozenset({Kind.SOUND, Kind.SALVAGED}),
    Takes.LEDGER: frozenset({Kind.LEDGER}),
    Takes.LEDGER_FILE: frozenset({Kind.LEDGER}),
}
# What a command may go on with although nothing says that it is what it takes: only the command
# can tell what is wrong with it, or there is nothing wrong.
_LEFT_TO_IT = {
    Takes.BAG: frozenset({Kind.CLOSED}),
    Takes.SESSION: frozenset({Kind.CLOSED}),
    Takes.EITHER: _NO_KIND - {Kind.MISSING},
    Takes.STORE: _NO_KIND | {Kind.DEPOSIT, Kind.RECEIPT, Kind.PAPERS, Kind.QUARANTINE},
    Takes.PACKAGE: frozenset({Kind.FILE}),
    Takes.SOUND: frozenset({Kind.FILE, Kind.CLOSED, Kind.IN_BAG, Kind.IN_SESSION}),
    Takes.LEDGER: frozenset({Kind.FILE, Kind.MISSING}),
    Takes.LEDGER_FILE: frozenset({Kind.FILE, Kind.MISSING}),
}
_MUST_BE_THERE = frozenset({Takes.BAG, Takes.SESSION, Takes.EITHER, Takes.PACKAGE, Takes.SOUND})
_LEDGERS = frozenset({Takes.LEDGER, Takes.LEDGER_FILE})
# Whatever is written there makes it another thing than it is.
_NOT_TO_CHANGE = frozenset({Kind.BAG, Kind.IN_BAG, Kind.SESSION, Kind.RECOVERY, Kind.SET_ASIDE})
# A sender may send any file, which the answer then tells; these lie with the receiver, or are
# a part of something that would have to be named as a whole.
_NEVER_SENT = frozenset(
    {
        Kind.SESSION,
        Kind.SHEET,
        Kind.MACHINE,
        Kind.INSTITUTION,
        Kind.LEDGER,
        Kind.LEDGER_PART,
        Kind.IN_BAG,
        Kind.RECOVERY,
        Kind.SET_ASIDE,
    }
)


def expect(path: Path, takes: Takes, command: str, *rest: object) -> Found:
    """Refuse a path that is of a kind that the command does not take.

    Parameters
    ----------
    path : Path
        As the user named it.
    takes : Takes
    command : str
        As the user called it.
    rest : object
        What has to stand behind the path in a corrected line.

    Raises
    ------
    MisuseError
        Says what it is, what the command takes, and which line does what was meant.
    IntegrityError
        There is recovery data of a bag, and the bag is not there.
    SurroundingsError
        There is nothing of this name.
    """
    found = look_at(path)
    if found.kind is Kind.MISSING and takes is Takes.BAG and _protected(path):
        line = command_line(
            "copies", path.parent, "STORE", "--ledger", "FILE", "--repair", "--bag", path.name
        )
        raise IntegrityError(
            "the bag is gone; only its recovery data lies there still",
            where=str(path),
            remedy="Look whether it was moved or renamed; if not, bring it back from another copy: "
            f"{line}",
        )
    if found.kind is Kind.MISSING and takes in _MUST_BE_THERE:
        raise not_there(path, takes.value)
    if takes is Takes.SOUND and found.kind is Kind.IN_SESSION and _is_folder(path):
        raise refusal(found, takes, command, *rest)
    known = found.kind in _KINDS[takes] | _LEFT_TO_IT[takes]
    if not known or (found.kind is Kind.FILE and takes in _LEDGERS and is_text(path)):
        raise refusal(found, takes, command, *rest)
    return found


def ledger_given(path: Path | None, *, known: bool = False) -> Path | None:
    """Refuse what is no ledger and cannot become one, where ``--ledger`` names it.

    ``known`` tells that it must have been made before.

    Raises
    ------
    MisuseError
        Says what it is, and how a ledger is named.
    """
    if path is None:
        return None
    takes = Takes.LEDGER if known else Takes.LEDGER_FILE
    found = look_at(path)
    if found.kind is Kind.MISSING and look_at(path.parent).kind in {Kind.BAG, Kind.IN_BAG}:
        raise MisuseError(
            f"{path} lies in a bag, which a new file would change",
            where="--ledger",
            accepted=takes.value,
            remedy="Name a file outside of bags",
        )
    if found.kind is Kind.MISSING and path.name.endswith(_OF_DATABASE):
        raise MisuseError(
            f"{path} has an ending that a database keeps for files of its own",
            where="--ledger",
            accepted=takes.value,
            remedy="Choose another name",
        )
    try:
        expect(path, takes, "ledger verify")
    except MisuseError as error:
        is_folder = files.status(files.resolved(path)).is_directory
        raise MisuseError(
            f"{path} {error.found}",
            where="--ledger",
            accepted=takes.value,
            remedy=f"Name a file in a folder outside of bags, such as {path / _LEDGER_NAME}"
            if found.kind in {Kind.STORE, Kind.FOLDER, Kind.EMPTY}
            else f"Name a {'file' if is_folder else 'ledger' if known else 'ledger, or a new file'}",
        ) from error
    return path


def folder_given(path: Path | None, option: str) -> Path | None:
    """Refuse a folder to write into where that would change what lies there, or a file.

    Raises
    ------
    MisuseError
        Says what it is.
    """
    if path is None:
        return None
    found = look_at(path)
    if found.kind is Kind.MISSING:
        return path
    if found.kind in _NOT_TO_CHANGE or not files.status(files.resolved(path)).is_directory:
        raise MisuseError(
            f"{path} is {found.kind}",
            where=option,
            accepted="a folder outside of bags and sessions",
            remedy="Name another folder",
        )
    return path


def arrivals_among(paths: Sequence[Path]) -> tuple[list[Path], tuple[Found, ...]]:
    """Take out of what was named what may have arrived, and pass over what was never sent.

    Returns
    -------
    arrivals : list of Path
    skipped : tuple of Found

    Raises
    ------
    MisuseError
        Nothing is left.
    """
    looked = [look_at(path) for path in globbed(paths)]
    skipped = tuple(one for one in looked if one.kind in _NEVER_SENT)
    if len(skipped) == len(looked):
        raise refusal(looked[0], Takes.ARRIVAL, "receive")
    return [one.path for one in looked if one.kind not in _NEVER_SENT], skipped


def receipt_given(path: Path | None, *rest: object) -> Path | None:
    """Refuse a folder or a ledger where the file of a receipt is expected.

    ``rest`` has to stand behind the path in a corrected line.

    Raises
    ------
    MisuseError
        Says what it is, and names the receipt in it, if there is one.
    """
    if path is None:
        return None
    found = look_at(path)
    if found.kind is Kind.MISSING:
        return path
    is_folder = files.status(files.resolved(path)).is_directory
    if not is_folder and found.kind is not Kind.LEDGER:
        return path
    remedy = "Name the file itself"
    if is_folder and files.exists(path / _RECEIPT_NAME):
        remedy = f"Name the file in it: {command_line('receipt', path / _RECEIPT_NAME, *rest)}"
    raise MisuseError(
        f"is {found.kind}",
        where=str(path),
        accepted="what the institution sent: receipt.json, a text, a PDF, a picture",
        remedy=remedy,
    )


def refusal(found: Found, takes: Takes, command: str, *rest: object) -> MisuseError:
    """Say what a path is, what the command takes, and which line does what was meant."""
    belongs = ""
    if found.kind in {Kind.IN_BAG, Kind.IN_SESSION}:
        belongs = f", {found.owner}"
    elif found.kind in {Kind.RECOVERY, Kind.SET_ASIDE} and found.owner is not None:
        belongs = f" ({found.owner})"
    if found.kind is Kind.MISSING:
        said = "does not exist"
    elif found.kind is Kind.EMPTY and takes is Takes.BAG:
        said = "is an empty folder; if a bag lay here, it is gone, or its disk is not connected"
    elif takes is Takes.PACKAGE and _holds_packages(found):
        said = "is a folder of packages"
    else:
        said = f"is {found.kind}{belongs}"
    return MisuseError(
        said,
        where=str(found.path),
        accepted=takes.value,
        remedy=_remedy(found, takes, command, rest),
    )


def _remedy(found: Found, takes: Takes, command: str, rest: Sequence[object]) -> str:
    """Name the line that does what was meant with what was found."""
    path, kind, owner = found.path, found.kind, found.owner
    inner = _inner(found, takes)
    if inner is not None:
        which = "For its first bag" if kind is Kind.STORE else "Name the folder"
        line = f"{which}: {command_line(*command.split(), inner, *rest)}"
        if kind is Kind.STORE:
            line += f"; to verify all: {command_line('audit', path, '--ledger', 'FILE')}"
        return line
    if takes is Takes.SOUND and kind in {Kind.FOLDER, Kind.EMPTY, Kind.IN_SESSION}:
        return f"Name a file: {command_line(command, path / 'FILE', *rest)}"
    if takes is Takes.PACKAGE and _holds_packages(found):
        # Quoted, a pattern would stand for itself.
        line = f"{command_line(command, path)}{os.sep}* {' '.join(quoted(str(w)) for w in rest)}"
        return f"Name what lies in it: {line.rstrip()}"
    match kind:
        case Kind.BAG:
            return _for_bag(path, takes, command)
        case Kind.SESSION:
            return _for_session(path, takes)
        case Kind.STORE:
            return f"To verify its bags: {command_line('audit', path, '--ledger', 'FILE')}"
        case Kind.PACKAGE:
            return f"Unpack it first: {command_line('unpack', path, '--to', 'DIR')}"
        case Kind.RECOVERY if owner is not None:
            return f"It is verified with its bag: {command_line('verify', owner)}"
        case Kind.LEDGER:
            return f"To verify it: {command_line('ledger', 'verify', path)}"
        case Kind.SHEET | Kind.IN_SESSION | Kind.MACHINE if owner is not None:
            return f"To check the session: {command_line('check', owner)}"
        case Kind.IN_BAG if owner is not None:
            return f"To verify the bag: {command_line('verify', owner)}"
        case Kind.INSTITUTION:
            return f"To check it: {command_line('institution', 'check', path)}"
        case Kind.TABLE:
            return f"To make a session folder of it: {command_line('sheet', 'import', path, 'DIR')}"
        case Kind.SOUND | Kind.SALVAGED if not files.status(files.resolved(path)).is_directory:
            return f"To measure it: {command_line('measure', path)}"
        case Kind.FOLDER | Kind.EMPTY if takes is Takes.SESSION:
            return (
                f"Check the name; to see what the folder lacks: {command_line('check', path)}; "
                f"to lay out a new one: {command_line('new', 'DIR')}"
            )
        case Kind.DEPOSIT | Kind.RECEIPT | Kind.PAPERS | Kind.QUARANTINE:
            return f"To see what is deposited: {command_line('deposits', '--ledger', 'FILE')}"
        case _:
            return "Check the name"


def _holds_packages(found: Found) -> bool:
    """Say whether a folder holds packages, as far as names and beginnings tell."""
    if found.kind is not Kind.FOLDER:
        return False
    try:
        names = [one.name for one in files.entries(found.path) if one.is_file]
    except ArchiverError:
        return False
    return any(look_at(found.path / name).kind is Kind.PACKAGE for name in names)


def _inner(found: Found, takes: Takes) -> Path | None:
    """Return what the command takes and what was found leads to, if there is such."""
    bag = takes in {Takes.BAG, Takes.EITHER}
    session = takes in {Takes.SESSION, Takes.EITHER}
    leads = (bag and found.kind in {Kind.STORE, Kind.IN_BAG, Kind.RECOVERY}) or (
        session and found.kind in {Kind.SHEET, Kind.IN_SESSION, Kind.MACHINE}
    )
    return found.owner if leads else None


def _for_bag(path: Path, takes: Takes, command: str) -> str:
    match takes, command:
        case Takes.SESSION, "archive" | "check" | "find-takes":
            return f"The session is archived; to verify it: {command_line('verify', path)}"
        case Takes.SESSION, "motion":
            page = command_line("page", path, "--to", "FILE")
            return f"The bag holds what was measured, and its page shows it: {page}"
        case Takes.STORE, "audit":
            above = path.parent
            return (
                f"To verify this bag: {command_line('verify', path)}; to audit the folder that "
                f"holds it: {command_line('audit', above, '--ledger', 'FILE')}"
            )
        case Takes.SOUND, _:
            return f"Name a file in it; to verify the bag: {command_line('verify', path)}"
        case _:
            return f"To verify it: {command_line('verify', path)}"


def _for_session(path: Path, takes: Takes) -> str:
    line = command_line("archive", path, "--to", "DIR")
    if takes in {Takes.BAG, Takes.STORE}:
        return f"Make a bag of it first: {line}"
    return f"To check it: {command_line('check', path)}; to archive it: {line}"


def globbed(paths: Sequence[Path]) -> list[Path]:
    """Put in what patterns stand for, where the shell has left that to us, as on Windows."""
    found: list[Path] = []
    for path in paths:
        if not _WILD & set(path.name) or _is_there(path):
            found.append(path)
            continue
        matched = sorted(one for one in path.parent.glob(path.name) if not one.name.startswith("."))
        # What matches nothing stays, to be told as what is not there.
        found += matched or [path]
    return found


def _is_there(path: Path) -> bool:
    try:
        return files.exists(path)
    except ArchiverError:
        # Windows takes no such name at all.
        return False


def _is_folder(path: Path) -> bool:
    return files.status(files.resolved(path)).is_directory


def _protected(bag: Path) -> bool:
    """Say whether recovery data of this bag lies where its bag would."""
    return look_at(recovery_place(bag)).kind is Kind.RECOVERY


def bags_among(
    paths: Sequence[Path], command: str, *rest: object
) -> tuple[list[Path], tuple[Found, ...]]:
    """Take the bags out of what was named, and pass over what this program wrote beside them.

    A shell names all of that for ``archive/*``.

    Returns
    -------
    bags : list of Path
        What is left to the command; its errors on single bags are results.
    skipped : tuple of Found

    Raises
    ------
    MisuseError
        Nothing is left.
    """
    looked = [look_at(path) for path in globbed(paths)]
    skipped = tuple(one for one in looked if one.kind in BESIDE_BAGS)
    bags = [one.path for one in looked if one.kind not in BESIDE_BAGS]
    # A shell cannot name a bag that is gone; what was left beside it tells that there was one.
    bags += [
        one.owner
        for one in skipped
        if one.kind is Kind.RECOVERY
        and one.owner is not None
        and one.owner not in bags
        and not files.exists(one.owner)
    ]
    if not bags:
        raise refusal(looked[0], Takes.BAG, command, *rest)
    return bags, skipped


def stores_among(locations: Sequence[str], command: str) -> tuple[list[str], tuple[Found, ...]]:
    """Take the stores out of what was named; URLs are stores, whatever they name."""
    stores: list[str] = []
    skipped: list[Found] = []
    for location in locations:
        if "://" in location:
            stores.append(location)
            continue
        for path in globbed([named(Path(location))]):
            found = look_at(path)
            if found.kind in BESIDE_BAGS:
                skipped.append(found)
                continue
            stores.append(location if path == Path(location) else str(path))
            expect(path, Takes.STORE, command)
    if not stores:
        raise refusal(skipped[0], Takes.STORE, command)
    return stores, tuple(skipped)


def tell_skipped(skipped: Sequence[Found]) -> None:
    """Say on standard error what was passed over."""
    for one in skipped:
        name = "".join(c if c.isprintable() else repr(c)[1:-1] for c in str(one.path))
        sys.stderr.write(f"{name}: {one.kind}, passed over.\n")
