"""What can be found in a capture or while making a master, with reason and remedy.

An error means that the take cannot be archived as it stands; a warning, that the
person should look; a note records what was done or seen.
"""

from __future__ import annotations

from archiver.findings import Rule, Severity

_COPY_AGAIN = (
    "Copy the file again from the recorder or its card. If no whole copy exists, save what is "
    "left as a new file with an audio editor and say so in the take's remarks"
)
_LOOK = "Listen to the end of the take; if it sounds right, nothing needs to be done"
_RECORDED = "Nothing needs to be done; it is written down here for the record"

TRUNCATED = Rule(
    code="capture-truncated",
    severity=Severity.ERROR,
    reason="The file holds less sound than its header declares, so part of the take is missing.",
    remedy=_COPY_AGAIN,
)
CHUNK_PAST_END = Rule(
    code="capture-chunk-past-end",
    severity=Severity.ERROR,
    reason="A chunk is declared longer than the file, so the file is cut or its header is wrong.",
    remedy=_COPY_AGAIN,
)
SIZES_UNSET = Rule(
    code="capture-sizes-unset",
    severity=Severity.WARNING,
    reason="A recorder that loses power leaves sizes unset; the sound is taken to the file's end.",
    remedy="Listen to the end of the take, and say in its remarks that the recording broke off",
)
SIZE_WRONG = Rule(
    code="capture-size-wrong",
    severity=Severity.WARNING,
    reason="The size in the file's first bytes does not agree with its chunks.",
    remedy=_LOOK,
)
PAD_MISSING = Rule(
    code="capture-pad-missing",
    severity=Severity.NOTE,
    reason="A chunk of odd length lacks its pad byte; some readers lose what follows it.",
    remedy=_RECORDED,
)
PARTIAL_FRAME = Rule(
    code="capture-partial-frame",
    severity=Severity.WARNING,
    reason="The sound does not end with a whole frame; only whole frames can be taken.",
    remedy=_LOOK,
)
TRAILING_BYTES = Rule(
    code="capture-trailing-bytes",
    severity=Severity.WARNING,
    reason="Bytes after the declared end belong to no chunk and are not taken into the master.",
    remedy="If they may be sound that the header does not count, repair a copy of the file first",
)
DUPLICATE_CHUNK = Rule(
    code="capture-duplicate-chunk",
    severity=Severity.ERROR,
    reason="A chunk that may stand once stands twice, and programs disagree on which one counts.",
    remedy="Find out which one is right, and hand in a file that holds only that one",
)
CHUNK_MISSING = Rule(
    code="capture-chunk-missing",
    severity=Severity.ERROR,
    reason="Without it the sound cannot be read.",
    remedy=_COPY_AGAIN,
)
FORMAT_WRONG = Rule(
    code="capture-format-wrong",
    severity=Severity.ERROR,
    reason="The description of the samples contradicts itself, so they cannot be read safely.",
    remedy="Find out the true format from the recorder's settings and repair a copy of the file",
)
BYTE_RATE_WRONG = Rule(
    code="capture-byte-rate-wrong",
    severity=Severity.NOTE,
    reason="A field that repeats what others say disagrees with them; the others count.",
    remedy=_RECORDED,
)
FORMAT_LATE = Rule(
    code="capture-format-late",
    severity=Severity.WARNING,
    reason="The format must stand before the sound; a reader that goes once through cannot play it.",
    remedy="The master is written in the right order",
)
DS64_FAULT = Rule(
    code="capture-ds64-fault",
    severity=Severity.WARNING,
    reason="The 64-bit sizes of the file are missing, cut or contradict what is there.",
    remedy=_LOOK,
)
NO_SAMPLES = Rule(
    code="capture-no-samples",
    severity=Severity.ERROR,
    reason="There is no sound to archive.",
    remedy=_COPY_AGAIN,
)
TOO_MANY_CHUNKS = Rule(
    code="capture-too-many-chunks",
    severity=Severity.ERROR,
    reason="So many chunks do not occur in sound files; this one is damaged or made to do harm.",
    remedy=_COPY_AGAIN,
)
LIST_DEEP = Rule(
    code="capture-list-deep",
    severity=Severity.NOTE,
    reason="Lists within lists beyond a few levels do not occur in sound files; it is not read.",
    remedy=_RECORDED,
)
CHUNK_UNREADABLE = Rule(
    code="capture-chunk-unreadable",
    severity=Severity.WARNING,
    reason="A chunk does not follow its standard.",
    remedy="It is carried as it stands where that is possible; repair it in a copy if it matters",
)
CHUNK_TOO_LARGE = Rule(
    code="capture-chunk-too-large",
    severity=Severity.ERROR,
    reason="A chunk other than the sound is too large to be carried into the master.",
    remedy="Hand in a copy of the file without that chunk, and keep its content as a document",
)
KIND_UNEXPECTED = Rule(
    code="capture-kind-unexpected",
    severity=Severity.NOTE,
    reason="The end of the file's name says another kind of file than its content.",
    remedy="The content counts; rename the file if others are to open it",
)
DECODED_LENGTH = Rule(
    code="capture-decoded-length",
    severity=Severity.WARNING,
    reason="Decoding gives another length of sound than the file declares.",
    remedy=_LOOK,
)
DECODED_DIGEST = Rule(
    code="capture-decoded-digest",
    severity=Severity.ERROR,
    reason="The digest that the encoder stored does not agree with the sound that was decoded.",
    remedy=_COPY_AGAIN,
)
SOUND_GAP = Rule(
    code="capture-sound-gap",
    severity=Severity.WARNING,
    reason="The times in the sound track are not continuous; the samples were joined as they are.",
    remedy="Compare with the picture; if they drift apart, say so in the take's remarks",
)
SOUND_DAMAGED = Rule(
    code="capture-sound-damaged",
    severity=Severity.WARNING,
    reason="Part of the coded sound is damaged; what was decoded there may be wrong or missing.",
    remedy=_COPY_AGAIN,
)
SOUND_HIDDEN = Rule(
    code="capture-sound-hidden",
    severity=Severity.WARNING,
    reason=(
        "A video that was trimmed keeps sound that no player plays; the master holds what is "
        "played, the kept file all of it."
    ),
    remedy="Undo the trimming in a copy if the whole belongs to the take, and hand that in",
)
LOSSY = Rule(
    code="capture-lossy",
    severity=Severity.WARNING,
    reason=(
        "What a lossy coding left out cannot be brought back, and nobody hears later what was "
        "the machine and what the coding. Bandwidth, noise and clicks are those of the decoded "
        "sound."
    ),
    remedy=(
        "Hand in linear sound of the take if any recorder took it, and set the recorder to "
        "linear PCM next time. If this is all there is, archive it: the master holds the "
        "decoded samples, and the descriptions say how they were coded"
    ),
)
MORE_SOUND_TRACKS = Rule(
    code="capture-more-sound-tracks",
    severity=Severity.WARNING,
    reason="Only the first sound track becomes a master.",
    remedy="Hand the other tracks in as takes of their own if they matter",
)

TEXT_NOT_ASCII = Rule(
    code="capture-text-not-ascii",
    severity=Severity.NOTE,
    reason="The standard asks for ASCII in this field; the bytes are kept as they are.",
    remedy=_RECORDED,
)
MD5_DISAGREES = Rule(
    code="capture-md5-disagrees",
    severity=Severity.WARNING,
    reason="The digest stored in the capture is not that of its sound, so one of them was changed.",
    remedy="Look for an earlier copy of the take; the master gets the digest of the sound as it is",
)
LOUDNESS_DISAGREES = Rule(
    code="capture-loudness-disagrees",
    severity=Severity.WARNING,
    reason="The loudness stated in the capture is not what was measured; the stated value is kept.",
    remedy="Find out which program wrote it; the measured value stands in the measurement report",
)

TRANSLITERATED = Rule(
    code="master-text-transliterated",
    severity=Severity.NOTE,
    reason="The broadcast extension holds ASCII only; the full text stands in the other chunks.",
    remedy=_RECORDED,
)
CUT = Rule(
    code="master-text-cut",
    severity=Severity.NOTE,
    reason="The text is longer than its field in the master.",
    remedy="Nothing needs to be done, or shorten the text in the sheet",
)
HISTORY_LINE_ENDED = Rule(
    code="master-history-line-ended",
    severity=Severity.NOTE,
    reason="The last line of the capture's coding history had no line end; it was given one.",
    remedy=_RECORDED,
)
KEPT = Rule(
    code="master-field-kept",
    severity=Severity.NOTE,
    reason="What a capture already says is kept; the sheet's value stands in the descriptions.",
    remedy=_RECORDED,
)
IXML_KEPT = Rule(
    code="master-ixml-kept",
    severity=Severity.NOTE,
    reason="The capture's own iXML is kept, and elements that it lacks are added.",
    remedy=_RECORDED,
)
IXML_DIFFERS = Rule(
    code="capture-ixml-differs",
    severity=Severity.NOTE,
    reason="iXML repeats what fmt and bext hold; where they differ, fmt and bext count.",
    remedy=_RECORDED,
)
AXML_KEPT = Rule(
    code="master-axml-kept",
    severity=Severity.NOTE,
    reason="The capture's own axml is kept; the description stands in the bag's metadata instead.",
    remedy=_RECORDED,
)
CARRIED = Rule(
    code="master-chunk-carried",
    severity=Severity.NOTE,
    reason="A chunk that is not read here is carried into the master byte for byte.",
    remedy=_RECORDED,
)
NOT_CARRIED = Rule(
    code="master-chunk-not-carried",
    severity=Severity.NOTE,
    reason="A filler, or a chunk that the master writes anew, is not carried over.",
    remedy=_RECORDED,
)
