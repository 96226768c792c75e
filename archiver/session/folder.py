"""The session folder: what lies in it, and whether the sheet and the files agree."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from archiver import files
from archiver.errors import SurroundingsError
from archiver.findings import Finding, Rule, Where
from archiver.session import rules
from archiver.session.conform import nearest
from archiver.session.images import IMAGE_EXTENSIONS, SIGNATURE_BYTES, image_kind, other_kind
from archiver.session.institution import INSTITUTION_FILE
from archiver.session.portable_names import same_elsewhere, shown, why_not_portable
from archiver.session.records import Machine
from archiver.session.sheet import Sheet
from archiver.session.stated import Stated, stated
from archiver.telling import count, listed

__all__ = ["CAPTURE_EXTENSIONS", "READ_ME", "Folder", "check_folder", "look_into"]

CAPTURE_EXTENSIONS = frozenset(
    [".wav", ".wave", ".rf64", ".bw64", ".flac", ".aif", ".aiff", ".aifc",
     ".mp4", ".m4v", ".m4a", ".mov", ".mkv", ".mka", ".w64", ".mp3", ".ogg", ".opus"]
)  # fmt: skip
"""Ends of the names of sound and video files: such a file in ``takes/`` is a capture."""

READ_ME = "read-me.txt"
"""Explains a folder of the template; never archived and never reported."""

_LITTER = {"thumbs.db", "desktop.ini", "ehthumbs.db", READ_ME}
_FOLDERS = ("machines", "types", "takes", "photographs", "documents")


_YAML_FOLDERS = {"machines": "machine", "types": "type"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Folder:
    """Ordinary files below the session folder, by path with ``/``, and what else was met."""

    paths: tuple[str, ...]
    findings: tuple[Finding, ...]


def look_into(folder: Path) -> Folder:
    """List a session folder. Hidden files and the litter of file managers are passed over.

    Raises
    ------
    SurroundingsError
        The folder or one below it cannot be listed.
    """
    paths: list[str] = []
    findings: list[Finding] = []
    for path, entry in files.walk_files(folder):
        parts = path.split("/")
        if entry.is_link:
            findings.append(
                rules.FOLDER_LINK.at(
                    Where(file=shown(path)), "is a symbolic link", accepted="the file itself"
                )
            )
        elif any(part.startswith(".") for part in parts) or parts[-1].lower() in _LITTER:
            continue
        elif not entry.is_file:
            findings.append(
                rules.FOLDER_SPECIAL_FILE.at(
                    Where(file=shown(path)), "is neither a file nor a folder"
                )
            )
        else:
            paths.append(path)
    findings += _names(paths)
    return Folder(paths=tuple(paths), findings=tuple(findings))


def _names(paths: Iterable[str]) -> list[Finding]:
    findings: list[Finding] = []
    alike: dict[str, str] = {}
    for path in paths:
        reason = why_not_portable(path)
        if reason is not None:
            findings.append(
                rules.FOLDER_NAME_NOT_PORTABLE.at(
                    Where(file=shown(path)),
                    reason,
                    accepted="letters, digits, hyphens, underscores and full stops within the name",
                )
            )
        other = alike.setdefault(same_elsewhere(path), path)
        if other is not path:
            findings.append(
                rules.FOLDER_NAMES_ALIKE.at(
                    Where(file=shown(path)),
                    f"differs from {shown(other)} only in capital letters "
                    "or in how accents are encoded",
                    accepted="names that differ in a letter or digit",
                )
            )
    return findings


@dataclass(frozen=True, slots=True, kw_only=True)
class _Listed:
    """One kind of file that the sheet lists."""

    section: str
    kind: str
    missing: Rule
    stray: Rule
    unlisted: str


_TAKES = _Listed(
    section="takes",
    kind="take",
    missing=rules.TAKE_FILE_MISSING,
    stray=rules.TAKE_NOT_IN_SHEET,
    unlisted="is not the file of any take in the sheet",
)
_PHOTOGRAPHS = _Listed(
    section="photographs",
    kind="photograph",
    missing=rules.PHOTOGRAPH_MISSING,
    stray=rules.PHOTOGRAPH_NOT_IN_SHEET,
    unlisted="is listed in no file of the session",
)
_DOCUMENTS = _Listed(
    section="documents",
    kind="document",
    missing=rules.DOCUMENT_MISSING,
    stray=rules.DOCUMENT_NOT_IN_SHEET,
    unlisted="is not listed in the sheet",
)


def check_folder(
    folder: Path, seen: Folder, sheet: Sheet, machines: Iterable[Machine]
) -> list[Finding]:
    """Compare the files that the sheet and the machine files list with those that are there.

    Parameters
    ----------
    folder : Path
        The session folder.
    seen : Folder
        What lies in it.
    sheet : Sheet
        The sheet as read.
    machines : iterable of Machine
        Their photographs count as listed.
    """
    if sheet.root is None:
        return []
    findings: list[Finding] = []
    on_disk = {same_elsewhere(path): path for path in seen.paths}
    present = set(seen.paths)
    named: set[str] = set()
    sources = [(listing, sheet.file, sheet.root) for listing in (_TAKES, _PHOTOGRAPHS, _DOCUMENTS)]
    sources += [
        (_PHOTOGRAPHS, machine.places.file, machine.places.root)
        for machine in machines
        if machine.places.root is not None
    ]
    opened: set[str] = set()
    for listing, file, root in sources:
        first: dict[str, Stated] = {}
        captioned = {_entry_of(each) for each in stated(root, listing.section, "caption")}
        spanned = {
            _entry_of(each)
            for name in ("begins", "ends")
            for each in stated(root, listing.section, name)
        }
        for each in stated(root, listing.section, "file"):
            key = same_elsewhere(each.text)
            named |= {key, _meant(listing, each.text)}
            before = first.setdefault(key, each)
            if before is not each:
                if listing is _TAKES and {_entry_of(before), _entry_of(each)} <= spanned:
                    continue
                findings.append(_again(listing, each, before, file))
                continue
            findings += _presence(listing, each, file, present, on_disk)
            if listing is not _TAKES and _entry_of(each) not in captioned:
                findings.append(_uncaptioned(listing, each, file))
            if listing is _PHOTOGRAPHS and each.text in present and key not in opened:
                opened.add(key)
                findings += _image(folder, each, file)
    findings += _strays(seen.paths, named, sheet)
    return findings


def _meant(listing: _Listed, text: str) -> str:
    """Return the key of the file that a path of another form probably means."""
    name = text.replace("\\", "/").rpartition("/")[2]
    return same_elsewhere(f"{listing.section}/{name}")


def _where(each: Stated, file: str) -> Where:
    return Where(file=file, line=each.line, column=each.column, field=each.field)


def _entry_of(each: Stated) -> str:
    """Return the entry that a field belongs to, such as ``takes[2]``."""
    return each.field.rpartition(".")[0]


def _again(listing: _Listed, each: Stated, before: Stated, file: str) -> Finding:
    if listing is _TAKES:
        return rules.TAKE_FILE_SHARED.at(
            _where(each, file),
            f"{shown(each.text)} is the file of the take in line {before.line} already",
            accepted="a file of its own for each take, or begins and ends for each take of the file",
        )
    return rules.FILE_LISTED_TWICE.at(
        _where(each, file),
        f"{shown(each.text)} is listed in line {before.line} already",
        accepted="one entry for each file",
    )


def _presence(
    listing: _Listed, each: Stated, file: str, present: set[str], on_disk: Mapping[str, str]
) -> list[Finding]:
    if each.text in present or not each.text.startswith(f"{listing.section}/"):
        # A path of another form has its finding already.
        return []
    other = on_disk.get(same_elsewhere(each.text))
    if other is not None:
        found = (
            f"{shown(each.text)} is not there, but {shown(other)} is: the names differ in "
            "capital letters or in how accents are encoded"
        )
        return [
            listing.missing.at(
                _where(each, file),
                found,
                accepted=shown(other),
                remedy="Write the name in the sheet exactly as the file is named, "
                "or rename the file.",
            )
        ]
    return [
        listing.missing.at(
            _where(each, file),
            f"{shown(each.text)} is not in the session folder",
            accepted=f"a file below {listing.section}/",
        )
    ]


def _uncaptioned(listing: _Listed, each: Stated, file: str) -> Finding:
    rule = (
        rules.PHOTOGRAPH_WITHOUT_CAPTION
        if listing is _PHOTOGRAPHS
        else rules.DOCUMENT_WITHOUT_CAPTION
    )
    return rule.at(
        _where(each, file),
        f"{shown(each.text)} has no caption",
        accepted="`caption: The recording horn from the side`",
    )


def _image(folder: Path, each: Stated, file: str) -> list[Finding]:
    try:
        path = folder.joinpath(*each.text.split("/"))
        with files.open_read(path, follow=False) as image, files.translated(path, "read"):
            head = image.read(SIGNATURE_BYTES)
    except SurroundingsError as error:
        return [rules.FILE_UNREADABLE.at(Where(file=each.text), error.found, remedy=error.remedy)]
    kind = image_kind(head)
    if kind is None:
        return [
            rules.PHOTOGRAPH_NOT_AN_IMAGE.at(
                _where(each, file),
                f"{shown(each.text)} is {other_kind(head)}",
                accepted="PNG, JPEG, TIFF, WebP or HEIC",
            )
        ]
    if PurePosixPath(each.text).suffix.lower() not in IMAGE_EXTENSIONS[kind]:
        return [
            rules.PHOTOGRAPH_EXTENSION.at(
                _where(each, file),
                f"{shown(each.text)} holds a {kind} image",
                accepted=" or ".join(IMAGE_EXTENSIONS[kind]),
            )
        ]
    return []


def _strays(paths: Iterable[str], named: set[str], sheet: Sheet) -> list[Finding]:
    """Report what lies in the folder and stands nowhere in the sheet."""
    findings: list[Finding] = []
    elsewhere: dict[str, int] = {}
    unlisted: dict[_Listed, list[str]] = {}
    for path in paths:
        top, slash, _ = path.partition("/")
        if same_elsewhere(path) in named or path in {sheet.file, INSTITUTION_FILE}:
            continue
        where = Where(file=shown(path))
        if not slash:
            findings.append(rules.FOLDER_STRAY.at(where, "is not part of the session"))
        elif top == "takes" and "takes" not in sheet.damaged:
            suffix = PurePosixPath(path).suffix.lower()
            if suffix in CAPTURE_EXTENSIONS:
                unlisted.setdefault(_TAKES, []).append(path)
            else:
                found = "is not the file of any take in the sheet"
                findings.append(rules.FOLDER_STRAY.at(where, found))
        elif top == "photographs" and "photographs" not in sheet.damaged:
            unlisted.setdefault(_PHOTOGRAPHS, []).append(path)
        elif top == "documents" and "documents" not in sheet.damaged:
            unlisted.setdefault(_DOCUMENTS, []).append(path)
        elif top in _YAML_FOLDERS:
            if not path.endswith(".yaml") or path.count("/") > 1:
                findings.append(
                    rules.FOLDER_STRAY.at(
                        where,
                        f"is not a {_YAML_FOLDERS[top]} file",
                        accepted=f"{top}/<id>.yaml",
                        remedy="Rename it if it is one; if not, move it out of the folder.",
                    )
                )
        elif top not in _FOLDERS:
            elsewhere[top] = elsewhere.get(top, 0) + 1
    for listing, names in unlisted.items():
        is_one = len(names) == 1
        findings.append(
            listing.stray.at(
                Where(file=shown(names[0]) if is_one else f"{listing.section}/"),
                listing.unlisted
                if is_one
                else f"each of {len(names)} files {listing.unlisted}: "
                + listed([shown(name).removeprefix(f"{listing.section}/") for name in names]),
            )
        )
    for top, number in elsewhere.items():
        near = nearest(top, _FOLDERS)
        findings.append(
            rules.FOLDER_STRAY.at(
                Where(file=f"{shown(top)}/"),
                f"is not a folder of the session; it holds {count(number, 'file')}"
                + (f"; nearest: {near}/" if near else ""),
                accepted=", ".join(f"{name}/" for name in _FOLDERS),
            )
        )
    return findings
