"""What a groove can hold: pitch, length and speed, against the machine and the takes.

Formulas: turns = recordable length / pitch; capacity = turns / speed of rotation;
surface speed = pi * diameter * speed of rotation.

The limits of what is likely lie outside of every published figure, with a margin:
pitches from 10 per inch (foil screws) to 200 ("four-minute" cylinders) and some
hundreds on later discs; capacities from 42.5 s (a coarse foil screw of 4 1/4 in at
60 rpm) to 30 min of a long disc; speeds from under 50 to over 300 rpm (IASA-TC 04,
5.2.5.3, instantaneous cylinders); cylinders from 1 5/16 in to 5 in across.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from archiver.findings import Finding
from archiver.session import plausibility_rules as rules
from archiver.session.machine_record import Machine
from archiver.session.quantity import Quantity
from archiver.session.records import Medium, Session, Setup, Take
from archiver.session.vocabulary import MediumKind, TakeKind

__all__ = ["capacity_s", "check_fit", "check_geometry", "check_lengths", "surface_speed_m_s"]

_RPM = (20.0, 400.0)
_TPI = (5.0, 1000.0)
_CAPACITY_S = (10.0, 2700.0)
_MANDREL_M = (0.015, 0.2)
_PLATTER_M = (0.05, 0.6)
_SURFACE_M_S = (0.05, 3.0)

_CYLINDERS = {MediumKind.WAX_CYLINDER, MediumKind.CELLULOID_CYLINDER}
_DISCS = {MediumKind.WAX_DISC, MediumKind.LACQUER_DISC}


def capacity_s(pitch: Quantity, length: Quantity, speed: Quantity) -> float:
    """Return how long a groove lasts, in seconds.

    Parameters
    ----------
    pitch : Quantity
        Groove pitch.
    length : Quantity
        Recordable length along the axis, or along the radius of a disc.
    speed : Quantity
        Speed of rotation.
    """
    return length.value / pitch.pitch_m / speed.value


def surface_speed_m_s(diameter: Quantity, speed: Quantity) -> float:
    """Return the speed of the groove under the stylus in metres a second."""
    return math.pi * diameter.value * speed.value


def check_geometry(machine: Machine) -> list[Finding]:
    """Check that diameter, pitch, length and speed of a machine can be true together."""
    impossible = list(_impossible(machine))
    if impossible:
        return [
            rules.MACHINE_CAPACITY_IMPOSSIBLE.at(machine.locate(field), found, accepted=accepted)
            for field, found, accepted in impossible
        ]
    return [
        rules.MACHINE_CAPACITY_IMPLAUSIBLE.at(machine.locate(field), found, accepted=accepted)
        for field, found, accepted in _implausible(machine)
    ]


def _impossible(machine: Machine) -> list[tuple[str, str, str]]:
    found: list[tuple[str, str, str]] = []
    length, pitch, platter = machine.recordable_length, machine.groove_pitch, machine.platter
    measures = (
        ("recordable_length", length),
        ("groove_pitch", pitch),
        ("nominal_speed", machine.nominal_speed),
        ("mandrel.diameter", machine.mandrel.diameter if machine.mandrel else None),
        ("platter.diameter", platter.diameter if platter else None),
    )
    found += [
        (field, f"the measure is {measure.text}", "more than nothing")
        for field, measure in measures
        if measure is not None and not measure.value > 0
    ]
    if found:
        return found
    if length is not None and platter is not None and length.value > platter.diameter.value / 2:
        found.append(
            (
                "recordable_length",
                (
                    f"a band of {length.text} cannot be recorded on a platter of "
                    f"{platter.diameter.text}, whose radius is {platter.diameter.value * 500:.0f} mm"
                ),
                "at most the radius",
            )
        )
    if length is not None and pitch is not None and length.value < pitch.pitch_m:
        found.append(
            (
                "recordable_length",
                (
                    f"a length of {length.text} does not hold one turn of the groove "
                    f"({pitch.text}: {pitch.pitch_m * 1000:.3g} mm from turn to turn)"
                ),
                "many turns",
            )
        )
    size = machine.dimensions
    sides = [s for s in (size.width, size.depth, size.height) if s is not None] if size else []
    if length is not None and len(sides) == 3:
        longest = max(sides, key=lambda side: side.value)
        if length.value > longest.value:
            found.append(
                (
                    "recordable_length",
                    (
                        f"a length of {length.text} is longer than the machine, whose longest side "
                        f"is {longest.text}"
                    ),
                    "less than the machine",
                )
            )
    return found


def _implausible(machine: Machine) -> list[tuple[str, str, str]]:
    found: list[tuple[str, str, str]] = []
    pitch, length, speed = machine.groove_pitch, machine.recordable_length, machine.nominal_speed
    mandrel = machine.mandrel.diameter if machine.mandrel else None
    platter = machine.platter.diameter if machine.platter else None
    if speed is not None and not _RPM[0] <= speed.rpm <= _RPM[1]:
        found.append(("nominal_speed", f"the speed is {speed.text}", "20 to 400 rpm"))
    if pitch is not None and not _TPI[0] <= pitch.tpi <= _TPI[1]:
        found.append(
            (
                "groove_pitch",
                f"the pitch is {pitch.text}: {pitch.pitch_m * 1000:.3g} mm from turn to turn",
                "5 to 1000 threads per inch",
            )
        )
    for field, diameter, (low, high) in (
        ("mandrel.diameter", mandrel, _MANDREL_M),
        ("platter.diameter", platter, _PLATTER_M),
    ):
        if diameter is not None and not low <= diameter.value <= high:
            found.append(
                (
                    field,
                    f"the diameter is {diameter.text}",
                    f"{low * 1000:.0f} to {high * 1000:.0f} mm",
                )
            )
    if found:
        return found
    if pitch is not None and length is not None and speed is not None:
        seconds = capacity_s(pitch, length, speed)
        if not _CAPACITY_S[0] <= seconds <= _CAPACITY_S[1]:
            found.append(
                (
                    "recordable_length",
                    f"{length.text} at {pitch.text} and {speed.text} hold {_clock(seconds)}",
                    "10 s to 45 min",
                )
            )
    diameter = mandrel or platter
    if diameter is not None and speed is not None:
        surface = surface_speed_m_s(diameter, speed)
        if not _SURFACE_M_S[0] <= surface <= _SURFACE_M_S[1]:
            found.append(
                (
                    "nominal_speed",
                    f"{diameter.text} at {speed.text} give a surface speed of {surface:.3g} m/s",
                    "0.05 to 3 m/s",
                )
            )
    return found


def _clock(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s"


def take_capacity_s(session: Session, take: Take) -> tuple[float, str] | None:
    """Return what the groove of a take can hold, and from which measures that follows.

    None if a measure is missing, or the take is of no groove.
    """
    setup, machine = session.setup_of(take), session.machine_of(take)
    if setup is None or machine is None or machine.groove_pitch is None:
        return None
    speed = setup.nominal_speed or machine.nominal_speed
    lengths = [machine.recordable_length, _length_of(session.medium_of(take))]
    stated = [length for length in lengths if length is not None and length.value > 0]
    if speed is None or not speed.value > 0 or not stated or not machine.groove_pitch.value > 0:
        return None
    length = min(stated, key=lambda each: each.value)
    slowest = speed.value - (speed.tolerance or 0.0)
    if slowest <= 0:
        return None
    seconds = length.value / machine.groove_pitch.pitch_m / slowest
    return seconds, f"{length.text} at {machine.groove_pitch.text} and {speed.text}"


def _length_of(medium: Medium | None) -> Quantity | None:
    return medium.length if medium is not None else None


def check_lengths(session: Session, durations_s: Mapping[str, float]) -> list[Finding]:
    """Check that no take of a groove is longer than the groove.

    Parameters
    ----------
    session : Session
        The record.
    durations_s : mapping of str to float
        Duration in seconds by the id of the take; takes without one are passed over.
    """
    findings: list[Finding] = []
    for take in session.takes:
        duration_s = durations_s.get(take.id)
        if duration_s is None or not (take.kind.records or take.kind.plays):
            continue
        found = take_capacity_s(session, take)
        if found is None:
            continue
        one_s, measures = found
        # Such a capture holds the groove twice: as it is cut, and as it is played.
        both = take.kind is TakeKind.PERFORMANCE_AND_REPRODUCTION
        most_s = 2 * one_s if both else one_s
        if duration_s <= most_s:
            continue
        twice = ", cut and played" if both else ""
        findings.append(
            rules.TAKE_EXCEEDS_CAPACITY.at(
                session.locate(f"{take.at}.file"),
                f"take `{take.id}` lasts {_clock(duration_s)}, but {measures} hold "
                f"{_clock(most_s)}{twice}",
                accepted=f"at most {_clock(most_s)}",
            )
        )
    return findings


def check_fit(session: Session) -> list[Finding]:
    """Check that media fit the machines on which they are put."""
    pairs = dict.fromkeys(
        (setup, session.medium_of(take))
        for take in session.takes
        if (setup := session.setup_of(take)) is not None
    )
    findings: list[Finding] = []
    for setup, medium in pairs:
        machine = session.machine(setup.machine)
        if machine is None or medium is None:
            continue
        findings += _misfit(session, setup, medium, machine)
    return list(dict.fromkeys(findings))


def _misfit(session: Session, setup: Setup, medium: Medium, machine: Machine) -> list[Finding]:
    where = session.locate(f"{medium.at}.kind")
    on = f"setup `{setup.id}` puts medium `{medium.id}`, a {medium.kind}, on `{machine.id}`"
    if medium.kind in _CYLINDERS and machine.mandrel is None and machine.platter is not None:
        return [
            rules.MEDIUM_DOES_NOT_FIT.at(
                where, f"{on}, which has a platter", accepted="a disc, or a machine with a mandrel"
            )
        ]
    if medium.kind in _DISCS and machine.platter is None and machine.mandrel is not None:
        return [
            rules.MEDIUM_DOES_NOT_FIT.at(
                where, f"{on}, which has a mandrel", accepted="a cylinder, or one with a platter"
            )
        ]
    inner, outer = machine.mandrel, medium.diameter
    if (
        medium.kind in _CYLINDERS
        and inner is not None
        and outer is not None
        and outer.value <= inner.diameter.value
    ):
        return [
            rules.MEDIUM_DOES_NOT_FIT.at(
                session.locate(f"{medium.at}.diameter"),
                f"medium `{medium.id}` has an outside diameter of {outer.text}, no more than "
                f"the mandrel of `{machine.id}` ({inner.diameter.text})",
                accepted="an outside diameter greater than that of the mandrel",
            )
        ]
    return []
