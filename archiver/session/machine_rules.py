"""The rules of the machine's record: evidence, attribution, variants, parts, condition.

Codes are public and stable, as those of :mod:`archiver.session.rules`.
"""

from __future__ import annotations

from archiver.findings import Rule, Severity

_E, _W, _N = Severity.ERROR, Severity.WARNING, Severity.NOTE

EVIDENCE_NOT_ONE_DATE = Rule(
    code="evidence-not-one-date",
    severity=_E,
    reason="A set in braces says that all its dates hold; making a machine is one event.",
    remedy="Write the alternatives in brackets, such as [1907,1909].",
)
EVIDENCE_ABOUT = Rule(
    code="evidence-about",
    severity=_W,
    reason="An approximate date excludes no day unless somebody says how far off it may be.",
    remedy="Add within_years, or lower the confidence.",
)
EVIDENCE_UNCERTAIN_FIRM = Rule(
    code="evidence-uncertain-firm",
    severity=_W,
    reason="A question mark says that the source may be wrong, which firm evidence may not be.",
    remedy="Remove the question mark or lower the confidence; it counts as probable until then.",
)
EVIDENCE_MARGIN_UNUSED = Rule(
    code="evidence-margin-unused",
    severity=_W,
    reason="within_years widens approximate dates only; another date means what it says.",
    remedy="Mark the date as approximate, such as 1909~, or remove within_years.",
)
EVIDENCE_PART_UNKNOWN = Rule(
    code="evidence-part-unknown",
    severity=_E,
    reason="Whether a part dates the whole depends on whether it is original.",
    remedy="Write the name as under parts, or list the part.",
)
EVIDENCE_ON_LATER_PART = Rule(
    code="evidence-on-later-part",
    severity=_N,
    reason="A part that is not known to be original says nothing of the age of the whole.",
    remedy="Nothing has to be done; the evidence is kept and limits nothing.",
)
EVIDENCE_CONFLICT = Rule(
    code="evidence-conflict",
    severity=_W,
    reason="Firm evidence that cannot all hold often tells of a machine made up of two, "
    "or of a clue that dates a part and not the whole.",
    remedy="Look again at the pieces named; lower the confidence of one, or say which part it dates.",
)
EVIDENCE_AGAINST_FIRM = Rule(
    code="evidence-against-firm",
    severity=_N,
    reason="Weaker evidence that contradicts the firm may be wrong, or may show that the firm is.",
    remedy="Nothing has to be done; the contradiction is written down.",
)
DATE_BEYOND_EVIDENCE = Rule(
    code="date-beyond-evidence",
    severity=_W,
    reason="The stated date allows days that the firm evidence excludes.",
    remedy="Write the date that the evidence allows, or correct the evidence.",
)
DATE_WITHOUT_EVIDENCE = Rule(
    code="date-narrower-than-evidence",
    severity=_N,
    reason="The stated date excludes days that the firm evidence allows; it rests on more.",
    remedy="Add the evidence on which it rests, if there is any.",
)

ATTRIBUTION_NOT_A_CANDIDATE = Rule(
    code="attribution-maker-not-a-candidate",
    severity=_W,
    reason="The stated maker is not among the candidates, so nothing tells why.",
    remedy="Add the maker to the candidates with what speaks for it, or correct the name.",
)
ATTRIBUTION_AGAINST = Rule(
    code="attribution-only-against",
    severity=_W,
    reason="Only features against the stated maker are listed.",
    remedy="Add what speaks in favour, or leave the maker out.",
)
ATTRIBUTION_OPEN = Rule(
    code="attribution-open",
    severity=_N,
    reason="More than one maker comes into question; the choice is a person's, not a program's.",
    remedy="Nothing has to be done; all candidates are written down with their features.",
)

TYPE_FILE_NAME = Rule(
    code="type-file-name",
    severity=_E,
    reason="A machine finds its model by the name of the type file.",
    remedy="Change the id or rename the file.",
)
TYPE_UNKNOWN = Rule(
    code="type-unknown",
    severity=_W,
    reason="Without the type file the machine cannot be compared with the known variants.",
    remedy="Put the type file into types/, or leave the model out.",
)
TYPE_REFERENCE = Rule(
    code="type-reference",
    severity=_E,
    reason="The field refers to a feature that the type file does not describe.",
    remedy="Correct the id, or describe the feature in the type file.",
)
VARIANT_NONE_FITS = Rule(
    code="variant-none-fits",
    severity=_W,
    reason="A machine that fits no known variant was altered, made up of parts, or is a new variant.",
    remedy="Look again at the features named; if they are right, describe the variant.",
)
VARIANT_OPEN = Rule(
    code="variant-open",
    severity=_N,
    reason="More than one known variant fits; the features named would tell them apart.",
    remedy="Look for the features named, if the machine can be opened safely.",
)

PART_LISTED_TWICE = Rule(
    code="part-listed-twice",
    severity=_W,
    reason="Two entries of one name leave open which state holds.",
    remedy="Join the entries, or tell the parts apart by their names.",
)
PART_ORIGINAL_CHANGED = Rule(
    code="part-original-changed",
    severity=_W,
    reason="An original part was never replaced, so it has no date, hand or reversibility of change.",
    remedy="Correct the state to restored or replaced, or move the text to the note.",
)
PART_BEFORE_MACHINE = Rule(
    code="part-changed-before-made",
    severity=_W,
    reason="Nothing is replaced on a machine that does not exist yet.",
    remedy="Correct the date of the part or the date of making.",
)

CONDITION_SUBJECT = Rule(
    code="condition-subject",
    severity=_E,
    reason="A condition report is about one machine or one medium.",
    remedy="Name the machine or the medium, one of the two.",
)
CONDITION_TWICE = Rule(
    code="condition-twice",
    severity=_W,
    reason="Two reports of the same moment leave open which holds.",
    remedy="Join the reports.",
)
CONDITION_PART_UNKNOWN = Rule(
    code="condition-part-unknown",
    severity=_W,
    reason="A part that the machine file does not list cannot be followed from session to session.",
    remedy="Write the name as under parts in the machine file, or list the part there.",
)
CONDITION_WORSE = Rule(
    code="condition-worse",
    severity=_W,
    reason="A session should leave a machine and its media as they were.",
    remedy="Tell the keeper, and write down in the report what happened.",
)
CONDITION_CHANGED = Rule(
    code="condition-changed",
    severity=_N,
    reason="What changed between two reports is what a keeper wants to know first.",
    remedy="Nothing has to be done.",
)
CONDITION_DATE = Rule(
    code="condition-date",
    severity=_W,
    reason="A report before the session is made no later than its end, one after it no earlier "
    "than its start.",
    remedy="Correct the date, or before and after.",
)
