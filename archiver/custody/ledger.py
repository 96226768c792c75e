"""The fixity ledger: an SQLite file that can be added to and not quietly changed.

Triggers refuse every change of an entry. Whoever removes the triggers still has to make
every later digest anew, and then the last digest is not the one that reports have stated
(see :mod:`archiver.custody.ledger_check`).

Writers in several processes wait for each other; a writer that dies leaves all of its last
group of entries or nothing of it. The file belongs on a disk of this machine: SQLite's
write-ahead log does not work over network file systems (sqlite.org/wal.html).
"""

from __future__ import annotations

import hashlib
import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from archiver import files
from archiver.custody.entry import GENESIS, Draft, Entry, EntryKind, canonical
from archiver.custody.ledger_layout import explained, lay_out, require_ours, roll_back
from archiver.errors import IntegrityError, MisuseError

__all__ = ["Head", "LastCheck", "Ledger", "open_ledger"]

# The kinds of entries that are made only of a bag that lies in the store.
_WAS_HERE = (
    EntryKind.CHECK,
    EntryKind.REPLICATED,
    EntryKind.RECOVERY_DATA,
    EntryKind.SIGNED,
    EntryKind.RECEIVED,
)
_COLUMNS = "number, moment, kind, store, bag, facts, previous, digest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The last entry: who kept these two can tell whether the ledger was written anew."""

    number: int
    digest: str

    def __str__(self) -> str:
        """Write it as the command line takes it."""
        return f"{self.number}:{self.digest}"

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read what :meth:`__str__` writes.

        Raises
        ------
        MisuseError
            The text is not of that form.
        """
        number, _, digest = text.strip().partition(":")
        if not (number.isascii() and number.isdecimal() and len(digest) == len(GENESIS)):
            raise MisuseError(
                f"{text!r} is no last entry of a ledger",
                accepted="NUMBER:SHA-256, as every audit report states it",
            )
        return cls(number=int(number), digest=digest.lower())


@dataclass(frozen=True, slots=True, kw_only=True)
class LastCheck:
    """The newest check of a bag at one depth, and the number of its entry."""

    bag: str
    depth: str
    moment: str
    verdict: str = ""
    number: int = 0


def open_ledger(path: Path, *, read_only: bool = False, known: bool = False) -> Ledger:
    """Open a ledger; make it if it is to be written and is not there, but no folder for it.

    Parameters
    ----------
    path : Path
        The file.
    read_only : bool
        Refuse to make or change anything.
    known : bool
        It must have been made before.

    Raises
    ------
    MisuseError
        The file is something else.
    IntegrityError
        The file is damaged beyond reading.
    SurroundingsError
        The file or its folder cannot be reached or written.
    """
    if read_only or known or files.exists(path):
        files.status(path)
    else:
        # A folder made in the place of a disk that is not connected would hide that it is not.
        files.status(files.resolved(path.parent))
    with explained(path):
        connection = files.database(path, read_only=read_only)
        try:
            if not (read_only or known):
                lay_out(connection)
            require_ours(connection, path)
        except BaseException:
            connection.close()
            raise
    return Ledger(path, connection)


class Ledger:
    """An open ledger; may be used from several threads."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection
        self._mutex = threading.RLock()

    def __enter__(self) -> Self:
        """Return itself."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the file."""
        self.close()

    def close(self) -> None:
        """Close the file; what was appended is there already."""
        with self._mutex:
            self._connection.close()

    def append(self, *drafts: Draft, durable: bool = True, forget: str = "") -> tuple[Entry, ...]:
        """Add entries: all of them or none.

        Parameters
        ----------
        drafts : Draft
            In order.
        durable : bool
            Whether they must survive a power failure once this returns. A check can be made
            again, so that a large audit need not wait for the disk after each bag.
        forget : str
            A run whose notes on the bags of these drafts have done their service.

        Raises
        ------
        SurroundingsError
            Nothing was added.
        """
        if not drafts:
            return ()
        with self._mutex, explained(self.path):
            self._connection.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                made = self._insert(drafts)
                if forget:
                    for draft in drafts:
                        self._connection.execute(
                            "DELETE FROM under_way WHERE run = ? AND bag = ?", (forget, draft.bag)
                        )
                self._connection.execute("COMMIT")
            except BaseException:
                roll_back(self._connection)
                raise
        return made

    def _insert(self, drafts: Sequence[Draft]) -> tuple[Entry, ...]:
        last = self._last()
        number, previous = (last.number, last.digest) if last else (0, GENESIS)
        made: list[Entry] = []
        for draft in drafts:
            number += 1
            facts = canonical(draft.facts).decode()
            entry = Entry(
                number=number,
                moment=draft.moment,
                kind=str(draft.kind),
                store=draft.store,
                bag=draft.bag,
                facts=facts,
                previous=previous,
                digest="",
            )
            previous = hashlib.sha256(entry.canonical()).hexdigest()
            self._connection.execute(
                f"INSERT INTO entries ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608 - a constant
                (
                    number,
                    entry.moment,
                    entry.kind,
                    entry.store,
                    entry.bag,
                    facts,
                    entry.previous,
                    previous,
                ),
            )
            made.append(
                Entry(
                    number=number,
                    moment=entry.moment,
                    kind=entry.kind,
                    store=entry.store,
                    bag=entry.bag,
                    facts=facts,
                    previous=entry.previous,
                    digest=previous,
                )
            )
        return tuple(made)

    def _last(self) -> Head | None:
        row = self._connection.execute(
            "SELECT number, digest FROM entries ORDER BY number DESC LIMIT 1"
        ).fetchone()
        return None if row is None else Head(number=row[0], digest=row[1])

    def head(self) -> Head | None:
        """Return the last entry's number and digest; None if there is no entry."""
        with self._mutex, explained(self.path):
            return self._last()

    def entries(
        self,
        *,
        kind: EntryKind | None = None,
        store: str | None = None,
        bag: str | None = None,
        after: int = 0,
    ) -> Iterator[Entry]:
        """Yield entries in the order of their numbers, in constant memory.

        Parameters
        ----------
        kind, store, bag : optional
            Only these.
        after : int
            Only those with a higher number.
        """
        conditions, values = ["number > ?"], [after]
        wanted: list[object] = list(values)
        # A store has as many entries as all checks of all its bags, a bag has few. The plus sign
        # keeps SQLite from looking the store up, which is all that it would do otherwise.
        by_store = "store" if bag is None else "+store"
        for name, value in (("kind", kind), (by_store, store), ("bag", bag)):
            if value is not None:
                conditions.append(f"{name} = ?")
                wanted.append(str(value))
        query = f"SELECT {_COLUMNS} FROM entries WHERE {' AND '.join(conditions)} ORDER BY number"  # noqa: S608 - names are ours, values are bound
        with self._mutex, explained(self.path):
            cursor = self._connection.execute(query, wanted)
        while True:
            with self._mutex, explained(self.path):
                rows = cursor.fetchmany(256)
            if not rows:
                return
            for row in rows:
                yield Entry(
                    number=_number(row[0]),
                    **{
                        name: value if isinstance(value, str) else repr(value)
                        for name, value in zip(_COLUMNS.split(", ")[1:], row[1:], strict=True)
                    },
                )

    def last_checks(self, store: str) -> tuple[LastCheck, ...]:
        """Return the newest completed check of each bag of a store, by depth."""
        with self._mutex, explained(self.path):
            rows = self._connection.execute(
                # SQLite takes the other columns from the row that has the maximum.
                "SELECT bag, json_extract(facts, '$.depth'), max(moment), "
                "json_extract(facts, '$.verdict'), number FROM entries "
                "WHERE kind = ? AND store = ? GROUP BY 1, 2",
                (str(EntryKind.CHECK), store),
            ).fetchall()
        return tuple(
            LastCheck(
                bag=str(bag),
                depth=str(depth),
                moment=str(moment),
                verdict=str(verdict),
                number=int(number),
            )
            for bag, depth, moment, verdict, number in rows
        )

    def bags_known(self, store: str) -> tuple[str, ...]:
        """Return the bags of which some entry says that they were in a store, in order."""
        kinds = tuple(map(str, _WAS_HERE))
        with self._mutex, explained(self.path):
            rows = self._connection.execute(
                f"SELECT DISTINCT bag FROM entries WHERE store = ? AND kind IN ({_marks(kinds)}) "  # noqa: S608 - marks only
                "AND bag <> '' ORDER BY bag",
                (store, *kinds),
            ).fetchall()
        return tuple(str(bag) for (bag,) in rows)

    def last_seen(self, bag: str, store: str) -> str:
        """Return when some entry last says that a bag was in a store; empty if none does."""
        kinds = tuple(map(str, _WAS_HERE))
        with self._mutex, explained(self.path):
            row = self._connection.execute(
                f"SELECT max(moment) FROM entries WHERE bag = ? AND +store = ? "  # noqa: S608 - marks only
                f"AND kind IN ({_marks(kinds)}) "
                "AND ifnull(json_extract(facts, '$.verdict'), '') <> 'gone'",
                (bag, store, *kinds),
            ).fetchone()
        return str(row[0] or "")

    def reference(self, bag: str, store: str | None = None) -> Entry | None:
        """Return the newest of :meth:`references`."""
        return next(self.references(bag, store), None)

    def references(self, bag: str, store: str | None = None) -> Iterator[Entry]:
        """Yield the entries that state the manifests of a bag as they should be, newest first.

        Those are checks that read all of the bag and found it intact, and changes that
        somebody accepted.
        """
        query = (
            f"SELECT {_COLUMNS} FROM entries WHERE bag = ? AND (kind = ? OR (kind = ? "  # noqa: S608 - a constant
            "AND json_extract(facts, '$.verdict') = 'intact'))"
        )
        values: list[object] = [bag, str(EntryKind.ACCEPTED), str(EntryKind.CHECK)]
        if store is not None:
            # See entries: by the store, each check would go through all checks of all bags.
            query += " AND +store = ?"
            values.append(store)
        query += " ORDER BY number DESC"
        return self._one_by_one(query, values)

    def about_signatures(self, bag: str, store: str) -> Iterator[Entry]:
        """Yield the entries that say which signatures a bag carries, the newest first.

        Those are checks that found a signature, signatures made, and accepted changes that
        state signatures; entries of earlier programs state none.
        """
        query = (
            # Facts are canonical, and in a text the quotation marks would be escaped.
            f"SELECT {_COLUMNS} FROM entries WHERE bag = ? AND +store = ? AND (kind = ? OR "  # noqa: S608 - a constant
            "(kind = ? AND instr(facts, '\"signatures\":[{')) OR "
            "(kind = ? AND json_type(facts, '$.signatures') IS NOT NULL)) ORDER BY number DESC"
        )
        kinds = (str(EntryKind.SIGNED), str(EntryKind.CHECK), str(EntryKind.ACCEPTED))
        return self._one_by_one(query, (bag, store, *kinds))

    def _one_by_one(self, query: str, values: Sequence[object]) -> Iterator[Entry]:
        with self._mutex, explained(self.path):
            cursor = self._connection.execute(query, values)
        while True:
            with self._mutex, explained(self.path):
                row = cursor.fetchone()
            if row is None:
                return
            yield Entry(**dict(zip(_COLUMNS.split(", "), row, strict=True)))

    def stores(self) -> tuple[str, ...]:
        """Return the names of all stores that some entry is about, in order."""
        with self._mutex, explained(self.path):
            rows = self._connection.execute(
                "SELECT DISTINCT store FROM entries WHERE store <> '' ORDER BY store"
            ).fetchall()
        return tuple(str(name) for (name,) in rows)

    def knows(self, store: str) -> bool:
        """Say whether any entry is about a store."""
        with self._mutex, explained(self.path):
            row = self._connection.execute(
                "SELECT 1 FROM entries WHERE store = ? LIMIT 1", (store,)
            ).fetchone()
        return row is not None

    def last_activity(self, store: str, run: str) -> str:
        """Return the moment of the newest entry of an audit; empty if there is none."""
        with self._mutex, explained(self.path):
            row = self._connection.execute(
                "SELECT max(moment) FROM entries WHERE store = ? AND kind IN (?, ?) "
                "AND json_extract(facts, '$.run') = ?",
                (store, str(EntryKind.AUDIT_BEGUN), str(EntryKind.CHECK), run),
            ).fetchone()
        return str(row[0] or "")

    def triggers(self) -> Mapping[str, str]:
        """Return the statement of each trigger that is there, blanks made one, by its name."""
        with self._mutex, explained(self.path):
            rows = self._connection.execute(
                "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
            ).fetchall()
        return {str(name): " ".join(str(text).split()) for name, text in rows}

    def highest_number(self) -> int:
        """Return the highest number that an entry ever had, as SQLite itself keeps it."""
        with self._mutex, explained(self.path):
            row = self._connection.execute(
                "SELECT seq FROM sqlite_sequence WHERE name = 'entries'"
            ).fetchone()
        return 0 if row is None else int(row[0])

    def note(self, run: str, bag: str, notes: Sequence[tuple[str, int, int, str]]) -> None:
        """Keep what is known of files of a bag under check: path, size, mtime_ns, digests."""
        with self._mutex, explained(self.path):
            self._connection.execute("PRAGMA synchronous = NORMAL")
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                for path, size, mtime_ns, digests in notes:
                    self._connection.execute(
                        "INSERT OR REPLACE INTO under_way VALUES (?, ?, ?, ?, ?, ?)",
                        (run, bag, path, size, mtime_ns, digests),
                    )
                self._connection.execute("COMMIT")
            except BaseException:
                roll_back(self._connection)
                raise

    def notes(self, run: str, bag: str) -> Mapping[str, tuple[int, int, str]]:
        """Return what :meth:`note` kept, by path."""
        with self._mutex, explained(self.path):
            rows = self._connection.execute(
                "SELECT path, size, mtime_ns, digests FROM under_way WHERE run = ? AND bag = ?",
                (run, bag),
            ).fetchall()
        return {str(path): (size, mtime_ns, digests) for path, size, mtime_ns, digests in rows}

    def forget_run(self, run: str) -> None:
        """Drop all notes of a run."""
        with self._mutex, explained(self.path):
            self._connection.execute("DELETE FROM under_way WHERE run = ?", (run,))


def _marks(values: Sequence[object]) -> str:
    return ", ".join("?" * len(values))


def _number(value: object) -> int:
    if isinstance(value, int):
        return value
    raise IntegrityError(f"an entry has the number {value!r}", remedy="Verify the ledger")
