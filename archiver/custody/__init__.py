"""Custody: digests of the sound, and verification of what was stored."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

from archiver.custody.verify import Depth, verify_bag

if TYPE_CHECKING:
    from archiver.custody.damage import DamagedSpan, DamageKind
    from archiver.custody.sound import (
        SOUND_DIRECTORY,
        BlockDigester,
        SoundDigests,
        SpanDigester,
        decode_sound_digests,
        encode_sound_digests,
        sound_digests_path,
    )
    from archiver.custody.verdicts import (
        BagVerdict,
        MasterVerification,
        SoundVerdict,
        Verification,
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

_MODULES = {
    "damage": ("DamageKind", "DamagedSpan"),
    "sound": (
        "SOUND_DIRECTORY",
        "BlockDigester",
        "SoundDigests",
        "SpanDigester",
        "decode_sound_digests",
        "encode_sound_digests",
        "sound_digests_path",
    ),
    "verdicts": ("BagVerdict", "MasterVerification", "SoundVerdict", "Verification"),
}


def __getattr__(name: str) -> object:
    # Loaded when they are asked for: a verification needs few of them, and begins sooner.
    for module, names in _MODULES.items():
        if name in names:
            return getattr(importlib.import_module(f"{__name__}.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
