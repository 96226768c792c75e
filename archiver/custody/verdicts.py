"""What a verification says: of a bag, of a master, and of all that was looked at."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from archiver.custody.damage import DamagedSpan
from archiver.findings import Finding, clock
from archiver.package.names import shown
from archiver.package.signature import SignatureCheck, SignatureVerdict
from archiver.package.validate import BagReport, Verdict

if TYPE_CHECKING:
    from archiver.package.recovery_data import RecoveryReport

__all__ = ["BagVerdict", "MasterVerification", "SoundVerdict", "Verification"]


class BagVerdict(enum.StrEnum):
    """What can be said of a bag."""

    INTACT = "intact"
    COMPLETE = "complete"
    CHANGED = "changed"
    RECOVERY_DAMAGED = "bag intact, recovery data damaged"
    UNSIGNED = "not signed by an accepted signer"
    UNDECIDED = "cannot be established"


class SoundVerdict(enum.StrEnum):
    """What can be said of a master."""

    INTACT = "intact"
    METADATA_CHANGED = "sound intact, metadata changed"
    DAMAGED = "sound damaged"
    TRUNCATED = "sound truncated"
    NOT_JUDGED = "changed, sound not judged"
    DISAGREES = "file intact, record of its sound disagrees"
    MISNAMED = "holds what belongs under another name"
    MISSING = "missing"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterVerification:
    """The verdict on one master.

    Parameters
    ----------
    file : str
        Path in the bag.
    verdict : SoundVerdict
    spans : tuple of DamagedSpan
        Where the sound is not what was stored.
    truncated_after_s : float, optional
        Where the sound ends now, if its end is gone.
    displaced_from_s : float, optional
        From here on the sound lies elsewhere in the file than the sound before it.
    duration_s : float, optional
        Length of the sound as stored; None without a record.
    sound_bytes_read : int
        Bytes read for the sound alone.
    belongs_to : str
        Of a file that has the content of another one, the path of that.
    """

    file: str
    verdict: SoundVerdict
    spans: tuple[DamagedSpan, ...] = ()
    truncated_after_s: float | None = None
    displaced_from_s: float | None = None
    duration_s: float | None = None
    sound_bytes_read: int = 0
    belongs_to: str = ""

    def playable(self) -> tuple[tuple[float, float], ...]:
        """Return the stretches that are as they were stored, in seconds; none without a record."""
        if self.duration_s is None or self.verdict in {
            SoundVerdict.MISNAMED,
            SoundVerdict.MISSING,
            SoundVerdict.NOT_JUDGED,
            SoundVerdict.UNREADABLE,
        }:
            return ()
        parts: list[tuple[float, float]] = []
        at = 0.0
        for span in self.spans:
            if span.start_s > at:
                parts.append((at, span.start_s))
            at = span.end_s
        if self.duration_s > at:
            parts.append((at, self.duration_s))
        return tuple(parts)

    def sentence(self) -> str:
        """Say the verdict with the places that it is about."""
        match self.verdict:
            case SoundVerdict.TRUNCATED if self.truncated_after_s is not None:
                return f"sound truncated after {clock(self.truncated_after_s)}"
            case SoundVerdict.DAMAGED:
                places = [span.place() for span in self.spans]
                if self.displaced_from_s is not None:
                    places.append(f"displaced from {clock(self.displaced_from_s)} on")
                return f"sound damaged at {', '.join(places)}"
            case SoundVerdict.MISNAMED:
                return f"holds what belongs under {shown(self.belongs_to)}"
            case _:
                return str(self.verdict)

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        return {
            "file": self.file,
            "verdict": str(self.verdict),
            "sentence": self.sentence(),
            "damaged": [
                {
                    "first_frame": span.first_frame,
                    "end_frame": span.end_frame,
                    "start_s": span.start_s,
                    "end_s": span.end_s,
                    "kind": str(span.kind),
                }
                for span in self.spans
            ],
            "playable": [{"start_s": start, "end_s": end} for start, end in self.playable()],
            "truncated_after_s": self.truncated_after_s,
            "displaced_from_s": self.displaced_from_s,
            "duration_s": self.duration_s,
            "sound_bytes_read": self.sound_bytes_read,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """The verdict on a bag and its masters, and how deep the look was.

    Parameters
    ----------
    path : Path
        The bag.
    report : BagReport
        Of the bag by the rules of its standard.
    masters : tuple of MasterVerification
        In the order of paths.
    findings : tuple of Finding
        Of the bag, its masters and its recovery data, errors first.
    recovery : RecoveryReport, optional
        None if there is no recovery data beside the bag.
    signatures : tuple of SignatureCheck
        Of the tag manifests.
    signature_asked : bool
        Whether accepted signers were named, so that one of them must have signed.
    """

    path: Path
    report: BagReport
    masters: tuple[MasterVerification, ...]
    findings: tuple[Finding, ...]
    recovery: RecoveryReport | None = None
    signatures: tuple[SignatureCheck, ...] = ()
    signature_asked: bool = False

    @property
    def intact(self) -> bool:
        """Whether the bag is as it was stored, with all that belongs to it, and signed as asked."""
        return self.verdict is BagVerdict.INTACT

    @property
    def _unchanged(self) -> bool:
        return self._bag_unchanged and self._beside_intact

    @property
    def _bag_unchanged(self) -> bool:
        return (
            self.report.valid
            and all(m.verdict is SoundVerdict.INTACT for m in self.masters)
            and self._signatures_intact
        )

    @property
    def signed_as_asked(self) -> bool:
        """Whether one of the accepted signers has signed, or none were named."""
        return not self.signature_asked or any(
            check.verdict is SignatureVerdict.KNOWN for check in self.signatures
        )

    @property
    def _beside_intact(self) -> bool:
        """Whether what a bag has beyond its standard is as it was made."""
        return (self.recovery is None or not self.recovery.findings) and self._signatures_intact

    @property
    def _signatures_intact(self) -> bool:
        bad = {SignatureVerdict.BAD, SignatureVerdict.UNREADABLE}
        return not any(check.verdict in bad for check in self.signatures)

    @property
    def verdict(self) -> BagVerdict:
        """What can be said of the bag."""
        complete = self.report.verdict is Verdict.COMPLETE and self._beside_intact
        undecided = self.report.verdict is Verdict.UNDECIDED and self._beside_intact
        if not (self._bag_unchanged or complete or undecided):
            return BagVerdict.CHANGED
        if not self.signed_as_asked:
            return BagVerdict.UNSIGNED
        if self._bag_unchanged and not self._unchanged:
            return BagVerdict.RECOVERY_DAMAGED
        if undecided:
            return BagVerdict.UNDECIDED
        return BagVerdict.INTACT if self._unchanged else BagVerdict.COMPLETE

    @property
    def undecided(self) -> bool:
        """Whether nothing is known to be wrong, but not everything could be verified."""
        return self.verdict is BagVerdict.UNDECIDED

    def as_json(self) -> dict[str, Any]:
        """Return the facts for machines."""
        report = self.report
        return {
            "bag": str(self.path),
            "intact": self.intact,
            "verdict": str(self.verdict),
            "error": None,
            "bagit": {
                "version": report.version,
                "verdict": str(report.verdict),
                "missing": list(report.missing),
                "unlisted": list(report.unlisted),
                "payload_files": report.payload_files,
                "payload_bytes": report.payload_bytes,
            },
            "depth": {
                "bytes_read": report.bytes_read,
                "bytes_held": report.bytes_held,
                "sound_bytes_read": sum(m.sound_bytes_read for m in self.masters),
                "algorithms": list(report.algorithms),
                "not_looked_at": list(report.not_looked_at),
            },
            "masters": [master.as_json() for master in self.masters],
            "recovery": None if self.recovery is None else self.recovery.as_json(),
            "signature_asked": self.signature_asked,
            "signatures": [check.as_json() for check in self.signatures],
            "findings": [finding.as_json() for finding in self.findings],
        }
