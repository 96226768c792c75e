"""What stops a run: one tree of exceptions, branched by what the person does next.

::

    ArchiverError
    ├── InputError            exit 1  correct the sheet, the takes or the photographs
    ├── MisuseError           exit 2  call the command differently
    ├── IntegrityError        exit 3  something that was stored has changed
    ├── SurroundingsError     exit 4  make room, give permission, plug the disk in
    └── DefectError           exit 5  our own fault: report it

What a person can correct in a sheet is not raised but returned, as findings
(see :mod:`archiver.findings`), so that one run shows all of it.
"""

from __future__ import annotations

from typing import ClassVar

__all__ = [
    "ArchiverError",
    "DefectError",
    "InputError",
    "IntegrityError",
    "MisuseError",
    "SurroundingsError",
]


class ArchiverError(Exception):
    """Root of everything this program raises on purpose.

    Parameters
    ----------
    found : str
        What was found, as a sentence without a full stop.
    where : str
        File, and if known line, field or byte offset. May be empty.
    accepted : str
        What would have been accepted. May be empty.
    remedy : str
        What to do now. May be empty.
    """

    exit_status: ClassVar[int] = 5

    def __init__(
        self, found: str, *, where: str = "", accepted: str = "", remedy: str = ""
    ) -> None:
        super().__init__(found)
        self.found = found
        self.where = where
        self.accepted = accepted
        self.remedy = remedy

    def __str__(self) -> str:
        """Compose the sentences: where, what was found, what is accepted, what to do."""
        head = f"{self.where}: {self.found}" if self.where else self.found
        parts = [head]
        if self.accepted:
            parts.append(f"Accepted: {self.accepted}")
        if self.remedy:
            parts.append(self.remedy)
        text = ". ".join(part.rstrip(".") for part in parts)
        return text if text.endswith("?") else f"{text}."


class InputError(ArchiverError):
    """What was handed in cannot be used as it is."""

    exit_status = 1


class MisuseError(ArchiverError):
    """The command was called in a way that cannot be carried out."""

    exit_status = 2


class IntegrityError(ArchiverError):
    """Stored bytes are not the bytes that were stored."""

    exit_status = 3


class SurroundingsError(ArchiverError):
    """Disk, permission or another part of the machine stands in the way."""

    exit_status = 4


class DefectError(ArchiverError):
    """A state that this program should never reach."""

    exit_status = 5
