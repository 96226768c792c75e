"""The record of the run that made a bag: when, with what, what was done, what was found."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from archiver.findings import Finding

__all__ = ["Master", "as_bytes", "findings_document", "run_document"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Master:
    """One master as the run record lists it.

    ``moved_behind`` names chunks that stand behind the samples for want of room.
    """

    takes: tuple[str, ...]
    capture: str
    file: str
    form: str
    data_offset_bytes: int
    data_bytes: int
    frames: int
    md5: str
    moved_behind: tuple[str, ...]


def as_bytes(document: Mapping[str, Any]) -> bytes:
    """Return a document as JSON in UTF-8, always in the same bytes."""
    return json.dumps(document, ensure_ascii=False, indent=2).encode() + b"\n"


def findings_document(findings: Iterable[Finding]) -> bytes:
    """Return what the check had to say when the bag was made, as JSON in UTF-8."""
    return as_bytes({"findings": [finding.as_json() for finding in findings]})


def run_document(
    *,
    session: str,
    version: int,
    replaces: str,
    made: datetime,
    program: str,
    python: str,
    libraries: Mapping[str, str],
    algorithms: Iterable[str],
    masters: Iterable[Master],
) -> bytes:
    """Return the record of the run, as JSON in UTF-8.

    Parameters
    ----------
    session : str
        Identifier of the session.
    version, replaces
        Of the bag, and the name of the one it replaces.
    made : datetime
        With zone.
    program, python : str
        Name and version of this program, and of the interpreter.
    libraries : mapping of str to str
        Version of each library that reads or writes sound or text here.
    algorithms : iterable of str
        Digest algorithms of the manifests.
    masters : iterable of Master
        In the order of the takes.
    """
    return as_bytes(
        {
            "session": session,
            "bag_version": version,
            "replaces": replaces or None,
            "made": made.isoformat(timespec="seconds"),
            "program": program,
            "python": python,
            "libraries": dict(sorted(libraries.items())),
            "digest_algorithms": list(algorithms),
            "steps": [
                "the sheet, the machine files and the captures were checked",
                "each capture was read once: its samples were copied, digested and measured",
                "metadata was written into each master; its samples were not changed",
                "each master was read back and digested, and the digests of its samples compared",
                "photographs, documents and video captures were copied and read back",
            ],
            "masters": [
                {
                    "takes": list(master.takes),
                    "capture": master.capture,
                    "file": master.file,
                    "form": master.form,
                    "data_offset_bytes": master.data_offset_bytes,
                    "data_bytes": master.data_bytes,
                    "frames": master.frames,
                    "samples_md5": master.md5,
                    "chunks_behind_samples": list(master.moved_behind),
                }
                for master in masters
            ],
        }
    )
