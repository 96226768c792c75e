"""The errors that refuse a package, each with the finding that says why."""

from __future__ import annotations

from collections.abc import Sequence

from archiver.errors import InputError, IntegrityError
from archiver.findings import Finding

__all__ = ["PackageDamagedError", "PackageRefusedError", "some_of"]

_SHOWN = 3


class PackageRefusedError(InputError):
    """A package, or a bag to be packed, that is not taken as it is.

    Parameters
    ----------
    finding : Finding
        The reason, with its code.
    """

    def __init__(self, finding: Finding) -> None:
        super().__init__(
            finding.message,
            where=str(finding.where),
            accepted=finding.accepted,
            remedy=finding.remedy,
        )
        self.finding = finding


class PackageDamagedError(IntegrityError):
    """A package whose bytes are not the bytes that were packed.

    Parameters
    ----------
    finding : Finding
        The reason, with its code.
    findings : tuple of Finding
        All that is wrong with the bag in it, where it could be unpacked at all.
    """

    def __init__(self, finding: Finding, findings: tuple[Finding, ...] = ()) -> None:
        super().__init__(
            finding.message,
            where=str(finding.where),
            accepted=finding.accepted,
            remedy=finding.remedy,
        )
        self.finding = finding
        self.findings = findings or (finding,)


def some_of(findings: Sequence[Finding]) -> str:
    """Say the first findings in one sentence, and how many more there are."""
    said = "; ".join(f"{finding.where}: {finding.message}" for finding in findings[:_SHOWN])
    more = len(findings) - _SHOWN
    return f"{said}; and {more} more" if more > 0 else said
