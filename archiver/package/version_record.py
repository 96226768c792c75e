"""What a new version of a bag replaces, and what of the payload it changes.

The record is ``metadata/version.json``; its schema is ``version.schema.json``. Files are told
apart by digest: a file of the same content is unchanged, wherever it lies.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from archiver.errors import InputError

__all__ = [
    "VERSION_RECORD",
    "ChangedFile",
    "ListedFile",
    "PayloadChanges",
    "RenamedFile",
    "VersionRecord",
    "decode_version",
    "encode_version",
    "payload_changes",
]

VERSION_RECORD = "metadata/version.json"
_SCHEMA = "version 1"


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedFile:
    """A payload file: path in its bag, lower-case hexadecimal digest, bytes."""

    file: str
    digest: str
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangedFile:
    """A file that has the same path and other content.

    ``same_sound`` says of a master whether its samples are those of the earlier one; None
    where that is not known.
    """

    file: str
    digest: str
    size_bytes: int
    earlier_digest: str
    same_sound: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RenamedFile:
    """A file of the same content under another path."""

    file: str
    earlier_file: str
    digest: str
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PayloadChanges:
    """The payload of one version against that of the version before, each sorted by path."""

    unchanged: tuple[ListedFile, ...] = ()
    changed: tuple[ChangedFile, ...] = ()
    renamed: tuple[RenamedFile, ...] = ()
    added: tuple[ListedFile, ...] = ()
    removed: tuple[ListedFile, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class VersionRecord:
    """The record.

    Parameters
    ----------
    bag : str
        Name of the new bag.
    version : int
        Its version.
    session : str
        Identifier of the session.
    replaces : str
        Name of the bag that it replaces.
    replaces_version : int
        Version of that bag.
    tag_manifests : tuple of (str, str)
        Name and SHA-256 of each tag manifest of that bag, which stand for all of it.
    reason : str
        Why there is a new version; may be empty.
    algorithm : str
        Of the digests.
    changes : PayloadChanges
    """

    bag: str
    version: int
    session: str
    replaces: str
    replaces_version: int
    tag_manifests: tuple[tuple[str, str], ...]
    reason: str = ""
    algorithm: str
    changes: PayloadChanges


def payload_changes(
    before: Iterable[ListedFile],
    after: Iterable[ListedFile],
    *,
    same_sound: Mapping[str, bool] | None = None,
) -> PayloadChanges:
    """Compare the payload of two versions by path and digest.

    Parameters
    ----------
    before, after : iterable of ListedFile
        Digests of one algorithm, each path once.
    same_sound : mapping of str to bool, optional
        By path, for masters that are in both.
    """
    old = {one.file: one for one in before}
    new = {one.file: one for one in after}
    sound = same_sound or {}
    gone = {path: one for path, one in sorted(old.items()) if path not in new}
    by_digest: dict[str, list[str]] = {}
    for path, one in gone.items():
        by_digest.setdefault(one.digest, []).append(path)
    unchanged: list[ListedFile] = []
    changed: list[ChangedFile] = []
    renamed: list[RenamedFile] = []
    added: list[ListedFile] = []
    for path, one in sorted(new.items()):
        if path not in old:
            # Each file that is gone explains one new name at most.
            if by_digest.get(one.digest):
                was = by_digest[one.digest].pop(0)
                del gone[was]
                renamed.append(
                    RenamedFile(
                        file=path, earlier_file=was, digest=one.digest, size_bytes=one.size_bytes
                    )
                )
            else:
                added.append(one)
        elif old[path].digest == one.digest:
            unchanged.append(one)
        else:
            changed.append(
                ChangedFile(
                    file=path,
                    digest=one.digest,
                    size_bytes=one.size_bytes,
                    earlier_digest=old[path].digest,
                    same_sound=sound.get(path),
                )
            )
    return PayloadChanges(
        unchanged=tuple(unchanged),
        changed=tuple(changed),
        renamed=tuple(renamed),
        added=tuple(added),
        removed=tuple(gone.values()),
    )


def encode_version(record: VersionRecord) -> bytes:
    """Return the record as JSON in UTF-8, always in the same bytes."""
    changes = record.changes
    document = {
        "schema": _SCHEMA,
        "bag": record.bag,
        "version": record.version,
        "session": record.session,
        "reason": record.reason or None,
        "replaces": {
            "bag": record.replaces,
            "version": record.replaces_version,
            "tag_manifests": [
                {"file": name, "sha256": digest} for name, digest in record.tag_manifests
            ],
        },
        "digest_algorithm": record.algorithm,
        "unchanged": [_listed(one) for one in changes.unchanged],
        "changed": [
            {
                "file": one.file,
                "digest": one.digest,
                "size_bytes": one.size_bytes,
                "earlier_digest": one.earlier_digest,
            }
            | ({} if one.same_sound is None else {"same_sound": one.same_sound})
            for one in changes.changed
        ],
        "renamed": [
            {
                "file": one.file,
                "earlier_file": one.earlier_file,
                "digest": one.digest,
                "size_bytes": one.size_bytes,
            }
            for one in changes.renamed
        ],
        "added": [_listed(one) for one in changes.added],
        "removed": [_listed(one) for one in changes.removed],
    }
    return (json.dumps(document, ensure_ascii=False, indent=2) + "\n").encode()


def _listed(one: ListedFile) -> dict[str, Any]:
    return {"file": one.file, "digest": one.digest, "size_bytes": one.size_bytes}


def decode_version(content: bytes) -> VersionRecord:
    """Read the record.

    Raises
    ------
    InputError
        It is none.
    """
    try:
        document = json.loads(content.decode("utf-8"))
        replaces = document["replaces"]
        return VersionRecord(
            bag=_text(document["bag"]),
            version=_number(document["version"]),
            session=_text(document["session"]),
            replaces=_text(replaces["bag"]),
            replaces_version=_number(replaces["version"]),
            tag_manifests=tuple(
                (_text(one["file"]), _text(one["sha256"])) for one in replaces["tag_manifests"]
            ),
            reason=_text(document["reason"] or ""),
            algorithm=_text(document["digest_algorithm"]),
            changes=PayloadChanges(
                unchanged=_files(document["unchanged"]),
                changed=tuple(
                    ChangedFile(
                        file=_text(one["file"]),
                        digest=_text(one["digest"]),
                        size_bytes=_number(one["size_bytes"]),
                        earlier_digest=_text(one["earlier_digest"]),
                        same_sound=_truth(one.get("same_sound")),
                    )
                    for one in document["changed"]
                ),
                renamed=tuple(
                    RenamedFile(
                        file=_text(one["file"]),
                        earlier_file=_text(one["earlier_file"]),
                        digest=_text(one["digest"]),
                        size_bytes=_number(one["size_bytes"]),
                    )
                    for one in document["renamed"]
                ),
                added=_files(document["added"]),
                removed=_files(document["removed"]),
            ),
        )
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise InputError(
            f"is no record of a version ({type(error).__name__}: {error})",
            where=VERSION_RECORD,
            accepted="a document as version.schema.json describes it",
            remedy="Verify the bag it belongs to",
        ) from error


def _files(listed: Iterable[Mapping[str, Any]]) -> tuple[ListedFile, ...]:
    return tuple(
        ListedFile(
            file=_text(one["file"]),
            digest=_text(one["digest"]),
            size_bytes=_number(one["size_bytes"]),
        )
        for one in listed
    )


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is no text")
    return value


def _number(value: object) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise TypeError(f"{value!r} is no whole number")
    return value


def _truth(value: object) -> bool | None:
    if value is not None and not isinstance(value, bool):
        raise TypeError(f"{value!r} is neither true nor false")
    return value
