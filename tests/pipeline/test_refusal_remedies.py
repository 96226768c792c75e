"""What a letter tells a depositor to do: something for every reason, and never what others must do.

The reasons of a refusal are findings of the rooms that look at packages, bags and profiles.
"""

from __future__ import annotations

import pytest

from archiver.custody import deposit_rules
from archiver.custody import rules as custody_rules
from archiver.findings import RULES, Rule, Severity, Where
from archiver.package import package_rules, profile_rules
from archiver.package import rules as bag_rules
from archiver.pipeline import fitness_rules
from archiver.pipeline.refusal_remedies import REMEDIES, for_sender

ROOMS = (bag_rules, package_rules, profile_rules, custody_rules, deposit_rules, fitness_rules)
NO_REASONS = {
    # Of what is held, or of a ledger; what arrives is compared with neither.
    "bag-gone",
    "damage-not-taken-back",
    "manifest-not-as-recorded",
    "signature-gone",
    "signature-of-another-key",
    "ledger-entry-edited",
    "ledger-entry-removed",
    "ledger-entry-reordered",
    "ledger-entry-rewritten",
    "ledger-head-differs",
    # Of unpacking alone; receiving completes such a bag, or says why it cannot.
    "package-not-whole",
    # Of packing.
    "package-bag-not-complete",
    # Of receipts, which the depositor reads.
    "receipt-digest-differs",
    "receipt-of-another-deposit",
    "receipt-of-another-institution",
    "receipt-refuses",
    # Of the institution's own profiles, which stop receiving before it begins.
    "profile-contradiction",
    "profile-key-missing",
    "profile-key-value",
    "profile-unreadable",
    "institution-bagit-profile-missing",
    "institution-digests-contradiction",
    "institution-form-contradiction",
}


def errors() -> dict[str, Rule]:
    found = [rule for room in ROOMS for rule in vars(room).values() if isinstance(rule, Rule)]
    return {rule.code: rule for rule in found if rule.severity is Severity.ERROR}


def test_every_rule_that_can_be_a_reason_tells_the_depositor_what_to_do() -> None:
    assert set(REMEDIES) | NO_REASONS == set(errors())
    assert not set(REMEDIES) & NO_REASONS


@pytest.mark.parametrize("code", sorted(REMEDIES))
def test_what_to_do_can_be_done_by_whoever_sent_the_package(code: str) -> None:
    remedy = for_sender(RULES[code].at(Where(file="x"), "found")).remedy
    first, *words = remedy.split()
    assert first in {
        "Ask", "Find", "Give", "If", "Make", "Pack", "Send", "Sign", "Verify",
    }  # fmt: skip
    for others in ("sender", "unpack", "raise the limit", "Ask for the", "another copy of the bag"):
        assert others not in remedy
    assert {"send", "sent", "Send"} & {word.strip(",;") for word in (first, *words)} or (
        "institution" in remedy
    )


@pytest.mark.parametrize("code", ["institution-sender-unknown", "package-signature-missing"])
def test_whom_else_the_institution_knows_is_not_told(code: str) -> None:
    finding = RULES[code].at(Where(file="bag-info.txt"), "found", accepted="Museum A, Museum B")
    assert for_sender(finding).accepted == ""
