"""What depositing and receiving have to say (house rules where no standard is named)."""

from __future__ import annotations

from archiver.findings import Rule, Severity

__all__ = [
    "FETCHED_DIFFERS",
    "FETCH_REFUSED",
    "FORM_NOT_TAKEN",
    "LAID_BESIDE",
    "NAME_HELD",
    "PACKAGE_DIFFERS",
    "PACKAGE_MISSING",
    "PACKAGE_UNUSABLE",
    "RECEIPT_CONTRADICTS",
    "RECEIPT_DIFFERS",
    "RECEIPT_OTHER_DEPOSIT",
    "RECEIPT_OTHER_INSTITUTION",
    "RECEIPT_REFUSES",
    "RECEIPT_UNPROVED",
    "REFERENCE_NOT_HELD",
    "SIGNATURE_MISSING",
]

_ASK = "Ask the institution what it holds; do not count this copy until that is settled"

RECEIPT_DIFFERS = Rule(
    code="receipt-digest-differs",
    severity=Severity.ERROR,
    reason="A receipt with another digest is the receipt of something else than what was sent",
    remedy=_ASK,
)
RECEIPT_OTHER_DEPOSIT = Rule(
    code="receipt-of-another-deposit",
    severity=Severity.ERROR,
    reason="A receipt proves nothing of a deposit that it is not for",
    remedy="Import it for the deposit that it names",
)
RECEIPT_OTHER_INSTITUTION = Rule(
    code="receipt-of-another-institution",
    severity=Severity.ERROR,
    reason="Only who was handed the package can give a receipt for it",
    remedy=_ASK,
)
RECEIPT_REFUSES = Rule(
    code="receipt-refuses",
    severity=Severity.ERROR,
    reason="The institution has not taken the package in",
    remedy="Correct what it names, then deposit again",
)
RECEIPT_CONTRADICTS = Rule(
    code="receipt-contradicts-another",
    severity=Severity.WARNING,
    reason="Of two statements on one deposit that disagree the later one stands, and both are kept",
    remedy=(
        "Ask the institution which of them is right. A receipt that it gives after this one "
        "settles it, or one for a new deposit"
    ),
)
RECEIPT_UNPROVED = Rule(
    code="receipt-without-digests",
    severity=Severity.WARNING,
    reason="Only a digest shows that the institution holds the very bytes that were sent",
    remedy="Ask for a receipt that states the digest of the tag manifest",
)
PACKAGE_DIFFERS = Rule(
    code="package-digest-differs",
    severity=Severity.ERROR,
    reason="What arrived is not the package that the record of the deposit describes",
    remedy="Send it again",
)
PACKAGE_MISSING = Rule(
    code="package-missing",
    severity=Severity.ERROR,
    reason="The record of a deposit names every package of it, and is sent when all are there",
    remedy="Send it again",
)
LAID_BESIDE = Rule(
    code="package-beside-others",
    severity=Severity.WARNING,
    reason="Only what the record of a deposit names is verified and taken in",
    remedy="Look at it and put it elsewhere; it is left in the inbox",
)
PACKAGE_UNUSABLE = Rule(
    code="package-unusable",
    severity=Severity.ERROR,
    reason="A package must unpack into one bag without danger",
    remedy="Make the package anew from the bag and send it again",
)
FORM_NOT_TAKEN = Rule(
    code="package-form-not-taken",
    severity=Severity.ERROR,
    reason="The institution takes packages in the forms that its profile names",
    remedy="Send it in a form that is taken",
)
NAME_HELD = Rule(
    code="package-name-held",
    severity=Severity.ERROR,
    reason="A name in the store stands for one bag for ever",
    remedy="Send a correction as a new version, which has a name of its own",
)
REFERENCE_NOT_HELD = Rule(
    code="package-reference-not-held",
    severity=Severity.ERROR,
    reason=(
        "A file that is only named by its digest must be held by the institution, from an "
        "earlier version"
    ),
    remedy="Send the whole bag, with every file",
)
SIGNATURE_MISSING = Rule(
    code="package-signature-missing",
    severity=Severity.ERROR,
    reason="The institution takes bags in that are signed by somebody it knows",
    remedy="Sign the bag with a key that the institution knows, and send it again",
)
FETCH_REFUSED = Rule(
    code="package-fetch-refused",
    severity=Severity.ERROR,
    reason="Nothing is fetched without being asked, and then only over https from named hosts",
    remedy="Send the whole bag, with every file",
)
FETCHED_DIFFERS = Rule(
    code="package-fetched-differs",
    severity=Severity.ERROR,
    reason="What was fetched must have the length and the digest that the bag states",
    remedy="Send the whole bag, with every file",
)
