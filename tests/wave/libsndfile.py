"""libsndfile by its C interface, on the library that the soundfile package brings along.

Layouts: ``sndfile.h`` of libsndfile 1.2.2 (SF_INFO, SF_BROADCAST_INFO, SF_CUES) and its
command numbers. The broadcast record is not the image of the chunk: it is aligned for C.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass
from pathlib import Path

import soundfile

_GET_BROADCAST_INFO = 0x10F0
_GET_CUE_COUNT = 0x10CD
_GET_CUE = 0x10CE
_READ = 0x10


class _Info(ctypes.Structure):
    _fields_ = (
        ("frames", ctypes.c_int64),
        ("samplerate", ctypes.c_int),
        ("channels", ctypes.c_int),
        ("format", ctypes.c_int),
        ("sections", ctypes.c_int),
        ("seekable", ctypes.c_int),
    )


class _Broadcast(ctypes.Structure):
    _fields_ = (
        ("description", ctypes.c_char * 256),
        ("originator", ctypes.c_char * 32),
        ("originator_reference", ctypes.c_char * 32),
        ("origination_date", ctypes.c_char * 10),
        ("origination_time", ctypes.c_char * 8),
        ("time_reference_low", ctypes.c_uint32),
        ("time_reference_high", ctypes.c_uint32),
        ("version", ctypes.c_short),
        ("umid", ctypes.c_char * 64),
        ("loudness_value", ctypes.c_int16),
        ("loudness_range", ctypes.c_int16),
        ("max_true_peak_level", ctypes.c_int16),
        ("max_momentary_loudness", ctypes.c_int16),
        ("max_short_term_loudness", ctypes.c_int16),
        ("reserved", ctypes.c_char * 180),
        ("coding_history_size", ctypes.c_uint32),
        ("coding_history", ctypes.c_char * 9000),
    )


class _Cue(ctypes.Structure):
    _fields_ = (
        ("indx", ctypes.c_int32),
        ("position", ctypes.c_uint32),
        ("fcc_chunk", ctypes.c_int32),
        ("chunk_start", ctypes.c_int32),
        ("block_start", ctypes.c_int32),
        ("sample_offset", ctypes.c_uint32),
        ("name", ctypes.c_char * 256),
    )


class _Cues(ctypes.Structure):
    _fields_ = (("count", ctypes.c_uint32), ("points", _Cue * 100))


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What libsndfile reads of a file."""

    frames: int
    samplerate: int
    channels: int
    broadcast: dict[str, bytes | int] | None
    cues: tuple[tuple[int, str], ...]


def _library() -> ctypes.CDLL:
    # The package keeps the path of its library; its cffi handle offers no commands.
    name = soundfile._explicit_libname if hasattr(soundfile, "_explicit_libname") else ""
    package = Path(soundfile.__file__).parent / "_soundfile_data"
    if not name and package.is_dir():
        name = str(next(p for p in sorted(package.iterdir()) if "sndfile" in p.name))
    library = ctypes.CDLL(name or "libsndfile.so.1")
    library.sf_open.restype = ctypes.c_void_p
    library.sf_open.argtypes = (ctypes.c_char_p, ctypes.c_int, ctypes.c_void_p)
    library.sf_command.argtypes = (
        ctypes.c_void_p,
        ctypes.c_int,
        ctypes.c_void_p,
        ctypes.c_int,
    )
    library.sf_close.argtypes = (ctypes.c_void_p,)
    library.sf_strerror.restype = ctypes.c_char_p
    library.sf_strerror.argtypes = (ctypes.c_void_p,)
    return library


def _raw(record: ctypes.Structure, name: str) -> bytes:
    field = getattr(type(record), name)
    start = ctypes.addressof(record) + field.offset
    return ctypes.string_at(start, field.size)


def look(path: Path) -> Seen:
    """Open a file and read what there is to read."""
    library = _library()
    info = _Info()
    handle = library.sf_open(str(path).encode(), _READ, ctypes.byref(info))
    assert handle, library.sf_strerror(None)
    try:
        record = _Broadcast()
        broadcast: dict[str, bytes | int] | None = None
        if library.sf_command(
            handle, _GET_BROADCAST_INFO, ctypes.byref(record), ctypes.sizeof(record)
        ):
            broadcast = {}
            for name, kind in _Broadcast._fields_:
                value = getattr(record, name)
                broadcast[name] = _raw(record, name) if hasattr(kind, "_length_") else int(value)
            size = record.coding_history_size
            broadcast["coding_history"] = _raw(record, "coding_history")[:size]
        count = ctypes.c_uint32()
        cues: tuple[tuple[int, str], ...] = ()
        if library.sf_command(handle, _GET_CUE_COUNT, ctypes.byref(count), 4) and count.value:
            found = _Cues()
            library.sf_command(handle, _GET_CUE, ctypes.byref(found), ctypes.sizeof(found))
            cues = tuple(
                (found.points[n].sample_offset, found.points[n].name.decode())
                for n in range(found.count)
            )
        return Seen(
            frames=info.frames,
            samplerate=info.samplerate,
            channels=info.channels,
            broadcast=broadcast,
            cues=cues,
        )
    finally:
        library.sf_close(handle)
