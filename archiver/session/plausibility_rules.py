"""The rules of what is possible and likely: capacity, dates, rights, counts of playings.

Codes are public and stable, as those of :mod:`archiver.session.rules`.
"""

from __future__ import annotations

from archiver.findings import Rule, Severity

_E, _W, _N = Severity.ERROR, Severity.WARNING, Severity.NOTE

# --- capacity and geometry ----------------------------------------------------------

TAKE_EXCEEDS_CAPACITY = Rule(
    code="take-exceeds-capacity",
    severity=_W,
    reason="A groove of this pitch and length holds no more at the stated speed: pitch, length "
    "or speed is wrong, or the capture holds more than the groove.",
    remedy="Measure the speed or count the grooves, or cut the capture to the recording.",
)
MACHINE_CAPACITY_IMPOSSIBLE = Rule(
    code="machine-capacity-impossible",
    severity=_E,
    reason="The measures contradict each other, so at least one is wrong.",
    remedy="Measure again, and look at the units.",
)
MACHINE_CAPACITY_IMPLAUSIBLE = Rule(
    code="machine-capacity-implausible",
    severity=_W,
    reason="The measures lie far from every published figure; a slip of unit is likely.",
    remedy="Measure again, and look at the units; if they are right, say so in a note.",
)
MEASURE_IMPLAUSIBLE = Rule(
    code="measure-implausible",
    severity=_W,
    reason="The measure lies far outside of what is known of such things: a unit or a digit is "
    "likely wrong. The bounds are wide, and rest on common practice where no source is named.",
    remedy="Look at the unit and the digits; if it is right, say so in a note or in the remarks.",
)
MEDIUM_DOES_NOT_FIT = Rule(
    code="medium-does-not-fit",
    severity=_W,
    reason="A cylinder goes on a mandrel and a disc on a platter, and a cylinder is thicker than "
    "its mandrel.",
    remedy="Correct the medium, the setup or the machine file.",
)

# --- dates --------------------------------------------------------------------------

DATE_IN_FUTURE = Rule(
    code="date-in-future",
    severity=_E,
    reason="What is archived has happened already.",
    remedy="Correct the year, the month or the day; if they are right, set the clock of this "
    "computer.",
)
SESSION_BEFORE_MACHINE = Rule(
    code="session-before-machine",
    severity=_E,
    reason="A machine cannot be demonstrated before it was made.",
    remedy="Correct the date of the session or that of the machine.",
)
MACHINE_BEFORE_RECORDING = Rule(
    code="machine-before-recording",
    severity=_W,
    reason="The first machine that recorded sound was patented in 1857 (phonautograph).",
    remedy="Look at the year: a digit may be missing.",
)
CUSTODY_BEFORE_MADE = Rule(
    code="custody-before-made",
    severity=_W,
    reason="Nobody has a machine before it was made.",
    remedy="Correct the date of custody or of making.",
)
CUSTODY_OUT_OF_ORDER = Rule(
    code="custody-out-of-order",
    severity=_W,
    reason="Custody is read from top to bottom, in the order of time.",
    remedy="Move the entry, or correct its date.",
)
CUSTODY_AFTER_SESSION = Rule(
    code="custody-after-session",
    severity=_W,
    reason="At the session nobody knew what would happen to the machine later.",
    remedy="Correct the date.",
)
PHOTOGRAPH_AFTER_SESSION = Rule(
    code="photograph-after-session",
    severity=_W,
    reason="A photograph of the session was taken no later than on its last day.",
    remedy="Correct the date of the photograph; the clock of a camera is often wrong.",
)
MACHINE_SAME_INVENTORY_NUMBER = Rule(
    code="machine-same-inventory-number",
    severity=_W,
    reason="An inventory number stands for one object of a collection.",
    remedy="Correct one of the two; objects entered together often have /1 and /2.",
)

# --- people and rights --------------------------------------------------------------

CONSENT_AFTER_SESSION = Rule(
    code="consent-after-session",
    severity=_N,
    reason="Consent is asked before a voice is recorded; given later, it is worth knowing.",
    remedy="Nothing has to be done if the date is right.",
)
CONSENT_RAN_OUT = Rule(
    code="consent-ran-out",
    severity=_W,
    reason="A consent that ended before the session does not cover it.",
    remedy="Ask again, and write down the new consent.",
)
CONSENT_NARROWER_THAN_RIGHTS = Rule(
    code="consent-narrower-than-rights",
    severity=_W,
    reason="The rights let everybody publish a voice whose owner has not agreed to that.",
    remedy="Ask for consent to publication, or choose rights that do not allow it.",
)
TAKE_VOICE_WITHOUT_CONSENT = Rule(
    code="take-voice-without-consent",
    severity=_W,
    reason="A voice is heard in such a take, and of the people named none gave consent.",
    remedy="Write down the consent of the person who speaks, or name that person in the take.",
)
RIGHTS_CONTRADICT_RESTRICTION = Rule(
    code="rights-contradict-restriction",
    severity=_W,
    reason="The rights allow everybody what the restriction forbids, and a licence once given "
    "cannot be taken back.",
    remedy="Choose another licence, or remove the restriction.",
)
RIGHTS_CONTRADICT_THEMSELVES = Rule(
    code="rights-contradict-themselves",
    severity=_W,
    reason="The web address and the statement in words say different things; a reader will "
    "take the one that suits.",
    remedy="Correct the statement or the address.",
)

# --- media that wear ----------------------------------------------------------------

MEDIUM_PLAYINGS = Rule(
    code="medium-playings-contradict",
    severity=_E,
    reason="A recording is never played fewer times than before.",
    remedy="Count again: playings of the medium, and playings_before of the take.",
)
MEDIUM_NEVER_RECORDED = Rule(
    code="medium-never-recorded",
    severity=_E,
    reason="A blank has nothing that could be played.",
    remedy="Correct recordings or playings of the medium, or the kind or medium of the take.",
)
MEDIUM_LIMIT_EXCEEDED = Rule(
    code="medium-limit-exceeded",
    severity=_W,
    reason="Every playing wears the groove, and the limit was set to keep what is left.",
    remedy="Play it no further; ask the keeper before the limit is raised.",
)
MEDIUM_LIMIT_REACHED = Rule(
    code="medium-limit-reached",
    severity=_N,
    reason="The planned number of playings is used up.",
    remedy="Do not play it in another session.",
)
MEDIUM_CARRIED_BACKWARDS = Rule(
    code="medium-carried-backwards",
    severity=_E,
    reason="Counts of a medium go on from session to session and never back.",
    remedy="Count on from the last session, or say that it was shaved or recorded anew.",
)
MEDIUM_CARRIED_FORWARD = Rule(
    code="medium-carried-forward",
    severity=_N,
    reason="A count that is not carried forward is lost.",
    remedy="Write the counts into the sheet.",
)
MEDIUM_PLAYED_BETWEEN = Rule(
    code="medium-played-between",
    severity=_N,
    reason="It was used between the sessions, which nothing else tells.",
    remedy="Nothing has to be done if the counts are right.",
)
MEDIUM_CHANGED_KIND = Rule(
    code="medium-changed",
    severity=_W,
    reason="A medium keeps its kind, and shaving makes it thinner, never thicker.",
    remedy="Check that it is the same medium, and measure again.",
)
PART_CHANGED = Rule(
    code="part-changed",
    severity=_N,
    reason="What was changed on a machine since the last session is part of its history.",
    remedy="Say in the machine file when, by whom, and whether it can be undone.",
)
PART_BECAME_ORIGINAL = Rule(
    code="part-became-original",
    severity=_W,
    reason="A part that was replaced does not become original again, unless the old one was "
    "put back.",
    remedy="Say in a note what was found, or correct the state.",
)
