"""How a long job tells what it is at; the command line decides whether anyone sees it."""

from __future__ import annotations

from typing import Protocol

__all__ = ["Progress", "Silent"]


class Progress(Protocol):
    """Receives the steps of a job and the bytes done in each."""

    def step(self, name: str, total_bytes: int) -> None:
        """Begin a step that will handle ``total_bytes`` bytes."""

    def advance(self, count: int) -> None:
        """Count ``count`` more bytes as done; may be called from any thread."""


class Silent:
    """Says nothing."""

    def step(self, name: str, total_bytes: int) -> None:
        """Begin a step."""

    def advance(self, count: int) -> None:
        """Count bytes."""
