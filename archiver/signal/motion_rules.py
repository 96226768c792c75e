"""What measured motion may have to say against what a sheet states."""

from __future__ import annotations

from archiver.findings import Rule, Severity

__all__ = [
    "CAPACITY_EXCEEDED",
    "MEASURED_IN_PART",
    "NOTHING_TO_CORRECT",
    "OCTAVE_DOUBTFUL",
    "PITCH_DISAGREES",
    "REPRODUCTION_DIFFERS",
    "SPEED_DISAGREES",
    "TONE_NOT_FOUND",
]

SPEED_DISAGREES = Rule(
    code="motion-speed-disagrees",
    severity=Severity.WARNING,
    reason="A record replayed at a stated speed that is not its own sounds at the wrong pitch.",
    remedy=(
        "Check the stated speed against the machine. If it is only what the machine was meant to "
        "turn at, leave it: both speeds are kept, each marked stated or measured"
    ),
)
OCTAVE_DOUBTFUL = Rule(
    code="motion-octave-doubtful",
    severity=Severity.NOTE,
    reason="Two marks in one turn, or a mark heard in every second one, look like another speed.",
    remedy="Count the turns in ten seconds of the take, or state the nominal speed of the set-up",
)
PITCH_DISAGREES = Rule(
    code="motion-pitch-disagrees",
    severity=Severity.WARNING,
    reason=(
        "In a performance or a test a tone sounds at its own pitch, whatever the machine does."
    ),
    remedy="Check which pipe, fork or generator was used, and correct the stated pitch",
)
TONE_NOT_FOUND = Rule(
    code="motion-tone-not-found",
    severity=Severity.WARNING,
    reason="A test tone is recorded for its pitch; one that is not there shows a wrong file.",
    remedy="Listen to the take, and correct its file, its kind or the stated tone",
)
REPRODUCTION_DIFFERS = Rule(
    code="motion-reproduction-unlike",
    severity=Severity.WARNING,
    reason="The take is said to reproduce a performance that it cannot be aligned with.",
    remedy="Check which performance the take reproduces; faint or very short takes may fail too",
)
CAPACITY_EXCEEDED = Rule(
    code="motion-capacity-exceeded",
    severity=Severity.WARNING,
    reason="The medium is too small for so long a record at the measured speed.",
    remedy="Check the groove pitch and the recordable length of the machine, and the take's file",
)
NOTHING_TO_CORRECT = Rule(
    code="motion-nothing-to-correct",
    severity=Severity.NOTE,
    reason=(
        "A copy with the speed put right would differ from the master by no more than the "
        "uncertainty of the measurement, so none is made."
    ),
    remedy="Nothing needs to be done; listen to the ordinary copy",
)
MEASURED_IN_PART = Rule(
    code="motion-measured-in-part",
    severity=Severity.NOTE,
    reason=(
        "Motion is measured in memory, which holds more than any historic medium plays and no more."
    ),
    remedy=(
        "Nothing need be done if the beginning stands for the whole; else make two takes of it on "
        "the sheet"
    ),
)
