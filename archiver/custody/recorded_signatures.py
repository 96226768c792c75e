"""Signatures that the ledger knows of a bag: what it carried when nothing was wrong with it.

A signature answers for a bag only as long as it is there. Whoever takes it away leaves a bag
that agrees with itself, so that only a memory outside the bag tells that it was signed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from archiver.custody.entry import Entry, EntryKind
from archiver.custody.ledger import Ledger

__all__ = ["RecordedSignature", "good_signatures", "recorded_signatures"]

_GOOD = "good, "
# What these checks found is not what should be.
_NO_REFERENCE = frozenset({"changed", "gone", "unusable"})


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedSignature:
    """A good signature that a bag once carried.

    Parameters
    ----------
    file : str
        Name in the bag.
    key : str
        Fingerprint.
    since : str
        Which entry of the ledger says so, in words.
    """

    file: str
    key: str
    since: str


def good_signatures(facts: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield file and key of each good signature that the facts of a check or a change state."""
    found = facts.get("signatures")
    for one in found if isinstance(found, list) else ():
        if isinstance(one, dict) and str(one.get("verdict", "")).startswith(_GOOD):
            yield str(one.get("file")), str(one.get("key"))


def recorded_signatures(ledger: Ledger, bag: str, store: str) -> tuple[RecordedSignature, ...]:
    """Return the signatures that a bag is to carry, in the order of their names.

    That is what the newest check that found nothing changed says, or a change that somebody
    accepted since, and what was signed after it. A check of a bag without signature takes
    nothing back, since entries of earlier programs did not compare.
    """
    known: dict[str, RecordedSignature] = {}
    for entry in ledger.about_signatures(bag, store):
        facts = entry.parsed_facts()
        if entry.kind == EntryKind.SIGNED:
            _keep(known, entry, str(facts.get("file")), str(facts.get("key")))
            continue
        if entry.kind == EntryKind.CHECK and facts.get("verdict") in _NO_REFERENCE:
            continue
        found = tuple(good_signatures(facts))
        for file, key in found:
            _keep(known, entry, file, key)
        if found or entry.kind == EntryKind.ACCEPTED:
            break
    return tuple(known[file] for file in sorted(known))


def _keep(known: dict[str, RecordedSignature], entry: Entry, file: str, key: str) -> None:
    since = f"entry {entry.number} of the ledger ({entry.moment})"
    known.setdefault(file, RecordedSignature(file=file, key=key, since=since))
