"""Which access copies are wanted, and what one is. Needs no library that codes sound."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from archiver.package import StoredFile
from archiver.wave.accesskind import AccessKind

__all__ = ["ACCESS", "LARGEST_COVER_BYTES", "AccessPlan", "Copy"]

ACCESS = "data/access"
# A picture block of FLAC holds 16 MiB; a cover of more than this only makes players slow.
LARGEST_COVER_BYTES = 4 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class AccessPlan:
    """Which copies to make; ``folder`` is the session folder, where the covers lie."""

    kinds: tuple[AccessKind, ...]
    folder: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class Copy:
    """An access copy in the bag; ``treatment`` says what was done to its sound, if anything."""

    kind: AccessKind
    stored: StoredFile
    treatment: str = ""
