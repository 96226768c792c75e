"""What a path is, of all that this program takes and writes.

People name the wrong folder, and shells name everything that lies beside a bag. Whoever knows
what was named can say so, instead of finding fault with it as if it were something else.
"""

from __future__ import annotations

import enum
import re
from dataclasses import dataclass
from pathlib import Path

from archiver import files
from archiver.errors import ArchiverError

__all__ = ["BESIDE_BAGS", "Found", "Kind", "is_text", "look_at"]


class Kind(enum.StrEnum):
    """Kinds of files and folders, each as it is called in a sentence."""

    BAG = "a bag"
    SESSION = "a session folder"
    STORE = "a folder of bags"
    PACKAGE = "a package"
    RECOVERY = "recovery data of a bag"
    SET_ASIDE = "what a repair moved out of a bag"
    UNFINISHED = "something unfinished"
    SALVAGED = "what was salvaged of a bag"
    LEDGER = "a ledger"
    LEDGER_PART = "a part of a ledger that is open"
    DEPOSIT = "a deposit with its papers"
    RECEIPT = "a receipt with its papers"
    PAPERS = "papers of deposits and receipts"
    QUARANTINE = "packages that were not accepted"
    REPORT = "a report or a record of this program"
    PAGE = "the page of a session"
    SHEET = "the sheet of a session"
    MACHINE = "the file of a machine or of a model"
    INSTITUTION = "the profile of an institution"
    TABLE = "a workbook or a table"
    SOUND = "a sound or video file"
    IN_BAG = "a part of a bag"
    IN_SESSION = "a part of a session folder"
    FILE = "a file of a kind that is not known here"
    FOLDER = "a folder that holds neither a bag nor a session"
    EMPTY = "an empty folder"
    CLOSED = "a folder that cannot be opened"
    MISSING = "nothing"


BESIDE_BAGS = frozenset(
    {
        Kind.PACKAGE,
        Kind.RECOVERY,
        Kind.SET_ASIDE,
        Kind.UNFINISHED,
        Kind.SALVAGED,
        Kind.LEDGER,
        Kind.LEDGER_PART,
        Kind.DEPOSIT,
        Kind.RECEIPT,
        Kind.PAPERS,
        Kind.QUARANTINE,
        Kind.REPORT,
        Kind.PAGE,
    }
)
"""What this program itself writes beside bags."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a path is.

    Parameters
    ----------
    path : Path
        As it was given.
    kind : Kind
    owner : Path, optional
        The bag or the session folder that it belongs to; of a store, its first bag.
    """

    path: Path
    kind: Kind
    owner: Path | None = None


_SQLITE = b"SQLite format 3\0"
_HEAD_BYTES = 4096
_MOST_LOOKED_INTO = 200
_HIGHEST = 8
_MANIFEST = re.compile(r"(?:tag)?manifest-[A-Za-z0-9]+\.txt")
_HIDDEN = re.compile(r"\..+\.(?:unfinished|repairing|lock)", re.DOTALL)
_OF_LEDGER = re.compile(r"(.+)(?:-wal|-shm|-journal|\.[0-9A-Za-z-]+\.lock)", re.DOTALL)
_PART = re.compile(r"(.+)\.\d{4}", re.DOTALL)
_PAPERS = re.compile(r"[DR]-[0-9a-f]{12}")
_RECORD = re.compile(rb'\{\s*"schema"\s*:\s*"[a-z-]+ \d+"')
_ENTRY = re.compile(rb'\{"bag":"(?:[^"\\]|\\.)*","digest":"[0-9a-f]{64}"')
_SCHEMA = re.compile(rb"(?m)^schema\s*:\s*[\"']?(machine|type|institution|session)\b")
_SALVAGED = (".salvaged.wav", ".salvaged.json")
_SHEET = "session.yaml"
_DECLARATION = "bagit.txt"
_PACKAGES = (".tar", ".tar.gz", ".tgz", ".tar.zst", ".tzst", ".zip")
_TABLES = (".xlsx", ".csv")
_SOUNDS = (
    ".wav", ".wave", ".rf64", ".bw64", ".w64", ".flac", ".aif", ".aiff", ".aifc", ".mp3", ".ogg",
    ".opus", ".mp4", ".m4v", ".m4a", ".mov", ".mkv", ".mka",
)  # fmt: skip


def look_at(path: Path) -> Found:
    """Say what a path is. What cannot be opened is told by its name alone, or as unknown."""
    try:
        resolved = files.resolved(path)
        is_folder = files.status(resolved).is_directory
    except ArchiverError:
        return Found(path=path, kind=Kind.MISSING)
    if _HIDDEN.fullmatch(resolved.name):
        return Found(path=path, kind=Kind.UNFINISHED)
    kind, owner = _folder(path, resolved) if is_folder else _file(path, resolved)
    if kind in {Kind.FILE, Kind.FOLDER, Kind.EMPTY}:
        kind, owner = _within(path, resolved) or (kind, owner)
    return Found(path=path, kind=kind, owner=owner)


def _bag_like(names: frozenset[str]) -> bool:
    """Say whether a folder of these names is a bag, or what damage left of one."""
    return bool(names & {_DECLARATION, "bag-info.txt"}) or any(map(_MANIFEST.fullmatch, names))


def _folder(path: Path, resolved: Path) -> tuple[Kind, Path | None]:
    try:
        found = files.entries(resolved)
    except ArchiverError:
        return Kind.CLOSED, None
    names = frozenset(entry.name for entry in found)
    folders = [entry.name for entry in found if entry.is_directory]
    beside = _beside(path, resolved, names)
    if beside is not None:
        return beside
    if _bag_like(names):
        return Kind.BAG, None
    if _SHEET in names or {"takes", "machines"} <= names:
        return Kind.SESSION, None
    if any(name.endswith(_SALVAGED) for name in names):
        return Kind.SALVAGED, None
    if any(map(_PAPERS.fullmatch, folders)):
        return _papers(resolved, folders), None
    for name in sorted(folders)[:_MOST_LOOKED_INTO]:
        # A bag that was moved aside is no bag of this folder.
        if (
            not name.startswith(".")
            and _bag_like(_names(resolved / name))
            and _beside(path / name, resolved / name, frozenset()) is None
        ):
            return Kind.STORE, path / name
    # What lost even its lists is still known by its payload, or by what lies beside it.
    if "data" in folders or files.exists(resolved.with_name(f"{resolved.name}.recovery")):
        return Kind.BAG, None
    return (Kind.FOLDER if names else Kind.EMPTY), None


def _beside(path: Path, resolved: Path, names: frozenset[str]) -> tuple[Kind, Path | None] | None:
    """Tell folders that lie beside a bag and are named after it, and those of papers."""
    stem, dot, ending = resolved.name.rpartition(".")
    owner = path.with_name(stem) if stem else None
    if dot and ending == "recovery" and any(name.endswith((".par2", ".json")) for name in names):
        return Kind.RECOVERY, owner
    if (
        dot
        and ending == "set-aside"
        and (_DECLARATION not in names or files.exists(resolved.with_name(stem)))
    ):
        return Kind.SET_ASIDE, owner
    if _PAPERS.fullmatch(resolved.name):
        if "letter.txt" in names:
            return Kind.QUARANTINE, None
        return (Kind.RECEIPT if resolved.name.startswith("R-") else Kind.DEPOSIT), None
    return None


def _papers(resolved: Path, folders: list[str]) -> Kind:
    first = next(name for name in sorted(folders) if _PAPERS.fullmatch(name))
    return Kind.QUARANTINE if "letter.txt" in _names(resolved / first) else Kind.PAPERS


def _names(folder: Path) -> frozenset[str]:
    try:
        return frozenset(entry.name for entry in files.entries(folder))
    except ArchiverError:
        return frozenset()


def _file(path: Path, resolved: Path) -> tuple[Kind, Path | None]:
    name = resolved.name.lower()
    if name == _SHEET:
        return Kind.SHEET, path.parent
    if name.endswith(_SALVAGED):
        return Kind.SALVAGED, None
    if (of := _OF_LEDGER.fullmatch(resolved.name)) and _is_ledger(resolved.with_name(of[1])):
        return Kind.LEDGER_PART, None
    package = name.removesuffix(".sha256")
    part = _PART.fullmatch(package)
    if (part[1] if part else package).endswith(_PACKAGES):
        return Kind.PACKAGE, None
    if name.endswith(_SOUNDS):
        return Kind.SOUND, None
    if name.endswith(_TABLES):
        return Kind.TABLE, None
    return _by_content(path, _head(resolved), name)


def _by_content(path: Path, head: bytes, name: str) -> tuple[Kind, Path | None]:
    if head.startswith(_SQLITE):
        return Kind.LEDGER, None
    if name.endswith((".json", ".jsonl")) and (_RECORD.match(head) or _ENTRY.match(head)):
        return Kind.REPORT, None
    if name.endswith((".html", ".htm")) and b'name="dcterms.identifier"' in head:
        return Kind.PAGE, None
    if name.endswith((".yaml", ".yml")) and (said := _SCHEMA.search(head)):
        match said[1]:
            case b"institution":
                return Kind.INSTITUTION, None
            case b"session":
                return Kind.SHEET, path.parent
            case _:
                above = path.parent.parent
                return Kind.MACHINE, above if files.exists(above / _SHEET) else None
    return Kind.FILE, None


def _is_ledger(path: Path) -> bool:
    return _head(path).startswith(_SQLITE)


def is_text(path: Path) -> bool:
    """Say whether a file begins as text; a database does not, be it damaged or not."""
    head = _head(path)
    return bool(head) and b"\0" not in head


def _head(path: Path) -> bytes:
    try:
        with files.open_read(path, buffering=0) as file:
            return file.read(_HEAD_BYTES) or b""
    except (ArchiverError, OSError):
        return b""


def _within(path: Path, resolved: Path) -> tuple[Kind, Path] | None:
    """Tell what lies in a bag or in a session folder; the owner is named as the path was."""
    for height, above in enumerate(list(resolved.parents)[:_HIGHEST]):
        owner = above
        if height < len(path.parents) and files.exists(path.parents[height]):
            named = path.parents[height]
            owner = named if files.resolved(named) == above else above
        if files.exists(above / _DECLARATION):
            return Kind.IN_BAG, owner
        if files.exists(above / _SHEET):
            return Kind.IN_SESSION, owner
    return None
