"""Making a master of a capture, as the pipeline does, in a few lines."""

from __future__ import annotations

import dataclasses
import hashlib
from pathlib import Path
from typing import Any

from archiver import files
from archiver.wave.bext import Bext, Loudness
from archiver.wave.capture import Capture, open_capture
from archiver.wave.carry import carry
from archiver.wave.master import MasterChunks, MasterLayout, MasterWriter

BEXT = Bext(
    description="t01, local, take; lhm-2026-04-18, local, session",
    originator="DK, LHM",
    originator_reference="lhm-2026-04-18-t01",
    origination_date="2026-04-18",
    origination_time="14:12:05",
    time_reference=(1 << 33) + 5,
    umid=bytes(range(32)) + bytes(32),
    coding_history="A=ANALOGUE,M=mono,T=Vesterholm B;SN1204\r\nA=PCM,F=48000,W=24,M=mono,T=A/D\r\n",
)
LOUDNESS = Loudness.measured(
    loudness_lufs=-22.645,
    range_lu=7.25,
    true_peak_dbtp=-1.5,
    momentary_lufs=-18.0,
    short_term_lufs=-19.5,
)


def chunks_for(capture: Capture, **more: Any) -> MasterChunks:
    """Our chunks for a capture, with what it brings along."""
    ours = MasterChunks(format=capture.format, bext=more.pop("bext", BEXT), **more)
    return carry(capture.existing, ours, capture.name).chunks


def make_master(source: Path, target: Path, **more: Any) -> MasterLayout:
    """Write the master of a capture file."""
    digest = hashlib.md5(usedforsecurity=False)
    with open_capture(source, source.name) as capture, files.create(target) as file:
        writer = MasterWriter(file, chunks_for(capture, **more), capture.data_bytes)
        for block in capture.blocks(1000):
            digest.update(block)
            writer.write(block)
        bext = more.pop("bext", BEXT)
        if bext.loudness is not None:
            bext = dataclasses.replace(bext, loudness=LOUDNESS)
        final = chunks_for(capture, bext=bext, md5=digest.digest(), **more)
        return writer.finish(final)


def sample_bytes(path: Path) -> bytes:
    """The samples of a wave file, by our own walk."""
    with open_capture(path, path.name) as capture:
        return b"".join(capture.blocks())
