"""What a bag holds that speaks for or against its own manifests.

Whoever alters a master and writes the manifests anew has a bag that agrees with itself. The digests
of its samples, the MD5 that the master carries, and a signature are further statements about the
same bytes, and one of them that disagrees shows that the manifests are not those of the day.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from archiver import files
from archiver.custody.locating import check_sound
from archiver.custody.sound import SOUND_DIRECTORY, SoundDigests, decode_sound_digests
from archiver.errors import ArchiverError
from archiver.package.signature import SignatureVerdict, check_signatures
from archiver.wave import md5
from archiver.wave.container import read_payload, walk

if TYPE_CHECKING:
    from archiver.package.signers import Signer

__all__ = ["Evidence", "evidence_of_master", "evidence_of_signatures", "sound_record"]

_LARGEST_RECORD_BYTES = 1 << 26


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What was found for and against the manifests of a copy.

    Parameters
    ----------
    doubts : tuple of str
        Sentences without a full stop, each on one statement that disagrees.
    agreements : tuple of str
        What agrees, as something that one can name: ``the record of the sound of ...``.
    signed : bool
        Whether there is a good signature of them, whoever made it.
    accepted : bool
        Whether an accepted signer has signed them.
    """

    doubts: tuple[str, ...] = ()
    agreements: tuple[str, ...] = ()
    signed: bool = False
    accepted: bool = False

    def __add__(self, other: Evidence) -> Evidence:
        """Put both together."""
        return Evidence(
            doubts=self.doubts + other.doubts,
            agreements=self.agreements + other.agreements,
            signed=self.signed or other.signed,
            accepted=self.accepted or other.accepted,
        )


def sound_record(bag: Path, names: Sequence[str], master: str) -> SoundDigests | None:
    """Return the record of the samples of a master, of those that may be relied on.

    Parameters
    ----------
    bag : Path
    names : sequence of str
        Paths in the bag of files that are as its manifests state.
    master : str
    """
    for name in names:
        if not (name.startswith(f"{SOUND_DIRECTORY}/") and name.endswith(".json")):
            continue
        try:
            content = files.read_bytes(bag / name, limit=_LARGEST_RECORD_BYTES, follow=False)
            record = decode_sound_digests(content)
        except ArchiverError:
            continue
        if record.file == master:
            return record
    return None


def evidence_of_master(
    path: Path,
    name: str,
    record: SoundDigests | None,
    *,
    on_bytes: Callable[[int], None] | None = None,
) -> Evidence:
    """Hold the samples of a master against their record, and against the MD5 in the file.

    Parameters
    ----------
    path : Path
        The file.
    name : str
        Its path in the bag.
    record : SoundDigests, optional
    on_bytes : callable, optional
        Called with the number of bytes read.
    """
    found = Evidence()
    if record is not None:
        try:
            intact = check_sound(path, record, on_bytes=on_bytes).intact
        except ArchiverError:
            intact = None
        if intact is not None:
            found += (
                Evidence(agreements=(f"the record of the sound of {name}",))
                if intact
                else Evidence(doubts=(f"the samples of {name} are not those of their record",))
            )
    carried = _carried_md5(path)
    if carried is not None:
        found += (
            Evidence(agreements=(f"the MD5 in {name}",))
            if carried
            else Evidence(
                doubts=(f"the samples of {name} have another MD5 than it carries itself",)
            )
        )
    return found


def _carried_md5(path: Path) -> bool | None:
    """Say whether the ``MD5 `` chunk agrees with the samples; None if there is nothing to compare."""
    try:
        with files.open_read(path, follow=False) as file:
            chunks = walk(file, path.name)
            stated = next((c for c in chunks.chunks if c.chunk_id == b"MD5 "), None)
            if stated is None or chunks.data is None:
                return None
            record = md5.decode(read_payload(file, stated, path.name))
            hasher = hashlib.md5(usedforsecurity=False)
            with files.translated(path, "read"):
                file.seek(chunks.data.offset_bytes)
                left = chunks.data.present_bytes
                while left and (block := file.read(min(left, 1 << 20))):
                    hasher.update(block)
                    left -= len(block)
    except ArchiverError:
        return None
    return md5.agreement(record, hasher.digest()) is not None


def evidence_of_signatures(
    bag: Path, names: Sequence[str], signers: Sequence[Signer] | None
) -> Evidence:
    """Say whether the tag manifests of a copy are those that were signed.

    Without a list of signers, a good signature says no more than that somebody answers for them.
    """
    checks, _ = check_signatures(bag, names, signers)
    verdicts = {check.verdict for check in checks}
    good = {SignatureVerdict.KNOWN, SignatureVerdict.UNJUDGED}
    if verdicts & good:
        signed = next(check for check in checks if check.verdict in good)
        return Evidence(
            agreements=(f"the signature of the key {signed.key}",),
            signed=True,
            accepted=SignatureVerdict.KNOWN in verdicts,
        )
    if SignatureVerdict.BAD in verdicts:
        bad = next(check for check in checks if check.verdict is SignatureVerdict.BAD)
        return Evidence(doubts=(f"{bad.file} is no signature of its tag manifest",))
    return Evidence()
