"""The captures as files, the way the recorder of the session writes them."""

from __future__ import annotations

import io
import struct
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import soundfile

from tests.sample.scenario import SAMPLE_RATE_HZ

__all__ = ["RECORDER_CHUNK", "flac", "recorder_bext", "wave"]

RECORDER_CHUNK = b"scene=KONTOR;take=3;gain=38;battery=1\x00"[:37]
"""What the recorder keeps for itself in a chunk of its own; of odd length on purpose."""


def recorder_bext(time_of_day_s: int) -> bytes:
    """Make the ``bext`` chunk of the recorder: who, when and no description.

    Parameters
    ----------
    time_of_day_s : int
        Seconds since midnight of the first sample.

    Source: EBU Tech 3285 version 1 (2001), the layout of the broadcast audio extension.
    """
    hours, rest = divmod(time_of_day_s, 3600)
    frames = time_of_day_s * SAMPLE_RATE_HZ
    return struct.pack(
        "<256s32s32s10s8sIIH64s190s",
        b"",
        b"BOLGE FR-2 FR2-004471",
        b"",
        b"2026-10-17",
        f"{hours:02d}:{rest // 60:02d}:{rest % 60:02d}".encode("ascii"),
        frames & 0xFFFFFFFF,
        frames >> 32,
        1,
        b"",
        b"",
    )


def wave(samples: npt.NDArray[np.int32], before: Sequence[tuple[bytes, bytes]] = ()) -> bytes:
    """Write 24-bit samples as a RIFF/WAVE file.

    Parameters
    ----------
    samples : ndarray, shape (frames, channels), int32
    before : sequence of (chunk identifier, payload)
        Chunks that stand between ``fmt `` and ``data``.
    """
    channels = samples.shape[1]
    little = samples.astype("<i4").tobytes()
    data = np.frombuffer(little, dtype=np.uint8).reshape(-1, 4)[:, :3].tobytes()
    frame_bytes = 3 * channels
    form = struct.pack(
        "<HHIIHH", 1, channels, SAMPLE_RATE_HZ, SAMPLE_RATE_HZ * frame_bytes, frame_bytes, 24
    )
    body = b"WAVE" + b"".join(
        identifier + struct.pack("<I", len(payload)) + payload + b"\x00" * (len(payload) % 2)
        for identifier, payload in ((b"fmt ", form), *before, (b"data", data))
    )
    return b"RIFF" + struct.pack("<I", len(body)) + body


def flac(samples: npt.NDArray[np.int32]) -> bytes:
    """Write 24-bit samples as FLAC; the bytes depend on the encoder, the samples do not."""
    target = io.BytesIO()
    # libsndfile takes the upper 24 of 32 bits.
    soundfile.write(
        target, samples * np.int32(256), SAMPLE_RATE_HZ, subtype="PCM_24", format="FLAC"
    )
    return target.getvalue()
