"""Why a package is refused: each kind of hostile or damaged package has a code of its own.

Sources: the drafts of BagIt before RFC 8493 (one bag, one top directory), RFC 8493 section 5
(paths), POSIX.1-2017 pax (tar), PKWARE APPNOTE 6.3.10 (zip), RFC 1952 (gzip), RFC 8878
(Zstandard). That anything but plain files and directories is refused is the house's own rule.
"""

from __future__ import annotations

from archiver.findings import Rule, Severity

__all__ = [
    "BAG_DIFFERS",
    "BAG_NOT_COMPLETE",
    "CHECKSUM_OF_ENTRY",
    "COMPRESSION_DAMAGED",
    "DEPTH",
    "ENCRYPTED",
    "END_MISSING",
    "ENTRIES_OVERLAP",
    "FORM_DISAGREES",
    "FORM_UNKNOWN",
    "HEADERS_DISAGREE",
    "HEADER_CHAIN",
    "HEADER_DAMAGED",
    "HEADER_FIELD",
    "KIND_DEVICE",
    "KIND_HARD_LINK",
    "KIND_LINK",
    "KIND_PIPE",
    "KIND_SPARSE",
    "KIND_UNKNOWN",
    "METHOD_UNKNOWN",
    "MORE_THAN_ANNOUNCED",
    "NAMES_ONE",
    "NAME_CHARACTER",
    "NAME_DEVICE",
    "NAME_ENCODING",
    "NAME_LONG",
    "NAME_NUL",
    "NAME_REPEATED",
    "NAME_TRAILING",
    "NOTHING",
    "NOT_PORTABLE",
    "NOT_WHOLE",
    "NO_BAG",
    "PARTS_DISAGREE",
    "PATH_ABSOLUTE",
    "PATH_BACKSLASH",
    "PATH_CLIMBS",
    "PATH_CONFLICT",
    "PATH_DRIVE",
    "PATH_HOME",
    "PATH_UNC",
    "PATH_UNCLEAR",
    "RATIO",
    "SEVERAL_DISKS",
    "SIZE_IMPOSSIBLE",
    "TOO_MANY",
    "TOO_MUCH",
    "TOP_NAME",
    "TOP_NOT_ONE",
    "TOP_NO_DIRECTORY",
    "TRAILING_DATA",
    "TRUNCATED",
    "WINDOW",
]

_SENDER = "Do not unpack this package by other means; ask its sender for a plain one"
_AGAIN = "Ask for the package once more, and compare its digest with the one the sender states"
_RAISE = "If the sender is known and the package is meant, raise the limit and unpack it again"
_RENAME = "Give the file another name in the bag, or allow names of any kind on both sides"


def _error(code: str, reason: str, remedy: str) -> Rule:
    return Rule(code=f"package-{code}", severity=Severity.ERROR, reason=reason, remedy=remedy)


FORM_UNKNOWN = _error(
    "form-unknown",
    "A bag travels as tar, gzip or Zstandard over tar, or zip",
    "Ask for the bag in one of the accepted forms",
)
FORM_DISAGREES = _error(
    "form-disagrees",
    "A file whose name states another form than its content may slip past other checks",
    "Find out what the file is, and give it the ending of its form",
)
PATH_ABSOLUTE = _error("path-absolute", "An absolute path leads out of the target", _SENDER)
PATH_DRIVE = _error("path-drive", "A path with a drive leads out of the target", _SENDER)
PATH_UNC = _error("path-network", "A path to a network share leads out of the target", _SENDER)
PATH_BACKSLASH = _error(
    "path-backslash", "A backslash parts directories on some systems and not on others", _SENDER
)
PATH_CLIMBS = _error("path-climbs", "A path with '..' may lead out of the target", _SENDER)
PATH_HOME = _error(
    "path-home", "Some programs put a home directory or a variable in such a place", _SENDER
)
PATH_UNCLEAR = _error(
    "path-unclear", "A path with empty or '.' components is read differently", _SENDER
)
PATH_CONFLICT = _error(
    "path-conflict", "What is a file and a directory at once cannot be unpacked", _SENDER
)
DEPTH = _error("path-deep", "So many directories in each other are no bag's", _RAISE)
NAME_NUL = _error("name-nul", "Some programs end a name at a NUL, others do not", _SENDER)
NAME_ENCODING = _error("name-encoding", "A name that is not UTF-8 is read differently", _SENDER)
NAME_LONG = _error("name-long", "No common file system takes a name of this length", _SENDER)
NAME_DEVICE = _error("name-device", "Windows takes this name for a device", _RENAME)
NAME_TRAILING = _error("name-trailing", "Windows drops a full stop or blank at the end", _RENAME)
NAME_CHARACTER = _error("name-character", "Windows refuses this character in a name", _RENAME)
NAME_REPEATED = _error("name-repeated", "Of two entries of one name the last would win", _SENDER)
NAMES_ONE = _error("names-one", "Some systems hold these names as one", _RENAME)
NOT_PORTABLE = frozenset(
    rule.code for rule in (NAME_DEVICE, NAME_TRAILING, NAME_CHARACTER, NAMES_ONE)
)
"""Codes of names that only some systems refuse, and that can be allowed."""
TOP_NOT_ONE = _error("several-tops", "A package holds one bag, in one top directory", _SENDER)
TOP_NO_DIRECTORY = _error("top-no-directory", "A file beside the bag is no part of it", _SENDER)
TOP_NAME = _error("top-name", "A hidden directory is no place for a bag", _SENDER)
NOTHING = _error("empty", "There is no bag in the package", _AGAIN)
KIND_LINK = _error("link", "A link may lead anywhere, and through it a later entry", _SENDER)
KIND_HARD_LINK = _error("hard-link", "A hard link may reach a file outside the target", _SENDER)
KIND_DEVICE = _error("device", "A device is no content of a bag", _SENDER)
KIND_PIPE = _error("pipe", "A pipe or socket is no content of a bag", _SENDER)
KIND_SPARSE = _error("sparse", "A sparse file announces another size than it takes", _SENDER)
KIND_UNKNOWN = _error("entry-unknown", "Only files and directories are unpacked", _SENDER)
HEADER_DAMAGED = _error(
    "header-damaged",
    "What a header announces that disagrees with its checksum cannot be relied on",
    _AGAIN,
)
HEADER_FIELD = _error(
    "header-field", "Programs read a field without a proper value in different ways", _SENDER
)
HEADER_CHAIN = _error("header-chain", "An entry has one header of each kind at most", _SENDER)
HEADERS_DISAGREE = _error(
    "headers-disagree", "What is said twice in different ways is read differently", _SENDER
)
SIZE_IMPOSSIBLE = _error("size-impossible", "No entry can be of this size", _SENDER)
TOO_MANY = _error("too-many", "So many entries may use up the file system", _RAISE)
TOO_MUCH = _error("too-much", "So much content may fill the disk", _RAISE)
RATIO = _error("ratio", "Content that unpacks to so many times its size may fill the disk", _RAISE)
WINDOW = _error("window", "Unpacking this would take more memory than it is worth", _SENDER)
MORE_THAN_ANNOUNCED = _error(
    "more-than-announced", "An entry that holds more than it says is made to fill the disk", _SENDER
)
ENTRIES_OVERLAP = _error(
    "entries-overlap", "Entries that share bytes make much out of little", _SENDER
)
ENCRYPTED = _error("encrypted", "What is encrypted cannot be verified for decades", _SENDER)
METHOD_UNKNOWN = _error("method-unknown", "Entries are stored or deflated, nothing else", _SENDER)
SEVERAL_DISKS = _error("several-disks", "A zip over several disks is not taken", _SENDER)
TRAILING_DATA = _error(
    "unaccounted-data", "Bytes that belong to no entry may hold another package", _SENDER
)
TRUNCATED = _error("truncated", "The package ends before its content does", _AGAIN)
END_MISSING = _error("end-missing", "The end of the package is not where it should be", _AGAIN)
COMPRESSION_DAMAGED = _error(
    "compression-damaged",
    "From damaged compressed data nothing can be unpacked that is sure",
    _AGAIN,
)
CHECKSUM_OF_ENTRY = _error(
    "entry-damaged", "Content that disagrees with its checksum is not what was packed", _AGAIN
)
BAG_DIFFERS = _error("bag-differs", "What was unpacked is not what the bag's manifests say", _AGAIN)
NO_BAG = _error(
    "no-bag",
    "A bag has bagit.txt and a manifest in its top directory",
    "Ask whoever sent it for a bag; a package of another kind is unpacked by another program",
)
NOT_WHOLE = _error(
    "not-whole",
    "A bag of which files were left out is compared with its manifests only when it has them",
    "Take it in with `archiver receive`, which completes it from the earlier version in the "
    "store and, with --fetch-from, from a URL. Or ask for the whole bag",
)
BAG_NOT_COMPLETE = _error(
    "bag-not-complete", "Only a complete bag is packed", "Verify the bag and repair it first"
)
PARTS_DISAGREE = _error(
    "parts-disagree",
    "The parts are joined only as their list says",
    "Fetch the part again, or the list",
)
