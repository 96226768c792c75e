"""What every kind of place can do, whatever its protocol."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol

from archiver.custody.transport.retrying import Persistence
from archiver.custody.transport.source import Reading

__all__ = [
    "BLOCK_BYTES",
    "Arrival",
    "Delivery",
    "FarEnd",
    "Held",
    "Verified",
    "final_name",
    "partial_name",
]

BLOCK_BYTES = 1 << 18
"""How much is asked for at a time when something is read back."""
_UNFINISHED = ".unfinished"


def partial_name(name: str) -> str:
    """Return the hidden name that something has until it is complete and verified."""
    return f".{name}{_UNFINISHED}"


def final_name(name: str) -> str | None:
    """Return what a hidden name is to become; None if it is no such name."""
    if name.startswith(".") and name.endswith(_UNFINISHED) and len(name) > len(_UNFINISHED) + 1:
        return name[1 : -len(_UNFINISHED)]
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """One name at a place.

    Parameters
    ----------
    name : str
        The final name, also of what is unfinished.
    size : int, optional
        Bytes there; None for a folder, and where the place does not say.
    is_folder : bool
        Whether it is a folder.
    unfinished : bool
        Whether it is a leftover of a delivery that has not ended.
    """

    name: str
    size: int | None
    is_folder: bool = False
    unfinished: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """How the bytes at the far end were compared with those sent.

    Parameters
    ----------
    by : str
        ``"server checksum"`` or ``"read back"``.
    resumed_at_bytes : int
        How many bytes had arrived before, and were not sent again.
    sent_bytes : int
        Bytes of the content that were sent, those sent again included.
    """

    by: str
    resumed_at_bytes: int
    sent_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """What a place holds under a final name.

    Parameters
    ----------
    size : int
        In bytes.
    same : bool
        Whether its bytes are those of the sendable.
    by : str
        How they were compared.
    """

    size: int
    same: bool
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """One sendable on its way.

    Parameters
    ----------
    folder : str
        Below the place, with ``/``; empty for the place itself.
    source : Reading
        What is sent, under its own name.
    persistence : Persistence
        The patience of this delivery.
    on_bytes : callable
        Told how many bytes more have arrived.
    """

    folder: str
    source: Reading
    persistence: Persistence
    on_bytes: Callable[[int], None]


class FarEnd(Protocol):
    """A place reached by one protocol.

    A call raises :class:`~archiver.custody.transport.retrying.CutError` when it may work a
    little later, and connects anew by itself when it is made again; what will not work later
    is an :class:`~archiver.errors.ArchiverError`.
    """

    def reach(self) -> None:
        """Connect, and make sure that the place is there."""

    def require_open(self, needed: int | None) -> None:
        """Refuse if it is known, without writing, that nothing can be sent or does not fit."""

    def leave(self) -> None:
        """Let go of connections; never fails."""

    def size_of(self, folder: str, name: str) -> int | None:
        """Return the size in bytes of a file; None if the name is free."""

    def read(self, folder: str, name: str, start: int) -> Iterator[bytes]:
        """Yield the bytes of a file from an offset on."""

    def listing(self, folder: str) -> list[Held]:
        """List a folder, leftovers included; a folder that is not there is empty."""

    def remove_unfinished(self, folder: str, name: str) -> int:
        """Remove what an unfinished delivery of a name left; return how many leftovers."""

    def remove_empty(self, folder: str) -> None:
        """Remove a folder below the place if nothing lies in it, where that is without danger."""

    def compare(self, delivery: Delivery, size: int) -> Arrival:
        """Compare what is held under the final name with what would be sent."""

    def deliver(self, delivery: Delivery) -> Verified:
        """Send, verify, and only then put under the final name."""
