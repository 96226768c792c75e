"""What can be wrong with a bag, each rule with its reason and remedy.

Sources: RFC 8493 (BagIt 1.0), clause named in each reason. "House" marks a rule that no
standard asks for.
"""

from __future__ import annotations

from archiver.findings import Rule, Severity

__all__ = [
    "ALGORITHM_UNKNOWN",
    "ALGORITHM_WEAK",
    "CHECKSUM_DIFFERS",
    "CHECKSUM_MALFORMED",
    "DATA_MISSING",
    "DECLARATION_MALFORMED",
    "DECLARATION_MISSING",
    "DECLARATION_VERSION",
    "ENCODING",
    "FETCH_MALFORMED",
    "FETCH_PENDING",
    "FETCH_UNLISTED",
    "FILE_MISSING",
    "FILE_NOT_OPENED",
    "FILE_RENAMED",
    "FILE_SPECIAL",
    "FILE_UNLISTED",
    "FILE_UNREADABLE",
    "INFO_MALFORMED",
    "INFO_REPEATED",
    "INFO_VALUE",
    "LINE_DUPLICATE",
    "LINE_DUPLICATE_EQUAL",
    "LINE_MALFORMED",
    "LINE_MARKED",
    "LINK",
    "LINK_INSIDE",
    "MANIFEST_MISSING",
    "NAMES_COLLIDE",
    "NAME_CHANGED",
    "NAME_OBSTACLE",
    "NAME_OTHER_FORM",
    "OXUM",
    "PATH_DANGEROUS",
    "PATH_MISPLACED",
    "PATH_NOT_CANONICAL",
    "PERCENT_STRAY",
    "READING_UNSTEADY",
    "RECOVERY_DAMAGED",
    "RECOVERY_OTHER_BAG",
    "RECOVERY_UNUSABLE",
    "SIGNATURE_BAD",
    "SIGNATURE_NOT_ACCEPTED",
    "SIGNATURE_UNKNOWN",
    "SIGNATURE_UNREADABLE",
    "SYSTEM_FILE",
    "TAG_MANIFEST_INCOMPLETE",
    "TAG_MANIFEST_MISSING",
    "TAG_UNLISTED",
]

_OTHER_COPY = "Take the file from another copy of the bag"
_SENDER = "Ask the maker of the bag for a corrected one"

DECLARATION_MISSING = Rule(
    code="bag-declaration-missing",
    severity=Severity.ERROR,
    reason="Without bagit.txt a folder is not a bag (RFC 8493 section 2.1.1)",
    remedy="Check that this folder is a bag, and take bagit.txt from another copy",
)
DECLARATION_MALFORMED = Rule(
    code="bag-declaration-malformed",
    severity=Severity.ERROR,
    reason="bagit.txt holds exactly two lines in a fixed form (RFC 8493 section 2.1.1)",
    remedy=_SENDER,
)
DECLARATION_VERSION = Rule(
    code="bag-version-unknown",
    severity=Severity.ERROR,
    reason="The rules of this version of BagIt are not known here",
    remedy="Use a program that knows this version",
)
ENCODING = Rule(
    code="bag-text-encoding",
    severity=Severity.ERROR,
    reason="Tag files are in the encoding that bagit.txt names (RFC 8493 section 2.3)",
    remedy=_SENDER,
)
DATA_MISSING = Rule(
    code="bag-data-missing",
    severity=Severity.ERROR,
    reason="The payload lies in the directory data (RFC 8493 section 2.1.2)",
    remedy="Take the bag from another copy",
)
MANIFEST_MISSING = Rule(
    code="bag-manifest-missing",
    severity=Severity.ERROR,
    reason="A bag has at least one payload manifest (RFC 8493 section 2.1.3)",
    remedy="Take the manifest from another copy of the bag",
)
TAG_MANIFEST_MISSING = Rule(
    code="bag-tag-manifest-missing",
    severity=Severity.WARNING,
    reason="Without a tag manifest a change of the manifests stays unseen (RFC 8493 2.2.1)",
    remedy="Nothing to do for validity; compare the manifests with another copy",
)
TAG_MANIFEST_INCOMPLETE = Rule(
    code="bag-tag-manifest-incomplete",
    severity=Severity.ERROR,
    reason="A tag manifest lists every payload manifest (RFC 8493 section 2.2.1)",
    remedy=_SENDER,
)
ALGORITHM_UNKNOWN = Rule(
    code="bag-algorithm-unknown",
    severity=Severity.ERROR,
    reason="Every checksum has to be verified before a bag is valid (RFC 8493 section 3)",
    remedy="Use a machine whose Python knows this algorithm",
)
ALGORITHM_WEAK = Rule(
    code="bag-algorithm-weak",
    severity=Severity.WARNING,
    reason="MD5 and SHA-1 find accidents but not intent (RFC 8493 section 2.4)",
    remedy="Make a new version of the bag with SHA-256",
)
LINE_MALFORMED = Rule(
    code="bag-line-malformed",
    severity=Severity.ERROR,
    reason="A manifest line is a checksum, blanks and a path (RFC 8493 section 2.1.3)",
    remedy="Take this manifest from another copy of the bag",
)
CHECKSUM_MALFORMED = Rule(
    code="bag-checksum-malformed",
    severity=Severity.ERROR,
    reason="A checksum is hexadecimal and as long as its algorithm makes it (RFC 8493 2.1.3)",
    remedy="Take this manifest from another copy of the bag",
)
LINE_MARKED = Rule(
    code="bag-line-marked",
    severity=Severity.WARNING,
    reason="Marks of checksum programs are no part of a manifest line (RFC 8493 section 6.2)",
    remedy="Have the manifest written anew without the asterisk before each path",
)
LINE_DUPLICATE = Rule(
    code="bag-line-duplicate",
    severity=Severity.ERROR,
    reason="Each file stands in a manifest exactly once (RFC 8493 section 2.1.3)",
    remedy=_SENDER,
)
LINE_DUPLICATE_EQUAL = Rule(
    code="bag-line-repeated",
    severity=Severity.WARNING,
    reason="Before BagIt 1.0 a line could stand twice if both said the same (house)",
    remedy="Nothing to do for validity",
)
PATH_DANGEROUS = Rule(
    code="bag-path-dangerous",
    severity=Severity.ERROR,
    reason="No path may lead out of the bag (RFC 8493 section 5.1)",
    remedy="Do not trust this bag before its maker has explained the path",
)
PATH_MISPLACED = Rule(
    code="bag-path-misplaced",
    severity=Severity.ERROR,
    reason=(
        "Payload manifests list files below data/, tag manifests others and no tag manifest "
        "(RFC 8493 sections 2.1.3 and 2.2.1)"
    ),
    remedy=_SENDER,
)
PATH_NOT_CANONICAL = Rule(
    code="bag-path-not-canonical",
    severity=Severity.WARNING,
    reason="A path has no empty and no '.' components (RFC 8493 section 2.1.3)",
    remedy="Nothing to do for validity; have the manifest written anew",
)
PERCENT_STRAY = Rule(
    code="bag-percent-stray",
    severity=Severity.ERROR,
    reason="Only LF, CR and % are percent-encoded in a path, and always (RFC 8493 2.1.3)",
    remedy=_SENDER,
)
FILE_MISSING = Rule(
    code="bag-file-missing",
    severity=Severity.ERROR,
    reason="Every listed file is present in a complete bag (RFC 8493 section 3)",
    remedy=_OTHER_COPY,
)
FILE_RENAMED = Rule(
    code="bag-file-renamed",
    severity=Severity.ERROR,
    reason="Names are part of what a manifest states (RFC 8493 section 2.1.3)",
    remedy="Give the file its listed name back",
)
FILE_UNLISTED = Rule(
    code="bag-file-unlisted",
    severity=Severity.ERROR,
    reason="Every payload file stands in every payload manifest (RFC 8493 section 3)",
    remedy="Find out who put the file there; move it out of the bag if it does not belong",
)
TAG_UNLISTED = Rule(
    code="bag-tag-unlisted",
    severity=Severity.NOTE,
    reason="A tag file in no tag manifest is not protected (RFC 8493 section 2.2.1)",
    remedy="Nothing to do for validity",
)
FILE_UNREADABLE = Rule(
    code="bag-file-unreadable",
    severity=Severity.ERROR,
    reason="What cannot be read cannot be verified",
    remedy=_OTHER_COPY,
)
FILE_NOT_OPENED = Rule(
    code="bag-file-not-opened",
    severity=Severity.ERROR,
    reason="What cannot be opened cannot be verified",
    remedy="Check the permissions and the disk, then verify again",
)
FILE_SPECIAL = Rule(
    code="bag-file-special",
    severity=Severity.ERROR,
    reason="A bag holds files and directories only, no devices and pipes (house)",
    remedy="Do not trust this bag before its maker has explained the file",
)
LINK = Rule(
    code="bag-link",
    severity=Severity.ERROR,
    reason="A link that leads out of the bag, or to nothing, holds no content (house)",
    remedy="Replace the link with the file that is meant, from its maker or another copy",
)
LINK_INSIDE = Rule(
    code="bag-link-inside",
    severity=Severity.WARNING,
    reason="Links do not survive every copy (house)",
    remedy="Replace the link with a copy of the file",
)
CHECKSUM_DIFFERS = Rule(
    code="bag-checksum-differs",
    severity=Severity.ERROR,
    reason="The content of the file is not what the manifest says (RFC 8493 section 3)",
    remedy=_OTHER_COPY,
)
READING_UNSTEADY = Rule(
    code="bag-reading-unsteady",
    severity=Severity.WARNING,
    reason="A file that reads differently twice points to cable, memory or controller",
    remedy="Check this machine and its disk before trusting any of its readings",
)
OXUM = Rule(
    code="bag-oxum",
    severity=Severity.ERROR,
    reason="Payload-Oxum states the octets and files of the payload, once (RFC 8493 2.2.2)",
    remedy="See the other findings; the bag is incomplete or its bag-info.txt was changed",
)
INFO_MALFORMED = Rule(
    code="bag-info-malformed",
    severity=Severity.ERROR,
    reason="A line of bag-info.txt is a label, a colon, one blank and a value (RFC 8493 2.2.2)",
    remedy=_SENDER,
)
INFO_VALUE = Rule(
    code="bag-info-value",
    severity=Severity.WARNING,
    reason="The RFC states the form of this value (RFC 8493 section 2.2.2)",
    remedy="Nothing to do for validity",
)
INFO_REPEATED = Rule(
    code="bag-info-repeated",
    severity=Severity.WARNING,
    reason="This element should stand once (RFC 8493 section 2.2.2)",
    remedy="Nothing to do for validity",
)
FETCH_MALFORMED = Rule(
    code="bag-fetch-malformed",
    severity=Severity.ERROR,
    reason="A line of fetch.txt is a URL, a length or '-', and a payload path (RFC 8493 2.2.3)",
    remedy=_SENDER,
)
FETCH_UNLISTED = Rule(
    code="bag-fetch-unlisted",
    severity=Severity.ERROR,
    reason="Every file of fetch.txt stands in every payload manifest (RFC 8493 2.2.3)",
    remedy=_SENDER,
)
FETCH_PENDING = Rule(
    code="bag-fetch-pending",
    severity=Severity.ERROR,
    reason="A bag is complete only when everything in fetch.txt was fetched (RFC 8493 section 3)",
    remedy="Ask for the whole bag: nothing is fetched from a network here",
)
NAME_OTHER_FORM = Rule(
    code="bag-name-other-form",
    severity=Severity.WARNING,
    reason="Manifest and disk write the name in another form (RFC 8493 section 6.1)",
    remedy="Nothing to do for validity; the copy went through a system that changes names",
)
NAMES_COLLIDE = Rule(
    code="bag-names-collide",
    severity=Severity.WARNING,
    reason="Some systems hold these names as one (RFC 8493 section 6.1)",
    remedy="Keep the bag on a file system that tells them apart",
)
NAME_OBSTACLE = Rule(
    code="bag-name-obstacle",
    severity=Severity.WARNING,
    reason="Another system refuses or changes this name (RFC 8493 section 6.1.2)",
    remedy="Keep the bag in an archive file when it goes to such a system",
)
NAME_CHANGED = Rule(
    code="bag-name-changed",
    severity=Severity.NOTE,
    reason="Names in our bags are ones that every system takes (house)",
    remedy="Nothing to do; the original name is kept in the description",
)
SYSTEM_FILE = Rule(
    code="bag-system-file",
    severity=Severity.WARNING,
    reason="Systems make and remove such files by themselves, which breaks the bag (house)",
    remedy="Nothing to do for validity; leave such files out of the next version",
)
RECOVERY_DAMAGED = Rule(
    code="recovery-damaged",
    severity=Severity.ERROR,
    reason="Recovery data that was damaged itself restores less, or nothing (house)",
    remedy="If the bag is intact, make the recovery data anew with archiver protect --replace",
)
RECOVERY_OTHER_BAG = Rule(
    code="recovery-of-another-state",
    severity=Severity.ERROR,
    reason="Recovery data brings back the bag that it was made of (house)",
    remedy="Find out which manifests are right; if the bag's are, make the recovery data anew",
)
RECOVERY_UNUSABLE = Rule(
    code="recovery-unusable",
    severity=Severity.ERROR,
    reason="Without its list of digests recovery data cannot be verified (house)",
    remedy="If the bag is intact, make the recovery data anew with archiver protect --replace",
)
SIGNATURE_BAD = Rule(
    code="signature-bad",
    severity=Severity.ERROR,
    reason="A signature answers for the tag manifest as it was when it was signed (house)",
    remedy="Take the tag manifest from another copy of the bag; do not sign again before that",
)
SIGNATURE_UNREADABLE = Rule(
    code="signature-unreadable",
    severity=Severity.ERROR,
    reason="A signature that cannot be read answers for nothing (house)",
    remedy="Take the signature from another copy of the bag",
)
SIGNATURE_NOT_ACCEPTED = Rule(
    code="signature-not-accepted",
    severity=Severity.ERROR,
    reason="Whoever names accepted signers asks for a signature of one of them: a bag without it "
    "could be anybody's, whatever its checksums say (house)",
    remedy="If it was signed before, take the signature from another copy and find out who "
    "removed or replaced it; if not, have it signed, or ask for no signature",
)
SIGNATURE_UNKNOWN = Rule(
    code="signature-signer-unknown",
    severity=Severity.WARNING,
    reason="Anyone can sign; it matters who did (house)",
    remedy="Find out whose key this is, and add it to the list of signers if it is accepted",
)
