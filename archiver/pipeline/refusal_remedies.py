"""What a depositor can do about each reason of a refusal.

The remedies of the rules speak to whoever has the bag or the package before them; a letter
goes to whoever sent it, who has the bag at home and can correct, pack and send it once more.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from archiver.custody import deposit_rules as deposits
from archiver.custody import rules as custody
from archiver.findings import Finding, Rule
from archiver.package import package_rules as packages
from archiver.package import profile_rules as profiles
from archiver.package import rules as bags
from archiver.pipeline import fitness_rules as fitness

__all__ = ["REMEDIES", "for_sender"]

_AGAIN = (
    "Verify the bag where you keep it; if it is intact there, send it once more, and if it is "
    "not, repair it from another copy first"
)
_PACK_ANEW = (
    "Verify the bag where you keep it, pack it anew and send it once more; compare the digest of "
    "the package before and after"
)
_PLAIN = (
    "Pack the bag anew, as one folder that holds files and folders and nothing else, under the "
    "names that its manifests give them, and send it once more"
)
_CORRECT = (
    "Make a corrected bag and send that; if another made the bag for you, ask them for a "
    "corrected one"
)
_RENAME = "Make a new version of the bag in which the file has another name, and send that"
_LESS = "Send it in several bags, or ask the institution whether it takes so much"
_WHOLE = "Send the whole bag, with every file"
_NEW_VERSION = "Make a new version of the bag that is as the institution asks, and send that"
_IN_BAG_INFO = (
    "Make a new version of the bag that states it in bag-info.txt as the institution asks, and "
    "send that"
)
_SIGN = (
    "Sign the bag as it is now with a key that the institution knows, and send it once more with "
    "its signature"
)
_RECOVERY = (
    "Verify the bag where you keep it; if it is intact, make its recovery data anew, and send it "
    "once more"
)
_OTHER_FORM = (
    "Pack the bag anew in a form that the institution takes, such as a plain tar, and send it "
    "once more"
)

_BY_REMEDY: Mapping[str, tuple[Rule, ...]] = {
    _AGAIN: (
        bags.DATA_MISSING,
        bags.DECLARATION_MISSING,
        bags.MANIFEST_MISSING,
        bags.FILE_MISSING,
        bags.FILE_RENAMED,
        bags.FILE_UNREADABLE,
        bags.FILE_NOT_OPENED,
        bags.CHECKSUM_DIFFERS,
        bags.OXUM,
        bags.SIGNATURE_BAD,
        bags.SIGNATURE_UNREADABLE,
        custody.METADATA_CHANGED,
        custody.SOUND_DAMAGED,
        custody.SOUND_TRUNCATED,
        custody.SOUND_NOT_JUDGED,
    ),
    _PACK_ANEW: (
        packages.BAG_DIFFERS,
        packages.CHECKSUM_OF_ENTRY,
        packages.COMPRESSION_DAMAGED,
        packages.END_MISSING,
        packages.HEADER_DAMAGED,
        packages.NOTHING,
        packages.TRUNCATED,
    ),
    _PLAIN: (
        bags.LINK,
        bags.FILE_SPECIAL,
        packages.ENTRIES_OVERLAP,
        packages.HEADERS_DISAGREE,
        packages.HEADER_CHAIN,
        packages.HEADER_FIELD,
        packages.KIND_DEVICE,
        packages.KIND_HARD_LINK,
        packages.KIND_LINK,
        packages.KIND_PIPE,
        packages.KIND_SPARSE,
        packages.KIND_UNKNOWN,
        packages.MORE_THAN_ANNOUNCED,
        packages.NAME_NUL,
        packages.NAME_REPEATED,
        packages.NO_BAG,
        packages.PATH_ABSOLUTE,
        packages.PATH_BACKSLASH,
        packages.PATH_CLIMBS,
        packages.PATH_CONFLICT,
        packages.PATH_DRIVE,
        packages.PATH_HOME,
        packages.PATH_UNC,
        packages.PATH_UNCLEAR,
        packages.SIZE_IMPOSSIBLE,
        packages.TOP_NOT_ONE,
        packages.TOP_NO_DIRECTORY,
        packages.TRAILING_DATA,
    ),
    _CORRECT: (
        bags.DECLARATION_MALFORMED,
        bags.ENCODING,
        bags.TAG_MANIFEST_INCOMPLETE,
        bags.LINE_MALFORMED,
        bags.CHECKSUM_MALFORMED,
        bags.LINE_DUPLICATE,
        bags.PATH_DANGEROUS,
        bags.PATH_MISPLACED,
        bags.PERCENT_STRAY,
        bags.INFO_MALFORMED,
        bags.FETCH_MALFORMED,
        bags.FETCH_UNLISTED,
        custody.RECORD_MALFORMED,
        custody.SOUND_DISAGREES,
    ),
    _RENAME: (
        packages.NAMES_ONE,
        packages.NAME_CHARACTER,
        packages.NAME_DEVICE,
        packages.NAME_ENCODING,
        packages.NAME_LONG,
        packages.NAME_TRAILING,
        fitness.NAME_NOT_TAKEN,
    ),
    _LESS: (
        packages.TOO_MANY,
        packages.TOO_MUCH,
        fitness.BAG_TOO_LARGE,
    ),
    _WHOLE: (
        bags.FETCH_PENDING,
        deposits.FETCHED_DIFFERS,
        deposits.FETCH_REFUSED,
        deposits.REFERENCE_NOT_HELD,
    ),
    _NEW_VERSION: (
        profiles.BAG_FILE_MISSING,
        profiles.BAG_FILE_NOT_ALLOWED,
        profiles.BAG_MANIFEST_MISSING,
        profiles.BAG_MANIFEST_NOT_ALLOWED,
        profiles.BAG_PROFILE_NOT_NAMED,
        fitness.BAG_NAME,
        fitness.DIGEST_MISSING,
        fitness.DOCUMENT_MISSING,
        fitness.FILE_NAME,
        fitness.PAPER_MISSING,
    ),
    _IN_BAG_INFO: (
        profiles.BAG_INFO_MISSING,
        profiles.BAG_INFO_NOT_TAKEN,
        profiles.BAG_INFO_REPEATED,
        fitness.FIELD_MISSING,
        fitness.FIELD_NOT_TAKEN,
    ),
    _SIGN: (bags.SIGNATURE_NOT_ACCEPTED, deposits.SIGNATURE_MISSING),
    _RECOVERY: (bags.RECOVERY_DAMAGED, bags.RECOVERY_OTHER_BAG, bags.RECOVERY_UNUSABLE),
    _OTHER_FORM: (
        packages.FORM_UNKNOWN,
        packages.METHOD_UNKNOWN,
        packages.WINDOW,
        packages.RATIO,
        packages.SEVERAL_DISKS,
        profiles.BAG_SERIALISATION,
        deposits.FORM_NOT_TAKEN,
    ),
    "Give the package the ending of its form, such as .tar or .zip, and send it once more": (
        packages.FORM_DISAGREES,
    ),
    "Make a new version of the bag with fewer folders in each other, and send that": (
        packages.DEPTH,
    ),
    "Pack the bag anew without a password, and send it once more": (packages.ENCRYPTED,),
    "Give the folder of the bag a name that does not begin with a full stop, pack it anew, and "
    "send it once more": (packages.TOP_NAME,),
    "Send all parts of the package once more, together with their list": (packages.PARTS_DISAGREE,),
    "Send the package once more, and compare its digest before and after": (
        deposits.PACKAGE_DIFFERS,
    ),
    "Make the package anew from the bag, with its deposit.json if you send one, and send both "
    "once more": (deposits.PACKAGE_UNUSABLE,),
    "Send every package once more, and deposit.json last": (deposits.PACKAGE_MISSING,),
    "Find out what the file is; list it in the manifests of a new version if it belongs to the "
    "bag, else take it out, and send the bag once more": (bags.FILE_UNLISTED,),
    "Make a new version of the bag with SHA-256 or SHA-512 manifests, and send that": (
        bags.ALGORITHM_UNKNOWN,
    ),
    "Make the bag anew as BagIt 1.0 and send that": (bags.DECLARATION_VERSION,),
    "Ask the institution which version of BagIt it takes, and send the bag in that": (
        profiles.BAG_VERSION,
    ),
    "Ask the institution what it takes under this profile": (profiles.BAG_NOT_EMPTY,),
    "Send the whole bag, or with fetch.txt, as the institution's profile has it": (
        profiles.BAG_FETCH,
    ),
    "If it is a correction, send it as a new version, which has a name of its own; if it is "
    "another bag, give it another name": (deposits.NAME_HELD,),
    "Make a new version of the bag without its restricted part, and send that; keep the "
    "restricted part yourself": (fitness.RESTRICTED_PRESENT,),
    "Ask the institution for an agreement; if you have one, write your name in bag-info.txt of a "
    "new version as it stands there": (fitness.SENDER_UNKNOWN,),
}

REMEDIES: Mapping[str, str] = {
    rule.code: remedy for remedy, group in _BY_REMEDY.items() for rule in group
}
"""What the sender can do, by the code of the rule."""

# What would have been accepted is here a matter of the receiver's own: whom it knows.
_UNSAID = frozenset({fitness.SENDER_UNKNOWN.code, deposits.SIGNATURE_MISSING.code})


def for_sender(finding: Finding) -> Finding:
    """Turn a finding on a package to whoever sent it.

    The remedy becomes one for the sender; whom else the institution takes packages from is
    not told.
    """
    return replace(
        finding,
        accepted="" if finding.code in _UNSAID else finding.accepted,
        remedy=REMEDIES.get(finding.code, finding.remedy),
    )
