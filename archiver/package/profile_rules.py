"""What can be wrong with a BagIt Profile, and with a bag by a profile.

Source: BagIt Profiles specification 1.4.0; the keys that the reasons name are its own.
"""

from __future__ import annotations

from archiver.findings import Rule, Severity

__all__ = [
    "BAG_FETCH",
    "BAG_FILE_MISSING",
    "BAG_FILE_NOT_ALLOWED",
    "BAG_INFO_MISSING",
    "BAG_INFO_NOT_TAKEN",
    "BAG_INFO_RECOMMENDED",
    "BAG_INFO_REPEATED",
    "BAG_MANIFEST_MISSING",
    "BAG_MANIFEST_NOT_ALLOWED",
    "BAG_NOT_EMPTY",
    "BAG_OTHER_PROFILE",
    "BAG_PROFILE_NOT_NAMED",
    "BAG_SERIALISATION",
    "BAG_VERSION",
    "PROFILE_CONTRADICTION",
    "PROFILE_KEY_LOOSE",
    "PROFILE_KEY_MISSING",
    "PROFILE_KEY_UNKNOWN",
    "PROFILE_KEY_VALUE",
    "PROFILE_NEWER",
    "PROFILE_UNREADABLE",
]

_PUBLISHER = "Ask the institution for a corrected BagIt Profile"
_NEW_VERSION = "Make a new version of the bag that has it"

PROFILE_UNREADABLE = Rule(
    code="profile-unreadable",
    severity=Severity.ERROR,
    reason="A BagIt Profile is a JSON object in UTF-8 (BagIt Profiles 1.4.0)",
    remedy=_PUBLISHER,
)
PROFILE_KEY_MISSING = Rule(
    code="profile-key-missing",
    severity=Severity.ERROR,
    reason="The specification requires this key of a profile (BagIt Profiles 1.4.0)",
    remedy=_PUBLISHER,
)
PROFILE_KEY_VALUE = Rule(
    code="profile-key-value",
    severity=Severity.ERROR,
    reason="What cannot be read as the specification has it cannot be checked",
    remedy=_PUBLISHER,
)
PROFILE_KEY_UNKNOWN = Rule(
    code="profile-key-unknown",
    severity=Severity.WARNING,
    reason="What stands under a key that the specification does not have is not checked",
    remedy="Check the spelling of the key; bags are judged by the others",
)
PROFILE_KEY_LOOSE = Rule(
    code="profile-key-loose",
    severity=Severity.WARNING,
    reason="Other readers may take this otherwise or not at all; it is taken here as it is meant",
    remedy="Write it as the specification has it",
)
PROFILE_CONTRADICTION = Rule(
    code="profile-contradiction",
    severity=Severity.ERROR,
    reason="No bag can satisfy a profile that contradicts itself",
    remedy=_PUBLISHER,
)
PROFILE_NEWER = Rule(
    code="profile-version-newer",
    severity=Severity.WARNING,
    reason="Keys of a later edition of the specification are not checked here",
    remedy="Use a program that knows this edition, or check those keys by hand",
)
BAG_SERIALISATION = Rule(
    code="bag-profile-serialisation",
    severity=Severity.ERROR,
    reason="Serialization and Accept-Serialization say in which form bags are taken",
    remedy="Send the bag in a form that is taken",
)
BAG_VERSION = Rule(
    code="bag-profile-bagit-version",
    severity=Severity.ERROR,
    reason="Accept-BagIt-Version lists the versions of BagIt that are taken",
    remedy="Ask the institution whether it takes this version; bags made here are BagIt 1.0",
)
BAG_PROFILE_NOT_NAMED = Rule(
    code="bag-profile-not-named",
    severity=Severity.ERROR,
    reason="A bag that conforms to a profile names it as BagIt-Profile-Identifier",
    remedy="Archive with --for this institution, or make a new version of the bag that names it",
)
BAG_OTHER_PROFILE = Rule(
    code="bag-profile-other",
    severity=Severity.NOTE,
    reason="A bag may name several profiles; one that is not at hand is not checked",
    remedy="Nothing to do for this institution",
)
BAG_INFO_MISSING = Rule(
    code="bag-profile-info-missing",
    severity=Severity.ERROR,
    reason="Bag-Info of the profile requires this element of bag-info.txt",
    remedy=_NEW_VERSION,
)
BAG_INFO_RECOMMENDED = Rule(
    code="bag-profile-info-recommended",
    severity=Severity.WARNING,
    reason="Bag-Info of the profile recommends this element of bag-info.txt",
    remedy="Nothing to do for conformance",
)
BAG_INFO_NOT_TAKEN = Rule(
    code="bag-profile-info-value",
    severity=Severity.ERROR,
    reason="Bag-Info of the profile lists the values that are taken",
    remedy="Make a new version of the bag with a value that is taken",
)
BAG_INFO_REPEATED = Rule(
    code="bag-profile-info-repeated",
    severity=Severity.ERROR,
    reason="Bag-Info of the profile takes this element once only",
    remedy="Make a new version of the bag that states it once",
)
BAG_MANIFEST_MISSING = Rule(
    code="bag-profile-manifest-missing",
    severity=Severity.ERROR,
    reason="Manifests-Required and Tag-Manifests-Required list digest algorithms",
    remedy="Make a new version of the bag with this algorithm, see --digest",
)
BAG_MANIFEST_NOT_ALLOWED = Rule(
    code="bag-profile-manifest-not-allowed",
    severity=Severity.ERROR,
    reason="Manifests-Allowed and Tag-Manifests-Allowed list all algorithms that are taken",
    remedy="Make a new version of the bag without this algorithm, see --digest",
)
BAG_FETCH = Rule(
    code="bag-profile-fetch",
    severity=Severity.ERROR,
    reason="Allow-Fetch.txt and Fetch.txt-Required say whether a bag may or must have fetch.txt",
    remedy="Send the whole bag, or with fetch.txt, as the profile has it",
)
BAG_NOT_EMPTY = Rule(
    code="bag-profile-data-not-empty",
    severity=Severity.ERROR,
    reason="Data-Empty wants no payload, or one file of no bytes",
    remedy="Ask the institution what it takes under this profile",
)
BAG_FILE_MISSING = Rule(
    code="bag-profile-file-missing",
    severity=Severity.ERROR,
    reason="Tag-Files-Required and Payload-Files-Required list files that a bag must hold",
    remedy=_NEW_VERSION,
)
BAG_FILE_NOT_ALLOWED = Rule(
    code="bag-profile-file-not-allowed",
    severity=Severity.ERROR,
    reason="Tag-Files-Allowed and Payload-Files-Allowed list all files that a bag may hold",
    remedy="Make a new version of the bag without it, or ask the institution",
)
