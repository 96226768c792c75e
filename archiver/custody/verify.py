"""Verify a bag: its files, its masters' sound, its recovery data and its signatures."""

from __future__ import annotations

import enum
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from archiver.custody.verdicts import Verification
from archiver.findings import in_order
from archiver.package.reader import read_bag
from archiver.package.recovery_data import check_recovery
from archiver.package.signature import check_signatures
from archiver.package.validate import BagReport, validate

if TYPE_CHECKING:
    from archiver.custody.verdicts import MasterVerification
    from archiver.package.hashing import Journal
    from archiver.package.signers import Signer

__all__ = ["Depth", "verify_bag"]

_ABOUT_SOUND = ("data/masters/", "metadata/sound/")


class Depth(enum.StrEnum):
    """How deep a verification looks; each includes the ones before."""

    QUICK = "quick"
    """Lists, sizes, Payload-Oxum and the tag files."""
    FULL = "full"
    """Every byte."""
    SOUND = "sound"
    """Every byte, and the samples of intact masters on their own."""

    def covers(self, other: Depth) -> bool:
        """Say whether this look is at least as deep as another."""
        order = list(Depth)
        return order.index(self) >= order.index(other)


def verify_bag(
    path: Path,
    on_bytes: Callable[[int], None] | None = None,
    workers: int | None = None,
    depth: Depth = Depth.FULL,
    *,
    journal: Journal | None = None,
    until: Callable[[], bool] | None = None,
    signers: Sequence[Signer] | None = None,
    ask_signature: bool = True,
) -> Verification:
    """Verify a bag and the sound of its masters. Nothing is written.

    Parameters
    ----------
    path : Path
        Directory of the bag.
    on_bytes : callable, optional
        Called with the number of bytes of each block read, from any thread.
    workers : int, optional
        Threads; the number of processors by default.
    depth : Depth
        How deep to look.
    journal : Journal, optional
        Remembers what was read, so that an interrupted verification can go on.
    until : callable, optional
        Asked before each file; once it says yes no further file is begun.
    signers : sequence of Signer, optional
        Who may have signed; without it a good signature is told with its key, and no more.
    ask_signature : bool
        Whether a bag that none of the signers has signed is not as it should be; without
        signers nothing is asked.

    Raises
    ------
    MisuseError, SurroundingsError
        There is no directory to read; everything else is a finding.
    HashingStopped
        ``until`` said yes.
    """
    content = depth is not Depth.QUICK
    report = validate(
        read_bag(path), on_bytes, workers, content=content, journal=journal, until=until
    )
    recovery = check_recovery(path, report.manifests, content=content, on_bytes=on_bytes)
    asked = ask_signature and signers is not None
    signatures, findings = check_signatures(
        path,
        report.not_looked_at,
        signers,
        asked=asked,
        tag_manifests=[name for name, _ in report.manifests if name.startswith("tagmanifest-")],
    )
    if recovery is not None:
        findings = (*findings, *recovery.findings)
    masters: tuple[MasterVerification, ...] = ()
    if content and _has_sound(report):
        from archiver.custody.masters import check_masters  # noqa: PLC0415 - not every bag

        masters, more = check_masters(
            path, report, sound=depth is Depth.SOUND, workers=workers, on_bytes=on_bytes
        )
        findings = (*more, *findings)
    return Verification(
        path=path,
        report=report,
        masters=masters,
        findings=in_order((*report.findings, *findings)),
        recovery=recovery,
        signatures=signatures,
        signature_asked=asked,
    )


def _has_sound(report: BagReport) -> bool:
    return any(file.path.startswith(_ABOUT_SOUND) for file in report.files) or any(
        path.startswith(_ABOUT_SOUND) for path in report.missing
    )
