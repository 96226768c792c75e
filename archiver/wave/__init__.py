"""Captures in, masters out: the RIFF, RF64 and BW64 container and one module per chunk.

Each chunk has a module of its name with a record and two pure functions, ``decode``
and ``encode``. The names below are looked up in their modules when they are first
used, so that laying a file open needs no library that decoding a video does.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from archiver.wave.bext import Bext, Loudness
    from archiver.wave.capture import Capture, CaptureKind, open_capture
    from archiver.wave.carry import check_md5, merge_bext
    from archiver.wave.container import Form, Walk, walk
    from archiver.wave.existing import Existing
    from archiver.wave.fitting import fit_field
    from archiver.wave.format import Format
    from archiver.wave.info import Info, InfoEntry
    from archiver.wave.inspect import Inspection
    from archiver.wave.master import MasterChunks, MasterLayout, MasterWriter
    from archiver.wave.subchunks import RawChunk

__all__ = [
    "Bext",
    "Capture",
    "CaptureKind",
    "Existing",
    "Form",
    "Format",
    "Info",
    "InfoEntry",
    "Inspection",
    "Loudness",
    "MasterChunks",
    "MasterLayout",
    "MasterWriter",
    "RawChunk",
    "Walk",
    "check_md5",
    "fit_field",
    "merge_bext",
    "open_capture",
    "walk",
]

_HOMES = {
    "bext": ("Bext", "Loudness"),
    "capture": ("Capture", "CaptureKind", "open_capture"),
    "carry": ("check_md5", "merge_bext"),
    "container": ("Form", "Walk", "walk"),
    "existing": ("Existing",),
    "fitting": ("fit_field",),
    "format": ("Format",),
    "info": ("Info", "InfoEntry"),
    "inspect": ("Inspection",),
    "master": ("MasterChunks", "MasterLayout", "MasterWriter"),
    "subchunks": ("RawChunk",),
}


def __getattr__(name: str) -> Any:
    for module, names in _HOMES.items():
        if name in names:
            return getattr(importlib.import_module(f"{__name__}.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
