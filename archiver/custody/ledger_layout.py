"""How a ledger lies in its SQLite file, and what errors of SQLite mean to a person."""

from __future__ import annotations

import contextlib
import sqlite3
import time
from collections.abc import Iterator
from pathlib import Path

from archiver import files
from archiver.errors import ArchiverError, IntegrityError, MisuseError, SurroundingsError

__all__ = ["TRIGGERS", "explained", "lay_out", "require_ours", "roll_back"]

_APPLICATION_ID = 0x4152_464C  # "ARFL"
_VERSION = 1
_WAL_TRIES = 200
_BUSY_PAUSE_S = 0.05
_LAYOUT = (
    """
    CREATE TABLE entries (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        moment TEXT NOT NULL,
        kind TEXT NOT NULL,
        store TEXT NOT NULL,
        bag TEXT NOT NULL,
        facts TEXT NOT NULL,
        previous TEXT NOT NULL UNIQUE,
        digest TEXT NOT NULL UNIQUE
    )
    """,
    "CREATE INDEX entries_by_bag ON entries (bag, kind, number)",
    "CREATE INDEX entries_by_store ON entries (store, kind, number)",
    """
    CREATE TRIGGER entries_keep_content BEFORE UPDATE ON entries
    BEGIN SELECT RAISE(ABORT, 'entries of the ledger cannot be changed'); END
    """,
    """
    CREATE TRIGGER entries_stay BEFORE DELETE ON entries
    BEGIN SELECT RAISE(ABORT, 'entries of the ledger cannot be removed'); END
    """,
    """
    CREATE TRIGGER entries_follow BEFORE INSERT ON entries
    WHEN NEW.number <> (SELECT ifnull(max(number), 0) + 1 FROM entries)
    BEGIN SELECT RAISE(ABORT, 'an entry of the ledger follows the last one'); END
    """,
    # Notes of a check under way, so that an interrupted one goes on; no part of the record.
    """
    CREATE TABLE under_way (
        run TEXT NOT NULL,
        bag TEXT NOT NULL,
        path TEXT NOT NULL,
        size INTEGER NOT NULL,
        mtime_ns INTEGER NOT NULL,
        digests TEXT NOT NULL,
        PRIMARY KEY (run, bag, path)
    ) WITHOUT ROWID
    """,
)
TRIGGERS = {
    name: text
    for text in (" ".join(statement.split()) for statement in _LAYOUT)
    for verb, kind, name in (text.split()[:3],)
    if (verb, kind) == ("CREATE", "TRIGGER")
}
"""What guards the entries: the statement of each trigger, blanks made one, by its name."""


def lay_out(connection: sqlite3.Connection) -> None:
    """Make the tables of a ledger in a database that is empty."""
    if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
        # Of two that make the ledger at once, one waits and finds it made.
        for attempt in range(_WAL_TRIES):
            try:
                connection.execute("PRAGMA journal_mode = WAL")
                break
            except sqlite3.OperationalError as error:
                if attempt == _WAL_TRIES - 1 or "locked" not in str(error):
                    raise
                time.sleep(_BUSY_PAUSE_S)
        connection.execute("BEGIN IMMEDIATE")
        try:
            if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
                for statement in _LAYOUT:
                    connection.execute(statement)
                connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {_VERSION}")
            connection.execute("COMMIT")
        except BaseException:
            roll_back(connection)
            raise


def require_ours(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a database that is no ledger, or one of a later form."""
    found = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
    if found != _APPLICATION_ID and "entries" not in tables:
        raise MisuseError(
            "is a database, but no ledger",
            where=str(path),
            accepted="a ledger that an audit has made, or a new name",
        )
    if version > _VERSION:
        raise MisuseError(
            f"is a ledger of form {version}",
            where=str(path),
            accepted=f"form {_VERSION}",
            remedy="Use a newer version of this program",
        )


def roll_back(connection: sqlite3.Connection) -> None:
    """Take back a group of statements that did not come to its end."""
    # The error that led here is what matters; SQLite drops an open group by itself.
    with contextlib.suppress(sqlite3.Error):
        connection.execute("ROLLBACK")


@contextlib.contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn errors of SQLite into ones that say what to do."""
    try:
        yield
    except sqlite3.OperationalError as error:
        raise _surroundings(error, path) from error
    except sqlite3.DatabaseError as error:
        raise IntegrityError(
            f"cannot be read as a ledger ({error})",
            where=str(path),
            remedy="Check the name; if it is right, take the ledger from a backup",
        ) from error


def _surroundings(error: sqlite3.OperationalError, path: Path) -> ArchiverError:
    text = str(error)
    if "locked" in text or "busy" in text:
        return SurroundingsError(
            f"was in use by another process for more than {files.BUSY_S:.0f} s",
            where=str(path),
            remedy="Run again when the other process has ended",
        )
    if "full" in text:
        return SurroundingsError(
            "could not be written: the disk is full",
            where=str(path),
            remedy="Free some space, then run again",
        )
    if "readonly" in text or "unable to open" in text:
        return SurroundingsError(
            f"could not be opened for this ({text})",
            where=str(path),
            remedy="Check the permissions of the file and its folder, or read a copy of all files "
            "of that name (-wal, -shm) on a disk that can be written",
        )
    if "no such" in text or "malformed" in text:
        return IntegrityError(
            f"is a damaged ledger ({text})",
            where=str(path),
            remedy="Take the ledger from a backup",
        )
    return SurroundingsError(
        f"could not be used ({text})", where=str(path), remedy="Check the disk, then run again"
    )
