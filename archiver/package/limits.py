"""How much a package may unpack to."""

from __future__ import annotations

from dataclasses import dataclass

from archiver.errors import MisuseError

__all__ = ["RATIO_FROM_BYTES", "Limits"]

RATIO_FROM_BYTES = 1 << 26
"""What is no larger than this does no harm, however small it was packed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Limits of unpacking; the free space of the disk always counts beside them.

    Parameters
    ----------
    most_entries : int
        Files and directories.
    most_bytes : int, optional
        Content of all files together; no limit of its own if None.
    most_ratio : float
        Bytes unpacked for each byte packed, counted once more than
        :data:`RATIO_FROM_BYTES` were unpacked. Sound shrinks to a half or a third, text to a
        tenth.
    any_names : bool
        Whether names are taken that Windows refuses or changes, and names that differ in case
        or Unicode form only.
    """

    most_entries: int = 1_000_000
    most_bytes: int | None = None
    most_ratio: float = 100.0
    any_names: bool = False

    def __post_init__(self) -> None:
        """Refuse limits that nothing could keep."""
        if self.most_entries < 1 or self.most_ratio < 1 or (self.most_bytes or 1) < 1:
            raise MisuseError("a limit is below 1", accepted="limits of 1 and more")
