"""Which frames of a master are not what was stored, and what is wrong with them."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from archiver.findings import clock

__all__ = ["DamageKind", "DamagedSpan"]


class DamageKind(enum.StrEnum):
    """What is wrong with a span of sound."""

    CHANGED = "changed"
    UNREADABLE = "unreadable"
    UNPROVEN = "unproven"
    """There, but cut off within a block, so that no digest tells whether it is what was stored."""
    GONE = "gone"


@dataclass(frozen=True, slots=True, kw_only=True)
class DamagedSpan:
    """Frames that are not known to be what was stored.

    The span is made of whole blocks: the damage lies somewhere inside.

    Parameters
    ----------
    first_frame, end_frame : int
        First frame, and the frame after the last.
    start_s, end_s : float
        The same in seconds from the first sample.
    kind : DamageKind
    """

    first_frame: int
    end_frame: int
    start_s: float
    end_s: float
    kind: DamageKind

    def place(self) -> str:
        """Say where it is, and what is wrong unless the sound is only changed."""
        kind = "" if self.kind is DamageKind.CHANGED else f" ({self.kind})"
        return f"{clock(self.start_s)} to {clock(self.end_s)}{kind}"
