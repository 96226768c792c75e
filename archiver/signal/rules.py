"""What can be wrong with a capture, as far as the samples tell."""

from __future__ import annotations

from archiver.findings import Rule, Severity

__all__ = [
    "CAPTURE_CHANNELS_SWAPPED",
    "CAPTURE_CHANNEL_COUNT",
    "CAPTURE_CHANNEL_DEAD",
    "CAPTURE_CHANNEL_DUPLICATED",
    "CAPTURE_CHANNEL_OPPOSITE",
    "CAPTURE_CLIPPED",
    "CAPTURE_CUT_OFF_SPECTRUM",
    "CAPTURE_DC_OFFSET",
    "CAPTURE_DROPOUT",
    "CAPTURE_HUM_FREQUENCY",
    "CAPTURE_INVALID_SAMPLES",
    "CAPTURE_OVER_FULL_SCALE",
    "CAPTURE_PART_FRAME",
    "CAPTURE_REPEATED_BLOCK",
    "CAPTURE_SHALLOW_DEPTH",
    "CAPTURE_SILENT",
    "CAPTURE_STILL",
]

CAPTURE_SILENT = Rule(
    code="capture-silent",
    severity=Severity.WARNING,
    reason="A take in which every sample is the same holds no sound.",
    remedy="Listen to the file; if the recorder heard nothing, take it off the sheet or capture again",
)
CAPTURE_CHANNEL_COUNT = Rule(
    code="capture-channel-count",
    severity=Severity.ERROR,
    reason="What each channel carries is part of the description; it must fit the file.",
    remedy="Say on the sheet what each channel of the file carries, in order",
)
CAPTURE_CHANNEL_DEAD = Rule(
    code="capture-channel-dead",
    severity=Severity.WARNING,
    reason="A channel without sound beside one with sound is a cable or a switch.",
    remedy="Say in the remarks of the take that the channel is empty, or capture again",
)
CAPTURE_CHANNEL_DUPLICATED = Rule(
    code="capture-channel-duplicated",
    severity=Severity.WARNING,
    reason="Two channels with the same samples are one channel stored twice.",
    remedy="Check the routing; if one microphone was meant, say so in the channels of the take",
)
CAPTURE_CHANNEL_OPPOSITE = Rule(
    code="capture-channel-opposite",
    severity=Severity.WARNING,
    reason="Two channels that move against each other cancel when they are added.",
    remedy="Check the wiring of cables and the polarity switches; note it in the remarks of the take",
)
CAPTURE_CHANNELS_SWAPPED = Rule(
    code="capture-channels-swapped",
    severity=Severity.WARNING,
    reason="The noise of each microphone chain is its mark; here it lies in another channel.",
    remedy="Check the cables, and correct the channels of the take on the sheet",
)
CAPTURE_CLIPPED = Rule(
    code="capture-clipped",
    severity=Severity.WARNING,
    reason="Samples held at the extreme are sound that the converter or an amplifier cut off.",
    remedy="Capture again with less gain if that is possible; else note it in the remarks of the take",
)
CAPTURE_OVER_FULL_SCALE = Rule(
    code="capture-over-full-scale",
    severity=Severity.WARNING,
    reason="Float samples beyond full scale clip in every player and in every conversion to integers.",
    remedy="Check that the recorder wrote the scale that its header promises",
)
CAPTURE_DROPOUT = Rule(
    code="capture-dropout",
    severity=Severity.WARNING,
    reason="Sound that stands still abruptly for a millisecond or more was lost on its way.",
    remedy="Compare with another copy of the capture; else note it in the remarks of the take",
)
CAPTURE_STILL = Rule(
    code="capture-still",
    severity=Severity.NOTE,
    reason="Microphones and converters are never exactly silent: silence was put there later.",
    remedy="Archive the capture as it left the recorder, if there is one without the silence",
)
CAPTURE_REPEATED_BLOCK = Rule(
    code="capture-repeated-block",
    severity=Severity.WARNING,
    reason="A stretch that equals the one before it sample for sample is a buffer stored twice.",
    remedy="Compare with another copy of the capture; else note it in the remarks of the take",
)
CAPTURE_SHALLOW_DEPTH = Rule(
    code="capture-shallow-depth",
    severity=Severity.WARNING,
    reason="Fewer bits in use than the file states mean an earlier, coarser conversion.",
    remedy="Look for the capture before that conversion, or state the true depth on the sheet",
)
CAPTURE_CUT_OFF_SPECTRUM = Rule(
    code="capture-cut-off-spectrum",
    severity=Severity.WARNING,
    reason="Noise that ends abruptly below half the sample rate passed a lower rate or a lossy coder.",
    remedy="Look for the capture before that conversion, or state its true rate on the sheet",
)
CAPTURE_DC_OFFSET = Rule(
    code="capture-dc-offset",
    severity=Severity.WARNING,
    reason="A constant part takes room from the sound and clicks at every cut.",
    remedy="Have the converter looked at; the master keeps the samples as they are",
)
CAPTURE_HUM_FREQUENCY = Rule(
    code="capture-hum-frequency",
    severity=Severity.NOTE,
    reason="The mains hold their frequency to 0.2 % nearly always: the clock of the recorder may be off.",
    remedy="Compare the duration of the capture with a watch, and check the sample rate",
)
CAPTURE_INVALID_SAMPLES = Rule(
    code="capture-invalid-samples",
    severity=Severity.WARNING,
    reason="Float samples that are no number, infinite, or absurd stop players and measurements.",
    remedy="Export the take again from the program that wrote it",
)
CAPTURE_PART_FRAME = Rule(
    code="capture-part-frame",
    severity=Severity.NOTE,
    reason="The sound ends within a frame: some channels have one sample more than the others.",
    remedy="Compare with another copy of the capture: the end may be missing",
)
