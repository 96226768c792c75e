"""Custody: digests of the sound, and verification of what was stored."""

from archiver.custody.locating import DamagedSpan, DamageKind
from archiver.custody.sound import (
    SOUND_DIRECTORY,
    BlockDigester,
    SoundDigests,
    SpanDigester,
    decode_sound_digests,
    encode_sound_digests,
    sound_digests_path,
)
from archiver.custody.verify import (
    BagVerdict,
    Depth,
    MasterVerification,
    SoundVerdict,
    Verification,
    verify_bag,
)

__all__ = [
    "SOUND_DIRECTORY",
    "BagVerdict",
    "BlockDigester",
    "DamageKind",
    "DamagedSpan",
    "Depth",
    "MasterVerification",
    "SoundDigests",
    "SoundVerdict",
    "SpanDigester",
    "Verification",
    "decode_sound_digests",
    "encode_sound_digests",
    "sound_digests_path",
    "verify_bag",
]
