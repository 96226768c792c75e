"""What lies in an inbox: a deposit with its record, a bag as a folder, a package, its parts.

Nothing is unpacked here and nothing is believed: the record that lies beside a package says
what the depositor meant to send, and is compared with what is there.
"""

from __future__ import annotations

import enum
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from archiver import files
from archiver.custody.deposit_record import (
    DEPOSIT_NAME,
    SENT_ALONG,
    DepositRecord,
    Package,
    decode_deposit,
)
from archiver.custody.deposit_rules import (
    LAID_BESIDE,
    PACKAGE_DIFFERS,
    PACKAGE_MISSING,
    PACKAGE_UNUSABLE,
)
from archiver.custody.statements import LARGEST_STATEMENT_BYTES
from archiver.custody.store import looks_like_a_bag
from archiver.custody.transport.far_end import final_name
from archiver.errors import InputError, MisuseError
from archiver.findings import Finding, Where
from archiver.package.arrivals import arrivals
from archiver.package.form import Form, form_of_name
from archiver.package.names import danger, shown
from archiver.package.package_rules import FORM_UNKNOWN
from archiver.package.parts import LIST_ENDING
from archiver.package.refusal import PackageRefusedError

__all__ = [
    "Inbound",
    "InboundKind",
    "arrived",
    "beside_finding",
    "clear",
    "is_deposit_folder",
    "laid_beside",
    "last_change",
    "look_at",
    "received_packages",
]

_DEPOSIT = re.compile(r"D-[0-9a-f]{12}", re.ASCII)
_PART = re.compile(r"\.\d{4,}$", re.ASCII)
_MOST_NAMED = 5


class InboundKind(enum.StrEnum):
    """What was found at a place."""

    FOLDER = "a bag as a folder"
    PACKAGE = "a package"
    INCOMPLETE = "nothing complete yet"


@dataclass(frozen=True, slots=True, kw_only=True)
class Inbound:
    """Something that arrived.

    Parameters
    ----------
    place : Path
        As it was named; what is moved when it is set aside.
    kind : InboundKind
    form : Form
        By name.
    record : DepositRecord, optional
        Of the depositor; None if there is none that can be read.
    folder : Path, optional
        The bag, where it came as a folder.
    packages : tuple of Path
        The package, or its parts in their order.
    findings : tuple of Finding
        What is wrong already.
    """

    place: Path
    kind: InboundKind
    form: Form = Form.FOLDER
    record: DepositRecord | None = None
    folder: Path | None = None
    packages: tuple[Path, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def bytes_held(self) -> int:
        """Size of the packages; 0 for a folder."""
        return sum(files.status(path).size for path in self.packages)


def arrived(place: Path) -> tuple[Path, ...]:
    """Return what is to be looked at one by one: the place, or what lies in it as an inbox.

    The folder of a deposit, or of a bag, is one thing. Any other folder is an inbox: each
    folder in it counts, each package and each list of parts. What is hidden is on its way. Of
    an inbox to which nothing has come nothing is returned.

    Raises
    ------
    SurroundingsError
        The place cannot be listed.
    """
    if not files.exists(place):
        # Whoever looks at it will say so, and does not keep the others waiting.
        return (place,)
    found = files.status(place)
    if found.is_link or not found.is_directory or _DEPOSIT.fullmatch(place.name):
        return (place,)
    entries = [one for one in files.entries(place) if not one.name.startswith(".")]
    names = frozenset(one.name for one in entries)
    if looks_like_a_bag(names) or DEPOSIT_NAME in names:
        return (place,)
    listed = {name.removesuffix(LIST_ENDING) for name in names if name.endswith(LIST_ENDING)}
    return tuple(
        place / one.name
        for one in entries
        if one.is_directory
        or (form_of_name(one.name) is not None and one.name not in listed)
        or (one.name.endswith(LIST_ENDING) and form_of_name(one.name[: -len(LIST_ENDING)]))
    )


def is_deposit_folder(place: Path) -> bool:
    """Say whether a folder is named as the folder of a deposit."""
    return _DEPOSIT.fullmatch(place.name) is not None


def laid_beside(inbound: Inbound) -> tuple[str, ...]:
    """Name what lies in the folder of a deposit and is no part of it, nor a paper of it."""
    if inbound.record is None or not _is_whole_folder(inbound):
        return ()
    packages = {package.name.removesuffix("/") for package in inbound.record.packages}
    lists = {f"{_PART.sub('', name)}{LIST_ENDING}" for name in packages}
    known = {DEPOSIT_NAME, *SENT_ALONG, *packages, *lists}
    return tuple(
        entry.name
        for entry in files.entries(inbound.place)
        if entry.name not in known and final_name(entry.name) not in known
    )


def _is_whole_folder(inbound: Inbound) -> bool:
    return inbound.place != inbound.folder and files.status(inbound.place).is_directory


def beside_finding(names: Sequence[str]) -> Finding:
    """Tell of what lies beside a package and was not looked at."""
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return LAID_BESIDE.at(
        Where(file=shown(names[0])),
        f"the record of the deposit does not name {', '.join(map(shown, names[:_MOST_NAMED]))}{more}",
        accepted=f"packages, their list, {DEPOSIT_NAME} and its papers",
    )


def clear(inbound: Inbound, parts: Sequence[Path]) -> None:
    """Remove from the inbox what was taken in, and nothing else.

    Parameters
    ----------
    inbound : Inbound
    parts : sequence of Path
        What was taken in, if nothing lies beside it.

    Raises
    ------
    SurroundingsError
        It cannot be removed.
    """
    if inbound.record is not None and _is_whole_folder(inbound):
        # First: what is left of a run that ended here is no deposit that lacks its packages.
        files.discard(inbound.place / DEPOSIT_NAME)
        beside = laid_beside(inbound)
        if beside:
            for entry in files.entries(inbound.place):
                if entry.name not in beside:
                    files.discard(inbound.place / entry.name)
            return
    for part in parts:
        files.discard(part)


def last_change(place: Path) -> datetime:
    """Return when something below a folder was last written, as far as its times tell."""
    newest = files.status(place).mtime_ns
    for path, _ in files.walk_files(place):
        newest = max(newest, files.status(place.joinpath(*path.split("/"))).mtime_ns)
    return datetime.fromtimestamp(newest // 10**9, UTC)


def look_at(place: Path) -> Inbound:
    """Say what lies at a place.

    Raises
    ------
    MisuseError
        It is neither a folder nor a file.
    SurroundingsError
        It does not exist or cannot be read.
    """
    found = files.status(place)
    if found.is_link or not (found.is_directory or found.is_file):
        raise MisuseError(
            "is a link or a device",
            where=str(place),
            accepted="the folder of a deposit, the folder of a bag, or a package",
        )
    if found.is_file:
        return _of_file(place)
    names = frozenset(entry.name for entry in files.entries(place))
    if looks_like_a_bag(names):
        record = _record_beside(place.parent, f"{place.name}/")
        return Inbound(place=place, kind=InboundKind.FOLDER, folder=place, record=record)
    if DEPOSIT_NAME not in names:
        # The record is sent last; without it the packages may still be on their way.
        return Inbound(place=place, kind=InboundKind.INCOMPLETE)
    try:
        record = _read_record(place / DEPOSIT_NAME)
    except InputError as error:
        finding = PACKAGE_UNUSABLE.at(
            Where(file=DEPOSIT_NAME), error.found, accepted=error.accepted, remedy=error.remedy
        )
        return Inbound(place=place, kind=InboundKind.PACKAGE, findings=(finding,))
    return _of_deposit(place, record, names)


def _of_file(place: Path) -> Inbound:
    record = _record_beside(place.parent, place.name)
    if record is not None and len(record.packages) > 1:
        there = frozenset(entry.name for entry in files.entries(place.parent))
        found = _of_deposit(place.parent, record, there)
        return replace(found, place=place)
    try:
        (package,) = arrivals([place])
    except PackageRefusedError as error:
        return Inbound(
            place=place,
            kind=InboundKind.PACKAGE,
            record=record,
            packages=(place,),
            findings=(error.finding,),
        )
    form = form_of_name(package.name)
    return Inbound(
        place=place,
        kind=InboundKind.PACKAGE,
        form=form or Form.TAR,
        record=record,
        packages=package.paths,
        findings=() if form else (_unknown_form(package.name),),
    )


def _unknown_form(name: str) -> Finding:
    return FORM_UNKNOWN.at(
        Where(file=shown(name)),
        "its name does not say in which form it is",
        accepted=", ".join(form.ending for form in Form if form.ending),
    )


def _of_deposit(place: Path, record: DepositRecord, names: frozenset[str]) -> Inbound:
    findings: list[Finding] = []
    packages: list[Path] = []
    folder: Path | None = None
    for package in record.packages:
        name = package.name.removesuffix("/")
        if danger(name) or "/" in name or "\\" in name:
            findings.append(
                PACKAGE_UNUSABLE.at(
                    Where(file=DEPOSIT_NAME), f"it names a package {shown(name[:200])!r}"
                )
            )
        elif name not in names:
            findings.append(
                PACKAGE_MISSING.at(
                    Where(file=shown(package.name)),
                    f"{DEPOSIT_NAME} names it, and it is not there",
                )
            )
        elif package.name.endswith("/"):
            folder = place / name
        else:
            packages.append(place / name)
    if not findings and folder is not None and not files.status(folder).is_directory:
        findings.append(
            PACKAGE_UNUSABLE.at(Where(file=shown(folder.name)), "it is no folder with a bag")
        )
    return Inbound(
        place=place,
        kind=InboundKind.PACKAGE if folder is None else InboundKind.FOLDER,
        form=Form(record.form) if folder is None else Form.FOLDER,
        record=record,
        folder=folder,
        packages=tuple(packages),
        findings=tuple(findings),
    )


def _record_beside(parent: Path, name: str) -> DepositRecord | None:
    """Read the record that lies beside a package, if it is one of this package."""
    path = parent / DEPOSIT_NAME
    if not files.exists(path):
        return None
    try:
        record = _read_record(path)
    except InputError:
        return None
    return record if any(package.name == name for package in record.packages) else None


def _read_record(path: Path) -> DepositRecord:
    content = files.read_bytes(path, limit=LARGEST_STATEMENT_BYTES, follow=False)
    return decode_deposit(content, str(path))


def received_packages(
    paths: Sequence[Path],
    record: DepositRecord | None,
    *,
    on_bytes: Callable[[int], None] | None = None,
) -> tuple[tuple[Package, ...], tuple[Finding, ...]]:
    """Hash packages as they arrived and compare them with what the depositor states.

    Returns
    -------
    packages : tuple of Package
    findings : tuple of Finding
        Packages that are not what was sent.
    """
    stated = {} if record is None else {one.name: one for one in record.packages}
    packages: list[Package] = []
    findings: list[Finding] = []
    for path in paths:
        size, digests = files.digests_of(path, ["sha256"], on_bytes=on_bytes, follow=False)
        said = stated.get(path.name)
        same = said is not None and (said.size, said.sha256) == (size, digests["sha256"])
        if said is not None and not same:
            findings.append(
                PACKAGE_DIFFERS.at(
                    Where(file=shown(path.name)),
                    f"it has {size} bytes and the SHA-256 {digests['sha256']}; "
                    f"{DEPOSIT_NAME} states {said.size} bytes and {said.sha256}",
                )
            )
        packages.append(
            Package(
                name=path.name,
                size=size,
                sha256=digests["sha256"],
                verified_by="as the record of the deposit states" if same else "computed here",
            )
        )
    return tuple(packages), tuple(findings)
