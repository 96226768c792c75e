"""Recovery data beside a bag: what lies there, and whether it is as it was made.

``<bag>.recovery/`` holds PAR2 volumes, a list of digests of the bag's files as they were
(``contents-sha256.txt``), a list of digests of all that (``recovery-sha256.txt``), both in the
form of ``sha256sum``, and a record in JSON. The bag itself is not touched.

Source: Parity Volume Set Specification 2.0.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from archiver import files
from archiver.errors import ArchiverError, IntegrityError
from archiver.findings import Finding, Where
from archiver.package.hashing import Job, hash_all
from archiver.package.names import danger, decode_path, shown
from archiver.package.rules import RECOVERY_DAMAGED, RECOVERY_OTHER_BAG, RECOVERY_UNUSABLE

__all__ = [
    "CHECKSUMS",
    "CONTENTS",
    "RECORD",
    "RECOVERY_SUFFIX",
    "RecoveryRecord",
    "RecoveryReport",
    "check_recovery",
    "contents_of",
    "recovery_place",
    "volumes_of",
]

RECOVERY_SUFFIX = ".recovery"
CONTENTS = "contents-sha256.txt"
CHECKSUMS = "recovery-sha256.txt"
RECORD = "recovery.json"
_SCHEMA = "recovery 1"
_LARGEST_LIST_BYTES = 1 << 30
_LARGEST_RECORD_BYTES = 1 << 20
_LINE = re.compile(r"([0-9a-f]{64})  (.+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class RecoveryRecord:
    """What recovery data was made of.

    Parameters
    ----------
    bag : str
        Name of the bag's directory.
    redundancy_percent : int
    block_bytes, source_blocks, recovery_blocks : int
        As many blocks can be restored as there are recovery blocks.
    manifests : tuple of tuple of str
        Name and SHA-256 of the bag's manifests.
    """

    bag: str
    redundancy_percent: int
    block_bytes: int
    source_blocks: int
    recovery_blocks: int
    manifests: tuple[tuple[str, str], ...]

    def encode(self) -> bytes:
        """Write the record as JSON, as ``recovery.schema.json`` describes it."""
        import json  # noqa: PLC0415 - few bags have recovery data

        document = {
            "schema": _SCHEMA,
            "bag": self.bag,
            "redundancy_percent": self.redundancy_percent,
            "block_bytes": self.block_bytes,
            "source_blocks": self.source_blocks,
            "recovery_blocks": self.recovery_blocks,
            "manifests": dict(self.manifests),
        }
        return (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode()


@dataclass(frozen=True, slots=True, kw_only=True)
class RecoveryReport:
    """Whether recovery data is there and as it was made.

    Parameters
    ----------
    place : Path
    findings : tuple of Finding
        Empty if all is well.
    files, bytes_held : int
    """

    place: Path
    findings: tuple[Finding, ...]
    files: int
    bytes_held: int

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        return {
            "place": str(self.place),
            "intact": not self.findings,
            "files": self.files,
            "bytes_held": self.bytes_held,
        }


def recovery_place(bag: Path) -> Path:
    """Return where the recovery data of a bag lies."""
    return bag.with_name(bag.name + RECOVERY_SUFFIX)


def _listed(path: Path) -> dict[str, str]:
    """Read a list of digests; lines that are none, and paths that lead elsewhere, are left out.

    Raises
    ------
    SurroundingsError
        It cannot be read.
    """
    content = files.read_bytes(path, limit=_LARGEST_LIST_BYTES, follow=False)
    listed: dict[str, str] = {}
    for line in content.decode("utf-8", "replace").split("\n"):
        found = _LINE.fullmatch(line)
        if found is not None and not danger(name := decode_path(found[2])):
            listed[name] = found[1]
    return listed


def contents_of(bag: Path) -> dict[str, str]:
    """Return the SHA-256 of every file of a bag as its recovery data knows it.

    Raises
    ------
    IntegrityError
        The list is damaged itself.
    SurroundingsError
        There is none.
    """
    place = recovery_place(bag)
    known = _listed(place / CHECKSUMS)
    _, found = files.digests_of(place / CONTENTS, ("sha256",), follow=False)
    if known.get(CONTENTS) != found["sha256"]:
        raise IntegrityError(
            "the list of the bag's files is damaged itself",
            where=str(place / CONTENTS),
            remedy="Use a PAR2 program on the volumes by hand, beside a copy of the bag",
        )
    return _listed(place / CONTENTS)


def check_recovery(
    bag: Path,
    manifests: Iterable[tuple[str, str]] = (),
    *,
    content: bool = True,
    on_bytes: Callable[[int], None] | None = None,
) -> RecoveryReport | None:
    """Verify recovery data beside a bag; None if there is none.

    Parameters
    ----------
    bag : Path
    manifests : iterable of (str, str)
        Name and SHA-256 of the bag's manifests now.
    content : bool
        Whether to read the volumes.
    on_bytes : callable, optional
        Called with the number of bytes of each block read.

    Raises
    ------
    SurroundingsError
        Its folder cannot be listed.
    """
    place = recovery_place(bag)
    if not files.exists(place):
        return None
    present = {entry.name: entry.size or 0 for entry in files.entries(place)}
    findings: list[Finding] = []

    def where(name: str) -> Where:
        return Where(file=f"../{shown(place.name)}/{shown(name)}")

    try:
        known = _listed(place / CHECKSUMS)
    except ArchiverError as error:
        known = {}
        findings.append(RECOVERY_UNUSABLE.at(where(CHECKSUMS), error.found))
    findings += [
        RECOVERY_DAMAGED.at(where(name), "the file is not there")
        for name in known
        if name not in present
    ]
    findings += [
        RECOVERY_DAMAGED.at(where(name), f"{CHECKSUMS} does not list it")
        for name in present
        if name not in known and name != CHECKSUMS
    ]
    if content:
        jobs = [
            Job(path=name, size=present[name], algorithms=("sha256",), wanted=(("sha256", digest),))
            for name, digest in known.items()
            if name in present
        ]
        for name, found in sorted(hash_all(place, jobs, on_bytes=on_bytes).items()):
            if found.error is not None:
                findings.append(RECOVERY_DAMAGED.at(where(name), f"it {found.error.found}"))
            elif found.digests["sha256"] != known[name]:
                findings.append(
                    RECOVERY_DAMAGED.at(
                        where(name),
                        f"the sha256 checksum is {found.digests['sha256']}; {CHECKSUMS} says "
                        f"{known[name]}",
                    )
                )
    findings += _other_state(place, dict(manifests), where(RECORD))
    return RecoveryReport(
        place=place,
        findings=tuple(findings),
        files=len(present),
        bytes_held=sum(present.values()),
    )


def _other_state(place: Path, manifests: dict[str, str], where: Where) -> list[Finding]:
    import json  # noqa: PLC0415 - few bags have recovery data

    try:
        content = files.read_bytes(place / RECORD, limit=_LARGEST_RECORD_BYTES, follow=False)
        stated = json.loads(content)["manifests"]
    except (ArchiverError, ValueError, KeyError, TypeError, RecursionError):
        # Damage of this file is told by its digest.
        return []
    if not manifests or stated == manifests:
        return []
    return [RECOVERY_OTHER_BAG.at(where, "the manifests of the bag were others when this was made")]


def volumes_of(place: Path) -> list[Path]:
    """Return the volumes, the index first if it is there."""
    names = [entry.name for entry in files.entries(place) if entry.name.endswith(".par2")]
    return [place / name for name in sorted(names, key=lambda name: (".vol" in name, name))]
