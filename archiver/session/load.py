"""Loading a session folder: the sheet, the machine files, and all findings on them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from archiver import files
from archiver.errors import MisuseError, SurroundingsError
from archiver.findings import Finding, Where, in_order
from archiver.session import machine_rules, rules
from archiver.session.build import build_machine, build_session, build_type
from archiver.session.conform import Fields, conform, nearest
from archiver.session.folder import Folder, check_folder, look_into
from archiver.session.machine_checks import check_machine, check_models, check_type
from archiver.session.place import Places
from archiver.session.plausibility import check_plausibility
from archiver.session.plausibility_rules import TAKE_VOICE_WITHOUT_CONSENT
from archiver.session.questions import KEPT_ANSWERS
from archiver.session.records import Machine, MachineType, Session
from archiver.session.references import check_references
from archiver.session.shape import shape
from archiver.session.sheet import MAX_SHEET_BYTES, Sheet, read_sheet
from archiver.session.take_order import check_takes
from archiver.session.tree import Scalar
from archiver.telling import command_line

__all__ = [
    "MACHINES",
    "SHEET",
    "TYPES",
    "Loaded",
    "load_session",
    "read_machine_file",
    "read_type_file",
]

SHEET = "session.yaml"
MACHINES = "machines"
TYPES = "types"
_VERSION = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """A session folder as far as it could be read.

    Parameters
    ----------
    session : Session or None
        None only if the sheet cannot be read into a record at all.
    findings : tuple of Finding
        Everything that was found, errors first.
    sheet_file : str
        Path of the sheet relative to the folder; empty if there is none.
    machine_files : tuple of str
        Paths of the machine files relative to the folder, in the order of names.
    type_files : tuple of str
        Paths of the type files, likewise.
    """

    session: Session | None
    findings: tuple[Finding, ...]
    sheet_file: str = ""
    machine_files: tuple[str, ...] = ()
    type_files: tuple[str, ...] = ()


def load_session(folder: Path) -> Loaded:
    """Read a session folder; nothing in it is changed.

    Parameters
    ----------
    folder : Path
        Holds ``session.yaml`` and the folders beside it.

    Returns
    -------
    Loaded
        Never raises for what a person can correct.
    """
    try:
        seen = look_into(folder)
    except (MisuseError, SurroundingsError) as error:
        return Loaded(
            session=None,
            findings=(
                rules.FOLDER_UNREADABLE.at(
                    Where(file=error.where), error.found, remedy=error.remedy
                ),
            ),
        )
    findings = list(seen.findings)
    machine_files, type_files = _files_of(seen, MACHINES), _files_of(seen, TYPES)
    machines = _read_all(folder, machine_files, _machine, findings)
    types = _read_all(folder, type_files, _type, findings)
    if SHEET not in seen.paths:
        findings.append(_no_sheet(folder, seen))
        return Loaded(
            session=None,
            findings=in_order(findings),
            machine_files=machine_files,
            type_files=type_files,
        )
    sheet = _read(folder, SHEET)
    findings += sheet.findings
    session = None
    if sheet.root is not None:
        fields, met = _conformed(sheet, "session")
        findings += met
        places = Places(file=SHEET, root=sheet.root)
        session = build_session(fields, machines, places, types)
        findings += check_references(sheet, session, machine_files)
        findings += check_folder(folder, seen, sheet, machines)
        if session is not None:
            findings += check_takes(session)
            findings += check_models(session)
            findings += check_plausibility(session)
            findings = _without_followers(findings, met)
    return Loaded(
        session=session,
        findings=in_order(findings),
        sheet_file=SHEET,
        machine_files=machine_files,
        type_files=type_files,
    )


def read_machine_file(content: bytes, file: str) -> tuple[Machine | None, tuple[Finding, ...]]:
    """Read one machine file by itself.

    Parameters
    ----------
    content : bytes
        The whole file.
    file : str
        Its path relative to the session folder, such as ``machines/vesterholm-b.yaml``.
    """
    return _machine(read_sheet(content, file))


def read_type_file(content: bytes, file: str) -> tuple[MachineType | None, tuple[Finding, ...]]:
    """Read one type file by itself.

    Parameters
    ----------
    content : bytes
        The whole file.
    file : str
        Its path relative to the session folder, such as ``types/vesterholm-stemmebog.yaml``.
    """
    return _type(read_sheet(content, file))


def _machine(sheet: Sheet) -> tuple[Machine | None, tuple[Finding, ...]]:
    if sheet.root is None:
        return None, sheet.findings
    fields, met = _conformed(sheet, "machine")
    machine = build_machine(fields, Places(file=sheet.file, root=sheet.root))
    findings = [*sheet.findings, *met]
    if machine is not None:
        stem = sheet.file.rpartition("/")[2].rpartition(".")[0]
        if machine.id != stem:
            findings.append(
                rules.MACHINE_FILE_NAME.at(
                    machine.locate("id"),
                    f"the id is `{machine.id}`, but the file is named {stem}.yaml",
                    accepted=f"the id `{stem}`, or the file name {machine.id}.yaml",
                )
            )
        if machine.mandrel is not None and machine.platter is not None:
            findings.append(
                rules.MACHINE_MANDREL_AND_PLATTER.at(
                    machine.locate("platter"),
                    "has both a mandrel and a platter",
                    accepted="one of the two",
                )
            )
        findings += check_machine(machine)
    return machine, tuple(findings)


def _type(sheet: Sheet) -> tuple[MachineType | None, tuple[Finding, ...]]:
    if sheet.root is None:
        return None, sheet.findings
    fields, met = _conformed(sheet, "type")
    machine_type = build_type(fields, Places(file=sheet.file, root=sheet.root))
    findings = [*sheet.findings, *met]
    if machine_type is not None:
        stem = sheet.file.rpartition("/")[2].rpartition(".")[0]
        if machine_type.id != stem:
            findings.append(
                machine_rules.TYPE_FILE_NAME.at(
                    machine_type.locate("id"),
                    f"the id is `{machine_type.id}`, but the file is named {stem}.yaml",
                    accepted=f"the id `{stem}`, or the file name {machine_type.id}.yaml",
                )
            )
        findings += check_type(machine_type)
    return machine_type, tuple(findings)


_Read = TypeVar("_Read", Machine, MachineType)


def _files_of(seen: Folder, name: str) -> tuple[str, ...]:
    return tuple(
        path
        for path in seen.paths
        if path.startswith(f"{name}/") and path.endswith(".yaml") and path.count("/") == 1
    )


def _read_all(
    folder: Path,
    names: Iterable[str],
    read: Callable[[Sheet], tuple[_Read | None, tuple[Finding, ...]]],
    findings: list[Finding],
) -> tuple[_Read, ...]:
    """Read files of one kind; an id that two files have is told."""
    records: list[_Read] = []
    taken: dict[str, str] = {}
    for name in names:
        record, met = read(_read(folder, name))
        findings += met
        if record is None:
            continue
        if record.id in taken:
            findings.append(
                rules.SHEET_SAME_ID.at(
                    record.locate("id"),
                    f"the id `{record.id}` is that of {taken[record.id]} too",
                    accepted="an id of its own for each file",
                )
            )
        taken.setdefault(record.id, name)
        records.append(record)
    return tuple(records)


def _read(folder: Path, name: str) -> Sheet:
    path = folder.joinpath(*name.split("/"))
    try:
        size = files.status(path).size
        if size > MAX_SHEET_BYTES:
            finding = rules.SHEET_TOO_LARGE.at(
                Where(file=name),
                f"is {size} bytes long",
                accepted=f"at most {MAX_SHEET_BYTES} bytes (16 MiB)",
            )
            return Sheet(file=name, root=None, findings=(finding,), damaged=frozenset())
        return read_sheet(files.read_bytes(path, limit=MAX_SHEET_BYTES, follow=False), name)
    except SurroundingsError as error:
        finding = rules.FILE_UNREADABLE.at(Where(file=name), error.found, remedy=error.remedy)
        return Sheet(file=name, root=None, findings=(finding,), damaged=frozenset())


def _conformed(sheet: Sheet, name: str) -> tuple[Fields, list[Finding]]:
    """Read by the schema; say so if the file follows a newer one."""
    if sheet.root is None:
        return Fields(""), []
    newer = _newer(sheet, name)
    fields, findings = conform(
        sheet.root, shape(name), sheet.file, damaged=sheet.damaged, newer=newer is not None
    )
    if newer is not None:
        findings = [finding for finding in findings if finding.where.field != "schema"]
        findings.append(newer)
    return fields, findings


_CONSENT = re.compile(r"operators\[\d+\]\.consent\b")


def _without_followers(findings: list[Finding], met: Iterable[Finding]) -> list[Finding]:
    """Leave out that a consent is missing where it could only not be read, which is told."""
    unread = {found[0] for each in met if (found := _CONSENT.match(each.where.field))}

    def follows(finding: Finding) -> bool:
        if finding.code == TAKE_VOICE_WITHOUT_CONSENT.code:
            return True
        person = finding.where.field.removesuffix(".consent")
        return finding.code == rules.OPERATOR_CONSENT.code and f"{person}.consent" in unread

    return [each for each in findings if not follows(each)] if unread else findings


def _newer(sheet: Sheet, name: str) -> Finding | None:
    entry = sheet.root.entries.get("schema") if sheet.root is not None else None
    if entry is None or not isinstance(entry.value, Scalar):
        return None
    match = re.fullmatch(rf"{name} (\d{{1,6}})", entry.value.text.strip(), re.ASCII)
    if match is None or int(match[1]) <= _VERSION:
        return None
    return rules.SHEET_SCHEMA_VERSION.at(
        Where(file=sheet.file, line=entry.line, column=entry.column, field="schema"),
        f"`{entry.value.text}` is newer than this program knows",
        accepted=f"`{name} {_VERSION}`",
    )


def _no_sheet(folder: Path, seen: Folder) -> Finding:
    at_top = [path for path in seen.paths if "/" not in path]
    if KEPT_ANSWERS in at_top:
        return rules.FOLDER_NO_SHEET.at(
            Where(file=KEPT_ANSWERS),
            "the session folder has no session.yaml yet, but answers to the questions for it",
            accepted="session.yaml, which is written after the last question",
            remedy=f"Go on with the questions: {command_line('new', folder, '--ask')}",
        )
    near = nearest(SHEET, at_top)
    if near is None:
        return rules.FOLDER_NO_SHEET.at(
            Where(file=SHEET), "the session folder has no session.yaml", accepted="session.yaml"
        )
    return rules.FOLDER_NO_SHEET.at(
        Where(file=near),
        f"the session folder has no session.yaml, but a file named {near}",
        accepted="session.yaml",
        remedy=f"Rename {near} to session.yaml.",
    )
