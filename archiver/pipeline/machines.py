"""Questions about the machines and media of a session, from its folder or its bag."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from archiver import files
from archiver.describe.motion_record import TakeMovement, motion_record
from archiver.describe.runrecord import decode_run
from archiver.describe.sound_record import SoundRecord, sound_record
from archiver.errors import InputError, MisuseError
from archiver.pipeline.previous import read_previous
from archiver.session.comparison import MachineView, view_of, with_more
from archiver.session.conform import nearest
from archiver.session.load import SHEET
from archiver.session.performance import Figure, TakeFigures
from archiver.session.records import Machine, Session
from archiver.signal.estimate import Estimate

__all__ = ["chosen", "machine_view", "refuse_without", "take_figures"]

_MOST_BYTES = 16 * 1024 * 1024


def chosen(session: Session, wanted: str | None) -> tuple[Machine, ...]:
    """Return the machine of an id, or all machines.

    Raises
    ------
    InputError
        There is none at all.
    MisuseError
        There is none of that id.
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
        raise MisuseError(
            f"there is no machine {wanted!r} in this session",
            accepted=", ".join(ids) or "a session that describes machines",
            remedy=f"Did you mean {near}?" if near else "",
        )
    return (machine,)


def machine_view(place: Path, wanted: str, measured: Sequence[Path] = ()) -> MachineView:
    """Gather what is known of a machine.

    Parameters
    ----------
    place : Path
        Session folder or bag that describes it; of a bag the measurements are read too.
    wanted : str
        Id of the machine.
    measured : sequence of Path
        Bags of sessions in which it was measured, or documents that ``archiver motion
        --json`` gave for the folder ``place``.

    Raises
    ------
    InputError
        There is no such machine, or a record cannot be read.
    MisuseError
        A place holds no session, or nothing that was measured.
    """
    session = read_previous(place)
    (machine,) = chosen(session, wanted)
    view = view_of(session, machine, take_figures(place, session))
    others = [source for source in measured if not _same_place(source, place)]
    several = len(others) > 1 or bool(view.figures)
    for source in others:
        view = with_more(view, _figures_of(source, session, wanted, named=several))
    return view


def refuse_without(views: Sequence[MachineView], measured: Sequence[Path]) -> None:
    """Refuse sources of measurements that tell nothing of any of the machines.

    Raises
    ------
    MisuseError
        Nothing was found.
    """
    if measured and not any(view.figures for view in views):
        names = ", ".join(view.machine.id for view in views)
        raise MisuseError(
            f"nothing measured on {names} is recorded there",
            where="--from",
            accepted="bags of sessions in which a take has a set-up of one of the machines",
        )


def _same_place(one: Path, other: Path) -> bool:
    if not files.exists(one):
        raise MisuseError(
            "is not there",
            where=str(one),
            accepted="a bag, or the document that `archiver motion DIR --json` gives",
            remedy="Check the name",
        )
    return files.resolved(one) == files.resolved(other)


def _figures_of(
    source: Path, session: Session, wanted: str, *, named: bool
) -> Mapping[str, Sequence[TakeFigures]]:
    """Return what a source tells of a machine, by kind; ``named`` puts the session to takes."""
    if files.exists(source / SHEET):
        raise MisuseError(
            "is a session folder, in which nothing is measured",
            where=str(source),
            accepted="its bag, or the document that `archiver motion DIR --json` gives",
        )
    if not files.exists(source / "metadata"):
        (machine,) = chosen(session, wanted)
        figures = {take: _with_motion(None, moved) for take, moved in _motion(source).items()}
        return view_of(session, machine, figures).figures
    told = read_previous(source)
    known = told.machine(wanted)
    if known is None:
        return {}
    figures = take_figures(source, told)
    if named:
        figures = {
            take: dataclasses.replace(one, take=f"{told.identifier} {take}")
            for take, one in figures.items()
        }
    return view_of(told, known, figures).figures


def take_figures(bag: Path, session: Session) -> dict[str, TakeFigures]:
    """Read the measurements in a bag; takes without any are left out.

    Raises
    ------
    InputError
        A record cannot be read.
    """
    if not files.exists(bag / "metadata"):
        return {}
    found: dict[str, TakeFigures] = {}
    for take, name in _measured_takes(bag):
        found[take] = _levels(take, sound_record(_document(bag, name), name))
    motion = bag / "metadata" / "motion.json"
    if files.exists(motion):
        for take, moved in _motion(motion).items():
            found[take] = _with_motion(found.get(take), moved)
    return {take.id: found[take.id] for take in session.takes if take.id in found}


def _measured_takes(bag: Path) -> Iterator[tuple[str, str]]:
    """Yield each take with the report on its capture, as the record of the run names it."""
    record = bag / "metadata" / "archiving.json"
    if files.exists(record):
        run = decode_run(files.read_bytes(record, limit=_MOST_BYTES))
        for master in run.masters:
            for take in master.takes:
                yield take, master.measurements


def _document(place: Path, name: str) -> dict[str, Any]:
    path = place.joinpath(*name.split("/")) if name else place
    try:
        document = json.loads(files.read_bytes(path, limit=_MOST_BYTES).decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise InputError(
            f"is no JSON document: {error}", where=str(path), remedy="Verify the bag"
        ) from error
    if not isinstance(document, dict):
        raise InputError("is no JSON object", where=str(path))
    return document


def _motion(path: Path) -> Mapping[str, TakeMovement]:
    return motion_record(_document(path, ""), str(path)).takes


def _levels(take: str, sound: SoundRecord) -> TakeFigures:
    channel = sound.channels[0] if sound.channels else None
    return TakeFigures(
        take=take,
        integrated_lufs=sound.integrated_lufs,
        signal_to_noise_db=None if channel is None else channel.signal_to_noise_db,
        bandwidth_hz=None if channel is None else channel.bandwidth_hz,
        noise_source="" if channel is None else channel.noise_source,
    )


def _with_motion(figures: TakeFigures | None, moved: TakeMovement) -> TakeFigures:
    steadiest = moved.steadiest
    low, high = _figure(moved.usable_low), _figure(moved.usable_high)
    stated = moved.stated_rpm
    return dataclasses.replace(
        figures or TakeFigures(take=moved.take),
        stated_speed=None if stated is None else Figure(value=stated, unit="rpm"),
        speed=_figure(moved.speed),
        recording_speed=_figure(moved.recording_speed),
        wavering=None if steadiest is None else _figure(steadiest.weighted),
        drift=None if steadiest is None else _figure(steadiest.drift),
        usable_band=None if low is None or high is None else (low, high),
    )


def _figure(found: Estimate | None) -> Figure | None:
    if found is None or found.value is None:
        return None
    return Figure(value=found.value, unit=found.unit, uncertainty=found.uncertainty)
