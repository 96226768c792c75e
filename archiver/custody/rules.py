"""What verification has to say beyond the rules of the bag (house rules)."""

from __future__ import annotations

from archiver.findings import Rule, Severity

__all__ = [
    "BAG_GONE",
    "DAMAGE_NOT_TAKEN_BACK",
    "LEDGER_EDITED",
    "LEDGER_HEAD",
    "LEDGER_REMOVED",
    "LEDGER_REORDERED",
    "LEDGER_REWRITTEN",
    "LEDGER_UNGUARDED",
    "MANIFEST_NOT_AS_RECORDED",
    "METADATA_CHANGED",
    "RECORD_DOUBTFUL",
    "RECORD_MALFORMED",
    "RECORD_MISSING",
    "SIGNATURE_GONE",
    "SIGNATURE_OTHER_KEY",
    "SOUND_DAMAGED",
    "SOUND_DISAGREES",
    "SOUND_NOT_JUDGED",
    "SOUND_TRUNCATED",
]

METADATA_CHANGED = Rule(
    code="sound-intact-metadata-changed",
    severity=Severity.ERROR,
    reason="The file is not the one that was stored, but every sample is",
    remedy="Take the file from another copy; the sound of this one may be used meanwhile",
)
SOUND_DAMAGED = Rule(
    code="sound-damaged",
    severity=Severity.ERROR,
    reason="Samples are not those that were stored",
    remedy="Take the file from another copy; the sound outside the spans named is intact",
)
SOUND_TRUNCATED = Rule(
    code="sound-truncated",
    severity=Severity.ERROR,
    reason="The end of the sound is gone",
    remedy="Take the file from another copy; what is told to be intact may be used meanwhile",
)
SOUND_NOT_JUDGED = Rule(
    code="sound-not-judged",
    severity=Severity.ERROR,
    reason="Without a record of its samples nothing can be said of the sound of a changed file",
    remedy="Take the file from another copy",
)
SOUND_DISAGREES = Rule(
    code="sound-record-disagrees",
    severity=Severity.ERROR,
    reason="The file is the one that was stored, but its record of samples says otherwise",
    remedy="Report this: either the record was made wrongly or both manifests were altered",
)
RECORD_MISSING = Rule(
    code="sound-record-missing",
    severity=Severity.WARNING,
    reason="Without a record of its samples, damage to a master cannot be located",
    remedy="Nothing to do while the file is intact",
)
RECORD_MALFORMED = Rule(
    code="sound-record-malformed",
    severity=Severity.ERROR,
    reason="The record of a master's samples cannot be read",
    remedy="Take the record from another copy of the bag",
)
RECORD_DOUBTFUL = Rule(
    code="sound-record-doubtful",
    severity=Severity.WARNING,
    reason=(
        "The record of samples was changed, or nothing proves it: sound that agrees is intact, "
        "sound that does not may be intact too"
    ),
    remedy="Take the record from another copy of the bag and verify again",
)
LEDGER_EDITED = Rule(
    code="ledger-entry-edited",
    severity=Severity.ERROR,
    reason="Every entry carries the digest of its content",
    remedy="Take the ledger from a backup; find out who had access to it",
)
LEDGER_REMOVED = Rule(
    code="ledger-entry-removed",
    severity=Severity.ERROR,
    reason="Entries are numbered without gaps and never removed",
    remedy="Take the ledger from a backup; find out who had access to it",
)
LEDGER_REORDERED = Rule(
    code="ledger-entry-reordered",
    severity=Severity.ERROR,
    reason="The number of an entry is part of what its digest covers",
    remedy="Take the ledger from a backup; find out who had access to it",
)
LEDGER_REWRITTEN = Rule(
    code="ledger-entry-rewritten",
    severity=Severity.ERROR,
    reason="Every entry carries the digest of the one before",
    remedy="Take the ledger from a backup; find out who had access to it",
)
LEDGER_HEAD = Rule(
    code="ledger-head-differs",
    severity=Severity.ERROR,
    reason="An entry that a report has stated stays in the ledger as it was",
    remedy="The ledger was cut short or written anew: take it from a backup",
)
LEDGER_UNGUARDED = Rule(
    code="ledger-unguarded",
    severity=Severity.WARNING,
    reason="Triggers in the file refuse every change of an entry",
    remedy="Find out who removed them; the digests still tell whether entries were changed",
)
BAG_GONE = Rule(
    code="bag-gone",
    severity=Severity.ERROR,
    reason="A bag that was checked here is expected to be here",
    remedy="Bring it back from another copy; if it was withdrawn on purpose, accept that in "
    "the ledger with archiver ledger accept",
)
DAMAGE_NOT_TAKEN_BACK = Rule(
    code="damage-not-taken-back",
    severity=Severity.ERROR,
    reason="A look that was less deep cannot say that a damage is mended",
    remedy="Mend the bag if that is not done, then audit it as deep as the check that found it",
)
SIGNATURE_GONE = Rule(
    code="signature-gone",
    severity=Severity.ERROR,
    reason=(
        "Whoever takes the signature away leaves a bag that agrees with itself; the ledger "
        "remembers that it was signed"
    ),
    remedy="Take the signature from another copy and find out who removed it; if that was done "
    "on purpose, accept it in the ledger with archiver ledger accept",
)
SIGNATURE_OTHER_KEY = Rule(
    code="signature-of-another-key",
    severity=Severity.ERROR,
    reason=(
        "Anybody can sign with a key of their own; the ledger remembers whose key it was, and "
        "a new one is somebody's decision"
    ),
    remedy="Compare with another copy and find out who signed; if the key was changed on "
    "purpose, accept that in the ledger with archiver ledger accept",
)
MANIFEST_NOT_AS_RECORDED = Rule(
    code="manifest-not-as-recorded",
    severity=Severity.ERROR,
    reason=(
        "Whoever alters a file and its manifest together leaves a bag that agrees with itself; "
        "the ledger remembers the manifest as it was"
    ),
    remedy="Compare with another copy; if the bag was changed on purpose, accept that in the "
    "ledger with archiver ledger accept",
)
