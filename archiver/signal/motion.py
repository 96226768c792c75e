"""What the machine did, from all takes of a session.

Every take is read once, at the reduced rate, and taken on its own: rotation, and a
stated tone where there is one. A reproduction is then compared with its performance,
and the playings of one medium with each other. Whatever disagrees with what was
stated, beyond the uncertainty, becomes a finding; nothing is resolved silently.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from archiver.findings import Finding, Where, in_order
from archiver.signal.estimate import COVERAGE, Estimate, cannot_tell, estimate
from archiver.signal.geometry import Groove, GrooveGeometry, groove_geometry
from archiver.signal.motion_rules import (
    CAPACITY_EXCEEDED,
    MEASURED_IN_PART,
    OCTAVE_DOUBTFUL,
    PITCH_DISAGREES,
    REPRODUCTION_DIFFERS,
    SPEED_DISAGREES,
    TONE_NOT_FOUND,
)
from archiver.signal.reduced import ReducedSound
from archiver.signal.rotation import Rotation, find_rotation
from archiver.signal.speedcurve import (
    LONGEST_S,
    RESOLUTION_S,
    WINDOW_S,
    SpeedCurve,
    speed_curve,
)
from archiver.signal.tone import Tone, find_tone
from archiver.signal.transfer import Transfer, transfer
from archiver.signal.wavering import Wavering, waver
from archiver.signal.wear import Playing, Wear, wear

__all__ = [
    "INDEX_THRESHOLD",
    "SNR_THRESHOLD_DB",
    "MediumWear",
    "Motion",
    "MotionTake",
    "TakeKind",
    "TakeMotion",
    "mean_snr",
    "measure_motion",
    "wavering_of",
]


class TakeKind(enum.StrEnum):
    """What a take holds, as far as motion goes."""

    PERFORMANCE = "performance"
    REPRODUCTION = "reproduction"
    BOTH = "performance and reproduction"
    OTHER = "other"

    @property
    def records(self) -> bool:
        """Say whether a machine records in such a take."""
        return self in (TakeKind.PERFORMANCE, TakeKind.BOTH)


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionTake:
    """What is stated of a take, and how to get its sound.

    Parameters
    ----------
    identifier : str
    kind : TakeKind
    where : Where
        Place of the take on the sheet, for findings.
    load : callable
        Returns the reduced sound; called once or twice.
    reproduces : str
        Identifier of the performance; empty when unknown.
    medium : str
        Identifier of the medium; empty when unknown.
    playings_before : int, optional
    nominal_rpm : float, optional
        Stated speed of the machine.
    nominal_tolerance_rpm : float
        Half of the last digit to which it was stated.
    nominal_where : Where, optional
        Place of the stated speed.
    tone_hz : float, optional
        Stated pitch of a pipe or fork that sounds in the take.
    groove : Groove
    left_out_s : float
        How much of the take's end is not loaded.
    """

    identifier: str
    kind: TakeKind
    where: Where
    load: Callable[[], ReducedSound]
    reproduces: str = ""
    medium: str = ""
    playings_before: int | None = None
    nominal_rpm: float | None = None
    nominal_tolerance_rpm: float = 0.5
    nominal_where: Where | None = None
    tone_hz: float | None = None
    groove: Groove = field(default_factory=Groove)
    left_out_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TakeMotion:
    """What was measured on one take; members that do not apply are None.

    Parameters
    ----------
    identifier : str
    kind : TakeKind
    nominal_rpm : float, optional
        Stated.
    rotation : Rotation
        Measured on this take alone.
    recording_rpm : Estimate
        Of the machine that recorded: measured on a performance, derived from rotation
        and speed ratio on a reproduction.
    tone : Tone, optional
    curve : SpeedCurve, optional
        Of a reproduction against its performance.
    transfer : Transfer, optional
    wavering : tuple of Wavering
        One for each kind of curve that could be read.
    geometry : GrooveGeometry
    """

    identifier: str
    kind: TakeKind
    nominal_rpm: float | None
    rotation: Rotation
    recording_rpm: Estimate
    tone: Tone | None
    curve: SpeedCurve | None
    transfer: Transfer | None
    wavering: tuple[Wavering, ...]
    geometry: GrooveGeometry


@dataclass(frozen=True, slots=True, kw_only=True)
class MediumWear:
    """How a medium wore, by signal over noise and by the band index.

    ``takes`` are the identifiers of the reproductions that were compared.
    """

    medium: str
    performance: str
    takes: tuple[str, ...]
    snr: Wear
    index: Wear


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Motion:
    """What the takes of a session give together."""

    takes: tuple[TakeMotion, ...]
    media: tuple[MediumWear, ...]
    findings: tuple[Finding, ...]


SNR_THRESHOLD_DB = 6.0
"""Signal over noise under which a record counts as worn out (common practice)."""

INDEX_THRESHOLD = 0.45
"""Band index under which speech is hard to follow (common practice)."""


def measure_motion(
    takes: Sequence[MotionTake], on_take: Callable[[str], None] | None = None
) -> Motion:
    """Measure what the machines did in the takes of a session.

    Parameters
    ----------
    takes : sequence of MotionTake
        In the order of the sheet.
    on_take : callable, optional
        Called with the identifier of each take before it is measured.
    """
    by_name = {take.identifier: take for take in takes}
    performances = _Kept()
    found: list[TakeMotion] = []
    findings: list[Finding] = []
    for take in takes:
        if on_take is not None:
            on_take(take.identifier)
        sound = take.load()
        if take.kind.records:
            performances.keep(take.identifier, sound)
        measured = _measured(take, sound, by_name, performances)
        found.append(measured)
        findings += _disagreements(take, measured, sound.duration_s)
    return Motion(takes=tuple(found), media=_media(takes, found), findings=in_order(findings))


class _Kept:
    """Keeps the performance that was used last; most sessions need no more."""

    def __init__(self) -> None:
        self._name = ""
        self._sound: ReducedSound | None = None

    def keep(self, name: str, sound: ReducedSound) -> None:
        self._name, self._sound = name, sound

    def get(self, take: MotionTake) -> ReducedSound:
        if self._sound is not None and self._name == take.identifier:
            return self._sound
        sound = take.load()
        self.keep(take.identifier, sound)
        return sound


def _measured(
    take: MotionTake,
    sound: ReducedSound,
    by_name: Mapping[str, MotionTake],
    performances: _Kept,
) -> TakeMotion:
    rotation = find_rotation(sound, take.nominal_rpm)
    tone = None
    if take.tone_hz is not None:
        tone = find_tone(sound, take.tone_hz)
    curve, passed = None, None
    performance = by_name.get(take.reproduces)
    if take.kind is TakeKind.REPRODUCTION and performance is not None:
        original = performances.get(performance)
        curve = speed_curve(original, sound, rotation)
        passed = transfer(original, sound, curve)
    span_s = sound.duration_s
    if curve is not None and curve.span_s is not None:
        span_s = curve.span_s[1] - curve.span_s[0]
    elif rotation.event_s.size:
        span_s = float(rotation.event_s[-1] - rotation.event_s[0])
    top_hz = cannot_tell("no reproduction was compared with its performance", "Hz")
    if passed is not None:
        top_hz = passed.high_hz
    return TakeMotion(
        identifier=take.identifier,
        kind=take.kind,
        nominal_rpm=take.nominal_rpm,
        rotation=rotation,
        recording_rpm=_recording_rpm(take, rotation, curve),
        tone=tone,
        curve=curve,
        transfer=passed,
        wavering=wavering_of(rotation, tone, curve),
        geometry=groove_geometry(
            rotation.mean_rpm,
            take.groove,
            duration_s=span_s,
            nominal_rpm=take.nominal_rpm,
            top_hz=top_hz,
        ),
    )


def _recording_rpm(take: MotionTake, rotation: Rotation, curve: SpeedCurve | None) -> Estimate:
    """Say how fast the recording machine turned: speeds on one medium are as turns are."""
    rpm = rotation.mean_rpm
    if take.kind.records or rpm.value is None or rpm.uncertainty is None:
        return rpm if take.kind is not TakeKind.OTHER else cannot_tell("no record turned", "rpm")
    if curve is None:
        return cannot_tell("the performance is not among the takes", "rpm")
    ratio = curve.mean_ratio
    if ratio.value is None or ratio.uncertainty is None:
        return cannot_tell(ratio.reason, "rpm")
    value = rpm.value / ratio.value
    # The two means are over spans that differ by a turn or two at either end.
    spans = _spans_apart(rotation, curve)
    relative = math.hypot(rpm.uncertainty / rpm.value, ratio.uncertainty / ratio.value, spans)
    return estimate(value, value * relative, "rpm")


def _spans_apart(rotation: Rotation, curve: SpeedCurve) -> float:
    """Return what unequal spans may do to a quotient of means, relative."""
    span = curve.span_s
    if span is None or rotation.rpm.size < 2:
        return 0.0
    begin, end = float(rotation.event_s[0]), float(rotation.event_s[-1])
    apart_s = abs(span[0] - begin) + abs(span[1] - end)
    mean = rotation.mean_rpm.value or 1.0
    spread = float(max(abs(rotation.rpm.max() - mean), abs(rotation.rpm.min() - mean))) / mean
    return spread * min(1.0, apart_s / max(end - begin, 1e-9))


def wavering_of(
    rotation: Rotation | None, tone: Tone | None, curve: SpeedCurve | None
) -> tuple[Wavering, ...]:
    """Return how each kind of curve that could be read wavers."""
    found = []
    events = None
    if rotation is not None and rotation.event_s.size:
        events = rotation.event_s
    if rotation is not None and rotation.mean_rpm.value is not None:
        turn_hz = rotation.mean_rpm.value / 60.0
        noise = float(np.median(rotation.rpm_uncertainty)) / COVERAGE / rotation.mean_rpm.value
        found.append(
            waver(
                rotation.time_s,
                rotation.rpm,
                noise=noise,
                highest_hz=turn_hz / 2.0,
                carrier="marks once a turn",
                event_s=events,
            )
        )
    if curve is not None and curve.mean_ratio.value is not None:
        span = curve.told
        noise = float(curve.uncertainty[span].mean()) / COVERAGE / curve.mean_ratio.value
        found.append(
            waver(
                curve.time_s[span],
                curve.ratio[span],
                noise=noise,
                # Windows of a tenth of a second show nothing faster than some 6 Hz.
                highest_hz=1.5 / RESOLUTION_S,
                carrier="reproduction against performance",
                event_s=events,
                together_s=RESOLUTION_S,
                window_s=WINDOW_S,
            )
        )
    if tone is not None and tone.curve is not None and tone.frequency_hz.value is not None:
        found.append(
            waver(
                tone.curve.time_s,
                tone.curve.frequency_hz,
                noise=tone.curve.noise_hz / tone.frequency_hz.value,
                echoed=tone.curve.echoed_hz / tone.frequency_hz.value,
                highest_hz=tone.curve.highest_hz,
                carrier=f"tone of {tone.frequency_hz.value:.0f} Hz",
                event_s=events,
            )
        )
    return tuple(found)


def _plus_minus(value: Estimate, digits: int) -> str:
    return f"{value.value:.{digits}f} ± {value.uncertainty:.{digits}f} {value.unit}"


def _in_part(take: MotionTake, measured: TakeMotion, duration_s: float) -> list[Finding]:
    findings = []
    if take.left_out_s > 0.0:
        findings.append(
            MEASURED_IN_PART.at(
                take.where,
                f"take {take.identifier} lasts {(duration_s + take.left_out_s) / 60.0:.0f} min, and "
                f"its motion is measured over the first {duration_s / 60.0:.0f} min",
            )
        )
    if measured.curve is not None and duration_s > LONGEST_S:
        findings.append(
            MEASURED_IN_PART.at(
                take.where,
                f"take {take.identifier} is compared with {take.reproduces} over the first "
                f"{LONGEST_S / 60.0:.0f} min",
            )
        )
    return findings


def _disagreements(take: MotionTake, measured: TakeMotion, duration_s: float) -> list[Finding]:
    findings = _in_part(take, measured, duration_s)
    rpm = measured.rotation.mean_rpm
    stated = take.nominal_rpm
    if stated is not None and rpm.excludes(stated, take.nominal_tolerance_rpm):
        findings.append(
            SPEED_DISAGREES.at(
                take.nominal_where or take.where,
                f"the nominal speed is stated as {stated:g} rpm, and take {take.identifier} "
                f"turned at {_plus_minus(rpm, 2)}",
                accepted=(
                    f"a speed within {rpm.uncertainty:.2f} rpm of the measured one, or within "
                    f"{take.nominal_tolerance_rpm:g} rpm for the digits to which it is stated"
                ),
            )
        )
    if measured.rotation.octave_doubtful and rpm.value is not None:
        findings.append(
            OCTAVE_DOUBTFUL.at(
                take.where,
                f"take {take.identifier} turned at {rpm.value:.1f} rpm, unless its mark comes twice "
                f"a turn ({rpm.value / 2.0:.1f} rpm) or every second time "
                f"({rpm.value * 2.0:.1f} rpm)",
            )
        )
    if (
        (take.kind.records or take.kind is TakeKind.OTHER)
        and measured.tone is not None
        and take.tone_hz is not None
        and measured.tone.frequency_hz.excludes(take.tone_hz, 0.002 * take.tone_hz)
    ):
        findings.append(
            PITCH_DISAGREES.at(
                take.where,
                f"a tone of {take.tone_hz:g} Hz is stated, and {take.identifier} holds one of "
                f"{_plus_minus(measured.tone.frequency_hz, 2)}",
                accepted="the stated pitch within 0.2 % and the uncertainty",
            )
        )
    if (
        take.kind is TakeKind.OTHER
        and measured.tone is not None
        and measured.tone.frequency_hz.value is None
    ):
        findings.append(
            TONE_NOT_FOUND.at(
                take.where,
                f"a tone of {take.tone_hz:g} Hz is stated, and {take.identifier} holds none that "
                f"can be measured: {measured.tone.frequency_hz.reason}",
                accepted="a steady tone of a second or more, within 20 % of the stated one",
            )
        )
    if measured.curve is not None and measured.curve.mean_ratio.value is None:
        findings.append(
            REPRODUCTION_DIFFERS.at(
                take.where,
                f"take {take.identifier} is said to reproduce {take.reproduces}, and "
                f"{measured.curve.mean_ratio.reason}",
            )
        )
    used = measured.geometry.capacity_used
    interval = used.interval
    if take.kind is not TakeKind.OTHER and interval is not None and interval[0] > 1.0:
        findings.append(
            CAPACITY_EXCEEDED.at(
                take.where,
                f"take {take.identifier} lasts {duration_s:.0f} s, and the medium holds "
                f"{_plus_minus(measured.geometry.capacity_s, 1)} at the measured speed",
                accepted="a take that fits on the medium",
            )
        )
    return findings


def _media(takes: Sequence[MotionTake], found: Sequence[TakeMotion]) -> tuple[MediumWear, ...]:
    groups: dict[tuple[str, str], list[tuple[MotionTake, TakeMotion]]] = {}
    for take, measured in zip(takes, found, strict=True):
        if take.kind is TakeKind.REPRODUCTION and take.medium and take.playings_before is not None:
            groups.setdefault((take.medium, take.reproduces), []).append((take, measured))
    media = []
    for (medium, performance), members in groups.items():
        snr = [
            Playing(playings_before=take.playings_before or 0, value=mean_snr(measured.transfer))
            for take, measured in members
        ]
        index = [
            Playing(
                playings_before=take.playings_before or 0,
                value=cannot_tell("not compared", "1")
                if measured.transfer is None
                else measured.transfer.index,
            )
            for take, measured in members
        ]
        media.append(
            MediumWear(
                medium=medium,
                performance=performance,
                takes=tuple(take.identifier for take, _ in members),
                snr=wear(snr, SNR_THRESHOLD_DB),
                index=wear(index, INDEX_THRESHOLD),
            )
        )
    return tuple(media)


def mean_snr(passed: Transfer | None) -> Estimate:
    """Return the mean signal over noise of the bands from 400 to 2000 Hz."""
    if passed is None:
        return cannot_tell("the performance is not among the takes", "dB")
    told = [
        (band.snr_db.value, band.snr_db.uncertainty or 0.0)
        for band in passed.bands
        if band.snr_db.value is not None and 390.0 <= band.centre_hz <= 2010.0
    ]
    if not told:
        return cannot_tell(passed.reason or "no band could be compared", "dB")
    mean = sum(value for value, _ in told) / len(told)
    half = math.sqrt(sum(width**2 for _, width in told)) / len(told)
    return estimate(mean, half, "dB")
