"""The record of a capture file: what it held beside its samples, byte for byte.

A master replaces the capture file; with this record nothing of the capture is lost. The
payload of each chunk but ``data`` is kept in base64, so that a stranger can still read
what a recorder wrote that no one understands today. A chunk that holds what is withheld
stands with its payload only in the record that goes into the restricted part.
"""

from __future__ import annotations

import base64
import json
from typing import Any

from archiver.describe.held_back import HeldBack
from archiver.describe.withholding import Secrets
from archiver.session.records import Take
from archiver.wave.capture import Capture, WaveCapture

__all__ = ["capture_record"]


def _raw(chunk_id: bytes, payload: bytes) -> dict[str, Any]:
    return {
        "id": chunk_id.decode("latin-1"),
        "payload_bytes": len(payload),
        "payload_base64": base64.b64encode(payload).decode("ascii"),
    }


def _chunks(capture: WaveCapture) -> list[dict[str, Any]]:
    return [
        {
            "id": chunk.name,
            "header_offset_bytes": chunk.header_offset_bytes,
            "declared_bytes": chunk.declared_bytes,
            "present_bytes": chunk.present_bytes,
        }
        for chunk in capture.walk.chunks
    ]


def _unsaid(chunk_id: bytes, payload: bytes) -> dict[str, Any]:
    facts = _raw(chunk_id, payload)
    del facts["payload_base64"]
    return {**facts, "withheld": True}


def capture_record(
    take: Take,
    capture: Capture,
    size_bytes: int,
    *,
    held: HeldBack,
    secrets: Secrets,
    whole: bool = False,
) -> bytes:
    """Describe a capture file as it came.

    Parameters
    ----------
    take : Take
        Whose capture it is.
    capture : Capture
        Open, or read to its end.
    size_bytes : int
        Of the file.
    held : HeldBack
        What it brings along.
    secrets : Secrets
        What must not be found in public.
    whole : bool
        Make the record for the restricted part, with the payloads that are held back.

    Returns
    -------
    bytes
        JSON in UTF-8, always in the same bytes.
    """
    samples = capture.sample_format
    document: dict[str, Any] = {
        "take": take.id,
        "file": take.file,
        "kind": str(capture.kind),
        "size_bytes": size_bytes,
        "coding": capture.coding.as_json(),
        "encoding": samples.encoding,
        "container_bits": samples.container_bits,
        "valid_bits": samples.valid_bits,
        "channels": samples.channels,
        "sample_rate_hz": samples.sample_rate_hz,
        "frames": capture.frames,
        "declared_frames": capture.declared_frames,
    }
    if capture.begins_s is not None:
        document["begins_s"] = round(capture.begins_s, 6)
    if capture.speakers:
        document["speakers"] = list(capture.speakers)
    if isinstance(capture, WaveCapture):
        document["form"] = str(capture.walk.form)
        document["chunks"] = _chunks(capture)
    # The raw chunks in their order; with the sample bytes of the master they are the file.
    document["payloads"] = [
        (_unsaid if number in held.private and not whole else _raw)(chunk.chunk_id, chunk.payload)
        for number, chunk in enumerate(held.original)
    ]
    document["findings"] = [secrets.removed(finding).as_json() for finding in capture.findings]
    return json.dumps(document, ensure_ascii=False, indent=2).encode() + b"\n"
