"""One entry of the fixity ledger, and the bytes that its digest is taken over.

An entry is written as canonical JSON: members in the order of their names, no blanks, no
escapes but those that JSON asks for. Facts hold texts, whole numbers, truth values, null,
lists and objects only, no fractions, so that this is RFC 8785 (JSON Canonicalization Scheme)
and any tool can recompute the digest.
"""

from __future__ import annotations

import contextlib
import enum
import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from archiver.errors import DefectError, IntegrityError

__all__ = ["GENESIS", "Draft", "Entry", "EntryKind", "canonical", "moment_text"]

GENESIS = "0" * 64
"""What the first entry names as the digest before it."""

_ASCII_NAME = re.compile(r"[ -~]+")
# RFC 8785 writes numbers as IEEE 754 doubles; up to here both forms are the same.
_LARGEST_NUMBER = 2**53 - 1


class EntryKind(enum.StrEnum):
    """What an entry records."""

    AUDIT_BEGUN = "audit begun"
    CHECK = "check"
    AUDIT_ENDED = "audit ended"
    COMPARISON = "comparison of copies"
    REPAIR_INTENDED = "repair intended"
    REPAIRED = "repaired"
    REPAIR_FAILED = "repair failed"
    REPLICATED = "replicated"
    SET_ASIDE = "set aside"
    RECOVERY_DATA = "recovery data made"
    SIGNED = "signed"
    ACCEPTED = "accepted"
    DEPOSITED = "deposited"
    RECEIPT = "receipt"
    RECEIVED = "received"
    QUARANTINED = "quarantined"


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """What is to be entered; the ledger gives it number, predecessor and digest.

    Parameters
    ----------
    kind : EntryKind
    store : str
        Which store it is about.
    bag : str
        Path of the bag in the store; empty for what is about the store as a whole.
    moment : str
        As :func:`moment_text` writes it.
    facts : mapping
        By kind; see ``ledger.schema.json``. No fractions.
    """

    kind: EntryKind
    store: str
    bag: str = ""
    moment: str
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A row of the ledger as it stands there; nothing is checked.

    Parameters
    ----------
    number : int
        From 1, without gaps.
    moment, kind, store, bag : str
        As in the draft.
    facts : str
        Canonical JSON.
    previous : str
        Digest of the entry before, or :data:`GENESIS`.
    digest : str
        SHA-256 of :meth:`canonical`.
    """

    number: int
    moment: str
    kind: str
    store: str
    bag: str
    facts: str
    previous: str
    digest: str

    def canonical(self, number: int | None = None) -> bytes:
        """Return the bytes that the digest is taken over.

        Parameters
        ----------
        number : int, optional
            As if the entry had this number.

        Raises
        ------
        IntegrityError
            The facts are not JSON, so they were altered.
        """
        try:
            facts = json.loads(self.facts)
        except (ValueError, RecursionError) as error:
            raise IntegrityError("the facts are not JSON", where=f"entry {self.number}") from error
        return canonical(
            {
                "number": self.number if number is None else number,
                "moment": self.moment,
                "kind": self.kind,
                "store": self.store,
                "bag": self.bag,
                "facts": facts,
                "previous": self.previous,
            }
        )

    def computed(self, number: int | None = None) -> str:
        """Return the digest that the content has; empty if it cannot have any."""
        try:
            return hashlib.sha256(self.canonical(number)).hexdigest()
        except (IntegrityError, DefectError, UnicodeEncodeError):
            return ""

    def is_as_entered(self) -> bool:
        """Say whether the content has the digest that the entry states."""
        # Facts stand in the file in their canonical form, so that most need no parsing.
        written = (
            f'{{"bag":{_text(self.bag)},"facts":{self.facts},"kind":{_text(self.kind)},'
            f'"moment":{_text(self.moment)},"number":{self.number},'
            f'"previous":{_text(self.previous)},"store":{_text(self.store)}}}'
        )
        with contextlib.suppress(UnicodeEncodeError):
            if hashlib.sha256(written.encode()).hexdigest() == self.digest:
                return True
        return self.computed() == self.digest

    def parsed_facts(self) -> dict[str, Any]:
        """Return the facts.

        Raises
        ------
        IntegrityError
            They are not a JSON object.
        """
        try:
            facts = json.loads(self.facts)
        except (ValueError, RecursionError) as error:
            raise IntegrityError("the facts are not JSON", where=f"entry {self.number}") from error
        if not isinstance(facts, dict):
            raise IntegrityError("the facts are no JSON object", where=f"entry {self.number}")
        return facts

    def as_json(self) -> dict[str, Any]:
        """Return the entry for machines, as ``ledger.schema.json`` describes it."""
        return {
            "number": self.number,
            "moment": self.moment,
            "kind": self.kind,
            "store": self.store,
            "bag": self.bag,
            "facts": self.parsed_facts(),
            "previous": self.previous,
            "digest": self.digest,
        }


_text = json.JSONEncoder(ensure_ascii=False).encode


def canonical(value: Mapping[str, Any]) -> bytes:
    """Write JSON so that the same content is always the same bytes.

    Raises
    ------
    DefectError
        The value holds something that has no one way to be written.

    Source: RFC 8785 section 3.2, for the values that are let in here.
    """
    _require_plain(value)
    return json.dumps(value, ensure_ascii=False, sort_keys=True, separators=(",", ":")).encode()


def _require_plain(value: object) -> None:
    match value:
        case None | bool():
            pass
        case str():
            value.encode()  # a lone surrogate has no UTF-8 form
        case int():
            if abs(value) > _LARGEST_NUMBER:
                raise DefectError(f"{value} is too large for an entry of the ledger")
        case dict() | Mapping():
            for name, member in value.items():
                # Names outside ASCII would be in another order in UTF-16, which RFC 8785 uses.
                if not isinstance(name, str) or not _ASCII_NAME.fullmatch(name):
                    raise DefectError(f"{name!r} is no name for a fact of the ledger")
                _require_plain(member)
        case list() | tuple():
            for member in value:
                _require_plain(member)
        case _:
            raise DefectError(f"a {type(value).__name__} cannot stand in the ledger")


def moment_text(moment: datetime) -> str:
    """Write a moment as RFC 3339 in UTC with milliseconds, so that text order is time order."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
