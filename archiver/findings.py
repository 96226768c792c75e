"""Findings: what a check has to say, all of it in one run, in a stable order.

A rule is defined once, with its reason and remedy, in the room that applies it;
a finding is a rule met at a place. Codes are stable words for machines.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

__all__ = ["RULES", "Finding", "Rule", "Severity", "Where", "in_order", "stops_deposit"]


class Severity(enum.StrEnum):
    """How much a finding weighs; only an error stops the deposit."""

    ERROR = "error"
    WARNING = "warning"
    NOTE = "note"


_WEIGHT = {Severity.ERROR: 0, Severity.WARNING: 1, Severity.NOTE: 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """A place in the material.

    Parameters
    ----------
    file : str
        Path relative to the session folder or the bag, with ``/``.
    line, column : int, optional
        Counted from 1.
    field : str
        Dotted path such as ``takes[2].file``; empty when the whole file is meant.
    offset_bytes : int, optional
        Position inside a binary file.
    start_s, end_s : float, optional
        Span of sound, in seconds from the first sample.
    """

    file: str
    line: int | None = None
    column: int | None = None
    field: str = ""
    offset_bytes: int | None = None
    start_s: float | None = None
    end_s: float | None = None

    def __str__(self) -> str:
        """Say the place as people write it: ``session.yaml:12, takes[2].file``."""
        text = self.file if self.line is None else f"{self.file}:{self.line}"
        if self.field:
            text += f", {self.field}"
        if self.offset_bytes is not None:
            text += f", byte {self.offset_bytes}"
        if self.start_s is not None:
            text += f", at {clock(self.start_s)}"
            if self.end_s is not None and self.end_s > self.start_s:
                text += f" to {clock(self.end_s)}"
        return text


def clock(seconds: float) -> str:
    """Write a position in a take as ``hh:mm:ss.mmm``."""
    milliseconds = round(seconds * 1000)
    minutes, rest = divmod(milliseconds, 60_000)
    return f"{minutes // 60:02d}:{minutes % 60:02d}:{rest // 1000:02d}.{rest % 1000:03d}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A rule met at a place.

    ``message`` says what was found, with the value; ``accepted`` what would have
    been accepted; ``remedy`` what to do.
    """

    code: str
    severity: Severity
    where: Where
    message: str
    accepted: str = ""
    remedy: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines, without empty members."""
        place: dict[str, Any] = {
            name: value
            for name in ("file", "line", "column", "field", "offset_bytes", "start_s", "end_s")
            if (value := getattr(self.where, name)) not in (None, "")
        }
        facts: dict[str, Any] = {
            "code": self.code,
            "severity": str(self.severity),
            "where": place,
            "message": self.message,
        }
        if self.accepted:
            facts["accepted"] = self.accepted
        if self.remedy:
            facts["remedy"] = self.remedy
        return facts


RULES: dict[str, Rule] = {}
"""Every rule of every room that was imported, by code."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """What a finding stands for: why it matters and what to do.

    Raises
    ------
    ValueError
        A second rule of the same code is defined.
    """

    code: str
    severity: Severity
    reason: str
    remedy: str

    def __post_init__(self) -> None:
        """Enter the rule in the register, once."""
        if self.code in RULES:
            raise ValueError(f"rule {self.code} is defined twice")
        RULES[self.code] = self

    def at(
        self, where: Where, message: str, *, accepted: str = "", remedy: str | None = None
    ) -> Finding:
        """Make the finding of this rule at a place."""
        return Finding(
            code=self.code,
            severity=self.severity,
            where=where,
            message=message,
            accepted=accepted,
            remedy=self.remedy if remedy is None else remedy,
        )


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Sort findings: errors first, then by file, line, offset and code."""
    return tuple(
        sorted(
            findings,
            key=lambda f: (
                _WEIGHT[f.severity],
                f.where.file,
                f.where.line or 0,
                f.where.offset_bytes or 0,
                f.where.start_s or 0.0,
                f.code,
                f.where.field,
            ),
        )
    )


def stops_deposit(findings: Iterable[Finding]) -> bool:
    """Say whether any finding is an error."""
    return any(finding.severity is Severity.ERROR for finding in findings)
