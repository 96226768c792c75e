"""What an error of the operating system means to a person, and what to do about it."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Iterator
from pathlib import Path

from archiver.errors import MisuseError, SurroundingsError

__all__ = ["explained", "no_name", "not_there", "translated"]


@contextlib.contextmanager
def translated(path: Path | str, doing: str) -> Iterator[None]:
    """Turn an operating-system error into one that says what to do.

    Parameters
    ----------
    path : Path or str
        What the error is about.
    doing : str
        Words that complete "could not be ...", such as ``"read"``.
    """
    try:
        yield
    except OSError as error:
        raise explained(error, path, doing) from error
    except ValueError as error:
        if (unusable := no_name(path, doing)) is None:
            raise
        raise unusable from error


def not_there(path: Path | str, accepted: str) -> SurroundingsError:
    """Return the error of a path that a command was given and that leads nowhere.

    Whether the name is wrong or its disk is not connected, nobody can tell here.
    """
    return SurroundingsError(
        "does not exist",
        where=str(path),
        accepted=accepted,
        remedy="Check the name and that the disk it lies on is connected",
    )


def no_name(path: Path | str, doing: str) -> MisuseError | None:
    """Return the error of a path that no system can have; None if there is nothing wrong with it.

    Python raises no error of the system for these, but a :class:`ValueError`.
    """
    text = str(path)
    try:
        os.fsencode(text)
    except UnicodeEncodeError:
        pass
    else:
        if "\0" not in text:
            return None
    return MisuseError(
        f"could not be {doing}: the name holds a character that no name can hold",
        where=text.encode("utf-8", "backslashreplace").decode().replace("\0", "\\0"),
        accepted="a name without NUL characters and halves of characters",
        remedy="Correct the name",
    )


def explained(error: OSError, path: Path | str, doing: str) -> SurroundingsError | MisuseError:
    """Return the error of this program that stands for one of the operating system.

    Parameters
    ----------
    error : OSError
    path, doing
        As :func:`translated` takes them.
    """
    where = str(path)
    reason = error.strerror or type(error).__name__
    found = f"could not be {doing} ({reason})"
    match error.errno:
        case errno.ENOSPC | errno.EDQUOT:
            return SurroundingsError(
                f"could not be {doing}: the disk is full",
                where=where,
                remedy="Free some space or choose another destination, then run again",
            )
        case errno.EACCES | errno.EPERM:
            return SurroundingsError(
                found, where=where, remedy="Check the permissions of the file and its folder"
            )
        case errno.EROFS:
            return SurroundingsError(
                found, where=where, remedy="The file system is read-only: choose another place"
            )
        case errno.ENAMETOOLONG:
            return MisuseError(
                f"could not be {doing}: the name or the path is too long",
                where=where,
                remedy="Choose a folder with a shorter path, or shorten the name",
            )
        case errno.ENOENT:
            return SurroundingsError(
                f"could not be {doing}: it does not exist",
                where=where,
                remedy="Check the name and that the disk it lies on is connected",
            )
        case errno.ENOTDIR:
            return MisuseError(
                f"could not be {doing}: a part of the path is a file, not a directory",
                where=where,
                remedy="Choose another place",
            )
        case errno.EEXIST | errno.ENOTEMPTY:
            return MisuseError(
                f"could not be {doing}: the name is taken",
                where=where,
                remedy="Choose another name, or move the existing one away",
            )
        case _:
            return SurroundingsError(found, where=where, remedy="Check the disk, then run again")
