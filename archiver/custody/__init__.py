"""Custody: digests of the sound, and verification of what was stored."""

from archiver.custody.sound import (
    SOUND_DIRECTORY,
    BlockDigester,
    SoundDigests,
    SpanDigester,
    decode_sound_digests,
    encode_sound_digests,
    sound_digests_path,
)

__all__ = [
    "SOUND_DIRECTORY",
    "BlockDigester",
    "SoundDigests",
    "SpanDigester",
    "decode_sound_digests",
    "encode_sound_digests",
    "sound_digests_path",
]
