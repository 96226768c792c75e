"""Media types by the ending of a file's name.

A table of our own, since the standard library asks the operating system, which gives
different answers on different machines. Source: IANA media types registry (from
memory); ``audio/vnd.wave`` is RFC 2361.
"""

from __future__ import annotations

from collections.abc import Mapping

__all__ = ["media_type_of"]

_TYPES: Mapping[str, str] = {
    "aif": "audio/aiff",
    "aiff": "audio/aiff",
    "csv": "text/csv",
    "docx": "application/vnd.openxmlformats-officedocument.wordprocessingml.document",
    "flac": "audio/flac",
    "gif": "image/gif",
    "html": "text/html",
    "jp2": "image/jp2",
    "jpeg": "image/jpeg",
    "jpg": "image/jpeg",
    "json": "application/json",
    "md": "text/markdown",
    "mkv": "video/matroska",
    "mov": "video/quicktime",
    "mp3": "audio/mpeg",
    "mp4": "video/mp4",
    "odt": "application/vnd.oasis.opendocument.text",
    "opus": "audio/ogg",
    "pdf": "application/pdf",
    "png": "image/png",
    "rtf": "application/rtf",
    "svg": "image/svg+xml",
    "tif": "image/tiff",
    "tiff": "image/tiff",
    "txt": "text/plain",
    "wav": "audio/vnd.wave",
    "webp": "image/webp",
    "xml": "application/xml",
    "yaml": "application/yaml",
    "yml": "application/yaml",
}


def media_type_of(path: str) -> str:
    """Return the media type of a file by its name; ``application/octet-stream`` if unknown."""
    name = path.rpartition("/")[2]
    stem, dot, ending = name.rpartition(".")
    known = _TYPES.get(ending.lower()) if stem and dot else None
    return known or "application/octet-stream"
