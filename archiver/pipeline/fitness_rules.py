"""What an institution can find missing in a bag, beyond its BagIt Profile."""

from __future__ import annotations

from archiver.findings import Rule, Severity

__all__ = [
    "ACCESS_MISSING",
    "BAG_NAME",
    "BAG_TOO_LARGE",
    "DIGESTS_CONTRADICT",
    "DIGEST_MISSING",
    "DOCUMENT_MISSING",
    "FIELD_MISSING",
    "FIELD_NOT_TAKEN",
    "FIELD_WISHED",
    "FILE_NAME",
    "FORM_NOT_TAKEN",
    "IDENTIFIER_DIFFERS",
    "NAME_NOT_TAKEN",
    "PAPER_MISSING",
    "PROFILE_NOT_LOOKED_UP",
    "PROFILE_NOT_THERE",
    "RESTRICTED_PRESENT",
    "SENDER_UNKNOWN",
]

_ANEW = "Archive the session with --for this institution, as a new version if there is a bag"

PROFILE_NOT_THERE = Rule(
    code="institution-bagit-profile-missing",
    severity=Severity.ERROR,
    reason="The institution judges bags by its BagIt Profile",
    remedy="Put the JSON file beside the institution profile, under the name that stands there",
)
PROFILE_NOT_LOOKED_UP = Rule(
    code="institution-bagit-profile-not-read",
    severity=Severity.WARNING,
    reason="An address is looked up only when that is asked for, so the bag was not judged by it",
    remedy="Keep a copy beside the institution profile: archiver institution fetch PROFILE",
)
IDENTIFIER_DIFFERS = Rule(
    code="institution-bagit-profile-elsewhere",
    severity=Severity.WARNING,
    reason="Bags name a profile by its identifier, which should lead to the profile itself",
    remedy="Nothing to do: bags name it as it calls itself",
)
FORM_NOT_TAKEN = Rule(
    code="institution-form-contradiction",
    severity=Severity.ERROR,
    reason="The institution profile and the BagIt Profile must name a common form of package",
    remedy="Correct serialisation in the institution profile, or ask the institution",
)
DIGESTS_CONTRADICT = Rule(
    code="institution-digests-contradiction",
    severity=Severity.ERROR,
    reason="No bag can be made with digests that one of the two profiles refuses",
    remedy="Correct digests in the institution profile, or ask the institution",
)
FIELD_MISSING = Rule(
    code="institution-field-missing",
    severity=Severity.ERROR,
    reason="The institution cannot place a bag without this element of bag-info.txt",
    remedy="State it under `value` of this field in the institution profile, and archive anew",
)
FIELD_WISHED = Rule(
    code="institution-field-wished",
    severity=Severity.NOTE,
    reason="The institution would like this element of bag-info.txt, but does not insist",
    remedy="Nothing to do; or state it under `value` of this field in the institution profile",
)
FIELD_NOT_TAKEN = Rule(
    code="institution-field-value",
    severity=Severity.ERROR,
    reason="The institution takes a few values only of this element of bag-info.txt",
    remedy="State one that is taken, under `value` of this field in the institution profile",
)
SENDER_UNKNOWN = Rule(
    code="institution-sender-unknown",
    severity=Severity.ERROR,
    reason="The institution takes bags from senders with whom it has an agreement",
    remedy="Ask the institution, and write the name of the organisation as it does",
)
DOCUMENT_MISSING = Rule(
    code="institution-document-missing",
    severity=Severity.ERROR,
    reason="The institution reads this description into its catalogue",
    remedy=_ANEW,
)
PAPER_MISSING = Rule(
    code="institution-paper-missing",
    severity=Severity.ERROR,
    reason="The institution takes no bag without this paper",
    remedy="Put it into the folder documents of the session, name it on the sheet, archive anew",
)
DIGEST_MISSING = Rule(
    code="institution-digest-missing",
    severity=Severity.ERROR,
    reason="The institution checks bags by this digest algorithm",
    remedy=_ANEW,
)
ACCESS_MISSING = Rule(
    code="institution-access-missing",
    severity=Severity.WARNING,
    reason="The institution wants a copy for listening of every master",
    remedy=_ANEW,
)
BAG_NAME = Rule(
    code="institution-bag-name",
    severity=Severity.ERROR,
    reason="The institution files bags by their names",
    remedy=_ANEW,
)
FILE_NAME = Rule(
    code="institution-master-name",
    severity=Severity.ERROR,
    reason="The institution files masters by their names",
    remedy=_ANEW,
)
NAME_NOT_TAKEN = Rule(
    code="institution-path-not-taken",
    severity=Severity.ERROR,
    reason="The systems of the institution do not take every name",
    remedy="Rename the file in the session folder and archive anew",
)
BAG_TOO_LARGE = Rule(
    code="institution-bag-too-large",
    severity=Severity.ERROR,
    reason="The institution takes packages up to a size",
    remedy="Archive the session in two, or ask the institution for an exception",
)
RESTRICTED_PRESENT = Rule(
    code="institution-restricted-present",
    severity=Severity.ERROR,
    reason="The institution wants bags without their restricted part",
    remedy="Archive anew with --leave-out-restricted, and keep the session folder yourself",
)
