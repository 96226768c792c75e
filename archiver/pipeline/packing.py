"""Pack bags for their way, and unpack what arrived."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from archiver import files
from archiver.custody.audit import plain
from archiver.errors import ArchiverError, MisuseError
from archiver.findings import Finding, Where
from archiver.package.arrivals import Arrival, arrivals, differing_parts
from archiver.package.destination import lies_within
from archiver.package.form import Form, form_of_name
from archiver.package.limits import Limits
from archiver.package.parts import PartsList
from archiver.package.refusal import PackageDamagedError, PackageRefusedError
from archiver.package.serialising import serialise
from archiver.package.storing import store
from archiver.package.unpacking import Unpacked, unpack
from archiver.pipeline.run import moment
from archiver.progress import Progress, Silent

__all__ = [
    "Packed",
    "UnpackedPackage",
    "form_named",
    "pack_bag",
    "unpack_packages",
    "unpack_report",
]

_PACK_SCHEMA = "pack-report 1"
_UNPACK_SCHEMA = "unpack-report 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Packed:
    """A bag that was packed.

    Parameters
    ----------
    bag : Path
        The bag.
    form : Form
        Of the package.
    folder : Path
        Where the files of the package lie.
    listed : PartsList
        These files, with sizes and digests.
    """

    bag: Path
    form: Form
    folder: Path
    listed: PartsList

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines, as ``pack-report.schema.json`` describes them."""
        return {
            "schema": _PACK_SCHEMA,
            "bag": plain(str(self.bag)),
            "package": plain(self.listed.package),
            "form": str(self.form),
            "media_type": self.form.media_type,
            "folder": plain(str(self.folder)),
            "bytes": self.listed.size,
            "list": plain(self.listed.name),
            "files": [
                {"name": plain(part.name), "bytes": part.size, "sha256": part.sha256}
                for part in self.listed.parts
            ],
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class UnpackedPackage:
    """What unpacking one package gave: a bag, or why there is none.

    Parameters
    ----------
    package : str
        File name of the package, joined if it is in parts.
    unpacked : Unpacked, optional
        The bag; None if there is none.
    error : ArchiverError, optional
        Why there is none.
    """

    package: str
    unpacked: Unpacked | None = None
    error: ArchiverError | None = None

    @property
    def exit_status(self) -> int:
        """Exit status of this package alone."""
        return 0 if self.error is None else self.error.exit_status

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Why it was refused, and what is wrong with the bag in it, as far as that is known."""
        match self.error:
            case PackageRefusedError():
                return (self.error.finding,)
            case PackageDamagedError():
                return tuple(dict.fromkeys((self.error.finding, *self.error.findings)))
            case _:
                return ()

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        bag: dict[str, Any] | None = None
        if self.unpacked is not None:
            bag = {
                "place": plain(str(self.unpacked.root)),
                "form": str(self.unpacked.form),
                "files": self.unpacked.files,
                "bytes": self.unpacked.bytes,
                "verdict": str(self.unpacked.report.verdict),
            }
        return {
            "package": plain(self.package),
            "bag": bag,
            "error": None if self.error is None else plain(str(self.error)),
            "findings": [finding.as_json() for finding in self.findings],
            "exit_status": self.exit_status,
        }


def unpack_report(done: Sequence[UnpackedPackage]) -> dict[str, Any]:
    """Return the report for machines, as ``unpack-report.schema.json`` describes it."""
    return {
        "schema": _UNPACK_SCHEMA,
        "packages": [one.as_json() for one in done],
        "exit_status": max((one.exit_status for one in done), default=0),
    }


def form_named(text: str) -> Form:
    """Read the name of a form.

    Raises
    ------
    MisuseError
        It is none that is packed.
    """
    names = [str(form) for form in Form if form is not Form.FOLDER]
    if text.lower() not in names:
        raise MisuseError(f"the form {text!r} is not known", accepted=", ".join(names))
    return Form(text.lower())


def pack_bag(
    bag: Path,
    to: Path,
    form: Form,
    *,
    part_bytes: int | None = None,
    any_names: bool = False,
    progress: Progress | None = None,
) -> Packed:
    """Write a bag as a package, and a list of checksums beside it.

    Every file is compared with the bag's manifests as it is read. ``SOURCE_DATE_EPOCH`` is
    the time of the members if it is set; without it, the day of the bag.

    Raises
    ------
    MisuseError
        The folder lies in the bag.
    ArchiverError
        As :func:`~archiver.package.serialising.serialise` and
        :func:`~archiver.package.storing.store` say; nothing is left.
    """
    progress = progress or Silent()
    _refuse_inside(bag, to)
    pinned = int(moment().timestamp()) if os.environ.get("SOURCE_DATE_EPOCH") else None
    serialised = serialise(
        bag, form, modified_s=pinned, any_names=any_names, on_bytes=progress.advance
    )
    progress.step("Packing", serialised.read_bytes)
    stored = store(serialised, to, part_bytes=part_bytes)
    return Packed(bag=bag, form=form, folder=stored.folder, listed=stored.listed)


def _refuse_inside(bag: Path, to: Path) -> None:
    if files.exists(bag) and lies_within(to, bag):
        raise MisuseError(
            "lies in the bag, and nothing is written into a bag",
            where=str(to),
            accepted="a folder outside the bag",
            remedy="Choose another folder",
        )


def unpack_packages(
    paths: Sequence[Path],
    to: Path,
    *,
    limits: Limits | None = None,
    progress: Progress | None = None,
) -> tuple[UnpackedPackage, ...]:
    """Unpack packages; of each all stands under the name of its bag, or nothing.

    Parameters
    ----------
    paths : sequence of Path
        Packages, parts and lists, as :func:`~archiver.package.arrivals.arrivals` takes them.
    to : Path
        Directory that will hold the bags.
    limits : Limits, optional
        How much each may unpack to.

    Raises
    ------
    PackageRefusedError
        Files and lists do not fit together; nothing was unpacked.
    MisuseError, SurroundingsError
        A file is not there. What is wrong with a package is a result.
    """
    progress = progress or Silent()
    done = []
    for arrival in arrivals(paths):
        # Of a compressed package nothing says beforehand how much it is.
        known = form_of_name(arrival.name) in {Form.TAR, Form.ZIP}
        size = sum(files.status(files.resolved(path)).size for path in arrival.paths)
        progress.step(f"Unpacking {arrival.name}", size if known else 0)
        try:
            unpacked = unpack(arrival.paths, to, limits=limits, on_bytes=progress.advance)
        except PackageDamagedError as error:
            done.append(UnpackedPackage(package=arrival.name, error=_with_parts(error, arrival)))
        except ArchiverError as error:
            done.append(UnpackedPackage(package=arrival.name, error=error))
        else:
            done.append(UnpackedPackage(package=arrival.name, unpacked=unpacked))
    return tuple(done)


def _with_parts(error: PackageDamagedError, arrival: Arrival) -> PackageDamagedError:
    """Say which files of a damaged package are not what they were."""
    if arrival.listed is None:
        return error
    differing = differing_parts(arrival, arrival.listed)
    said = (
        f"{', '.join(differing[:5])} {'is' if len(differing) == 1 else 'are'} not what the list "
        "says"
        if differing
        else "its files are what the list says, so it was damaged before it was listed"
    )
    finding = error.finding
    where = Where(
        file=arrival.name, field=finding.where.field, offset_bytes=finding.where.offset_bytes
    )
    return PackageDamagedError(
        dataclasses.replace(finding, where=where, message=f"{finding.message}; {said}"),
        error.findings,
    )
