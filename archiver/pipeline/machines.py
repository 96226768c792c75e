"""Questions about the machines and media of a session, from its folder or its bag."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from archiver import files
from archiver.errors import ArchiverError, InputError
from archiver.package import safe_names
from archiver.pipeline.previous import read_previous
from archiver.session.comparison import MachineView, TakeFigures, view_of
from archiver.session.conform import nearest
from archiver.session.records import Machine, Session

__all__ = ["chosen", "machine_view", "take_figures"]

_MOST_BYTES = 16 * 1024 * 1024


def chosen(session: Session, wanted: str | None) -> tuple[Machine, ...]:
    """Return the machine of an id, or all machines.

    Raises
    ------
    InputError
        There is none of that id, or none at all.
    """
    ids = [machine.id for machine in session.machines]
    if wanted is None:
        if not ids:
            raise InputError(
                "the session describes no machine",
                accepted="a file in machines/",
                remedy="Describe the machine; `archiver new` lays out an example",
            )
        return session.machines
    machine = session.machine(wanted)
    if machine is None:
        near = nearest(wanted, ids)
        raise InputError(
            f"there is no machine `{wanted}`" + (f"; nearest: `{near}`" if near else ""),
            accepted=", ".join(ids) or "a session that describes machines",
        )
    return (machine,)


def machine_view(place: Path, wanted: str) -> MachineView:
    """Gather what a session folder or a bag says of a machine; measurements only from a bag."""
    session = read_previous(place)
    (machine,) = chosen(session, wanted)
    return view_of(session, machine, take_figures(place, session))


def take_figures(bag: Path, session: Session) -> dict[str, TakeFigures]:
    """Read the measurements in a bag; takes without any are left out."""
    found: dict[str, TakeFigures] = {}
    takes = [take.id for take in session.takes]
    for take, name in zip(takes, safe_names(takes), strict=True):
        path = bag / "metadata" / "measurements" / f"{name}.json"
        if not files.exists(path):
            continue
        try:
            document = json.loads(files.read_bytes(path, limit=_MOST_BYTES).decode("utf-8"))
            found[take] = _figures(take, document)
        except (UnicodeDecodeError, ValueError, LookupError, TypeError, ArchiverError) as error:
            raise InputError(
                f"the measurements of take `{take}` cannot be read: {error}",
                where=str(path),
                remedy="Verify the bag",
            ) from error
    return found


def _figures(take: str, document: Mapping[str, Any]) -> TakeFigures:
    noise = document["channels"][0]["noise"]
    band = noise["bandwidth_hz"]
    return TakeFigures(
        take=take,
        integrated_lufs=document["loudness"]["integrated_lufs"],
        signal_to_noise_db=noise["signal_to_noise_db"],
        bandwidth_hz=None if band is None else (float(band[0]), float(band[1])),
    )
