"""Kinds of access copies. Needs no library that codes sound."""

from __future__ import annotations

import enum

__all__ = ["AccessKind"]


class AccessKind(enum.StrEnum):
    """Coding of an access copy; the value is the ending of its name."""

    FLAC = "flac"
    OPUS = "opus"
