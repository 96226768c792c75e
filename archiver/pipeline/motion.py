"""What the machines of a session did: the takes handed to the measurement of motion.

Runs on the captures, one take after another, at a reduced rate; a take may lie anywhere
in its file.
"""

from __future__ import annotations

import dataclasses
import re
from decimal import Decimal
from pathlib import Path

from archiver.describe.markers import span_frames
from archiver.errors import InputError
from archiver.findings import Where, stops_deposit
from archiver.pipeline.check import look_over
from archiver.progress import Progress
from archiver.session.machine_record import Machine
from archiver.session.quantity import Quantity
from archiver.session.records import Medium, Session, Setup, Take
from archiver.signal.geometry import Groove
from archiver.signal.motion import Motion, MotionTake, TakeKind, measure_motion
from archiver.signal.reduced import ReducedSound, SoundReducer
from archiver.signal.samples import Block, BlockReader
from archiver.telling import command_line
from archiver.wave.capture import open_capture

__all__ = ["LONGEST_S", "motion_of", "motion_of_folder", "moving_takes"]

LONGEST_S = 1800.0
"""Of longer takes the beginning is measured: no historic medium plays for half an hour, and the
sound of a take is held in memory, 3.8 MB a minute."""

_DECIMALS = re.compile(r"\d+(?:[.,](\d+))?")


def moving_takes(session: Session) -> tuple[Take, ...]:
    """Return the takes in which a machine turns, or a stated tone sounds."""
    return tuple(
        take
        for take in session.takes
        if take.kind.records or take.kind.plays or take.tone is not None
    )


def motion_of(folder: Path, session: Session, *, progress: Progress) -> Motion:
    """Measure what the machines did in the takes of a session.

    Parameters
    ----------
    folder : Path
        The session folder; its captures are read, in the order of the sheet.
    session : Session
        Without errors, so that every capture can be opened.
    progress : Progress
        Told which take is being measured.

    Raises
    ------
    InputError, SurroundingsError
        A capture cannot be read.
    """
    return measure_motion(
        [_motion_take(folder, session, take) for take in moving_takes(session)],
        lambda name: progress.step(f"motion in take {name}", 0),
    )


def motion_of_folder(folder: Path, *, progress: Progress) -> Motion:
    """Measure what the machines did in a session that nobody has archived yet.

    Raises
    ------
    InputError
        The check finds errors, so that the takes cannot be relied on.
    MisuseError
        It is no folder.
    SurroundingsError
        There is no such folder.
    """
    report = look_over(folder, progress, to_the_end=False)
    if report.session is None or stops_deposit(report.findings):
        raise InputError(
            "the check of this session finds errors",
            where=str(folder),
            remedy=f"Correct what this names: {command_line('check', folder)}",
        )
    return motion_of(folder, report.session, progress=progress)


def _length_s(folder: Path, take: Take) -> float:
    with open_capture(folder.joinpath(*take.file.split("/")), take.file) as capture:
        rate = capture.sample_format.sample_rate_hz
        frames = capture.declared_frames if capture.frames is None else capture.frames
    first, last = span_frames(take, rate, frames)
    return (last - first) / rate


def _sound(folder: Path, take: Take) -> ReducedSound:
    """Reduce the first channel of a take."""
    with open_capture(folder.joinpath(*take.file.split("/")), take.file) as capture:
        samples = capture.sample_format
        frames = capture.declared_frames if capture.frames is None else capture.frames
        first, last = span_frames(take, samples.sample_rate_hz, frames)
        last = min(last, first + round(LONGEST_S * samples.sample_rate_hz))
        reader = BlockReader(samples)
        reducer = SoundReducer(samples.sample_rate_hz)
        for raw in capture.blocks():
            for block in reader.feed(raw):
                _feed(reducer, block, first, last)
        for block in reader.finish()[0]:
            _feed(reducer, block, first, last)
    return reducer.result()


def _feed(reducer: SoundReducer, block: Block, first: int, last: int) -> None:
    begin = max(0, first - block.start_frame)
    end = min(block.values.shape[1], last - block.start_frame)
    if begin < end:
        reducer.feed(dataclasses.replace(block, values=block.values[:, begin:end]))


def _motion_take(folder: Path, session: Session, take: Take) -> MotionTake:
    setup, machine = session.setup_of(take), session.machine_of(take)
    medium = session.medium_of(take)
    kind = TakeKind.OTHER
    if take.kind.records:
        kind = TakeKind.BOTH if take.kind.plays else TakeKind.PERFORMANCE
    elif take.kind.plays:
        kind = TakeKind.REPRODUCTION
    speed, where = _stated_speed(session, setup, machine)
    return MotionTake(
        identifier=take.id,
        kind=kind,
        where=session.locate(take.at),
        load=lambda: _sound(folder, take),
        reproduces=take.reproduces or "",
        medium=medium.id if medium else "",
        playings_before=take.playings_before,
        nominal_rpm=None if speed is None else speed.rpm,
        nominal_tolerance_rpm=0.5 if speed is None else _last_digit(speed),
        nominal_where=where,
        tone_hz=None if take.tone is None else take.tone.value,
        groove=_groove(machine, medium),
        left_out_s=max(0.0, _length_s(folder, take) - LONGEST_S),
    )


def _stated_speed(
    session: Session, setup: Setup | None, machine: Machine | None
) -> tuple[Quantity | None, Where | None]:
    if setup is not None and setup.nominal_speed is not None:
        return setup.nominal_speed, session.locate(f"{setup.at}.nominal_speed")
    if machine is not None and machine.nominal_speed is not None:
        return machine.nominal_speed, machine.locate("nominal_speed")
    return None, None


def _last_digit(speed: Quantity) -> float:
    """Return half of the last digit to which a speed is stated, in rpm."""
    found = _DECIMALS.search(speed.text)
    decimals = len(found[1]) if found and found[1] else 0
    return float(Decimal("0.5").scaleb(-decimals))


def _groove(machine: Machine | None, medium: Medium | None) -> Groove:
    if machine is None:
        return Groove()
    diameter = medium.diameter if medium is not None else None
    if diameter is None and machine.mandrel is not None:
        diameter = machine.mandrel.diameter
    pitch = machine.groove_pitch.pitch_m if machine.groove_pitch is not None else None
    length = machine.recordable_length
    return Groove(
        outer_diameter_mm=None if diameter is None else 1000.0 * diameter.value,
        pitch_mm=None if pitch is None else 1000.0 * pitch,
        length_mm=None if length is None else 1000.0 * length.value,
    )
