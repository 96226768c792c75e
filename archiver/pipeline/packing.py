"""Pack bags for their way, and unpack what arrived."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from archiver.errors import MisuseError
from archiver.findings import Where
from archiver.package.arrivals import Arrival, arrivals, differing_parts
from archiver.package.form import Form
from archiver.package.limits import Limits
from archiver.package.parts import PartsList
from archiver.package.refusal import PackageDamagedError
from archiver.package.serialising import serialise
from archiver.package.storing import store
from archiver.package.unpacking import Unpacked, unpack
from archiver.pipeline.run import moment
from archiver.progress import Progress, Silent

__all__ = ["Packed", "form_named", "pack_bag", "unpack_packages"]


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
    ArchiverError
        As :func:`~archiver.package.serialising.serialise` and
        :func:`~archiver.package.storing.store` say; nothing is left.
    """
    progress = progress or Silent()
    pinned = int(moment().timestamp()) if os.environ.get("SOURCE_DATE_EPOCH") else None
    serialised = serialise(
        bag, form, modified_s=pinned, any_names=any_names, on_bytes=progress.advance
    )
    progress.step("Packing", serialised.read_bytes)
    stored = store(serialised, to, part_bytes=part_bytes)
    return Packed(bag=bag, form=form, folder=stored.folder, listed=stored.listed)


def unpack_packages(
    paths: Sequence[Path],
    to: Path,
    *,
    limits: Limits | None = None,
    progress: Progress | None = None,
) -> tuple[Unpacked, ...]:
    """Unpack packages; of each all stands under the name of its bag, or nothing.

    Parameters
    ----------
    paths : sequence of Path
        Packages, parts and lists, as :func:`~archiver.package.arrivals.arrivals` takes them.
    to : Path
        Directory that will hold the bags.

    Raises
    ------
    ArchiverError
        As :func:`~archiver.package.unpacking.unpack` says; the packages before are unpacked.
    """
    progress = progress or Silent()
    unpacked = []
    for arrival in arrivals(paths):
        progress.step(f"Unpacking {arrival.name}", 0)
        try:
            unpacked.append(unpack(arrival.paths, to, limits=limits, on_bytes=progress.advance))
        except PackageDamagedError as error:
            raise _with_parts(error, arrival) from error
    return tuple(unpacked)


def _with_parts(error: PackageDamagedError, arrival: Arrival) -> PackageDamagedError:
    """Say which files of a damaged package are not what they were."""
    differing = differing_parts(arrival)
    if arrival.listed is None:
        return error
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
