"""A corruptor: bytes and a seed in, damaged bytes and what was done to them out."""

from __future__ import annotations

import random

_IDS = (b"RIFF", b"RF64", b"fmt ", b"data", b"bext", b"LIST", b"ds64", b"cue ", b"iXML", b"MD5 ")
_SIZES = (0, 1, 3, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFE, 0xFFFFFFFF)


def damaged(content: bytes, seed: int) -> tuple[bytes, str]:
    """Damage a file in one to four places."""
    chance = random.Random(seed)  # noqa: S311 - repeatable damage, not a secret
    raw = bytearray(content)
    done: list[str] = []
    for _ in range(chance.randint(1, 4)):
        if not raw:
            break
        # Headers are where it hurts: most damage goes into the first kilobyte.
        at = chance.randrange(min(len(raw), 1024) if chance.random() < 0.8 else len(raw))
        match chance.randrange(7):
            case 0:
                raw[at] ^= 1 << chance.randrange(8)
                done.append(f"bit at {at}")
            case 1:
                raw[at : at + 4] = chance.choice(_SIZES).to_bytes(4, "little")
                done.append(f"size at {at}")
            case 2:
                raw[at : at + 4] = chance.choice(_IDS)
                done.append(f"id at {at}")
            case 3:
                del raw[at:]
                done.append(f"cut at {at}")
            case 4:
                del raw[at : at + chance.randint(1, 9)]
                done.append(f"bytes lost at {at}")
            case 5:
                raw[at:at] = chance.randbytes(chance.randint(1, 9))
                done.append(f"bytes put in at {at}")
            case _:
                start = chance.randrange(len(raw))
                raw[at:at] = raw[start : start + 64]
                done.append(f"copy of {start} at {at}")
    return bytes(raw), f"seed {seed}: {', '.join(done)}"
