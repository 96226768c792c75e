"""What kind of file the first bytes say it is.

Signatures: PNG (ISO/IEC 15948, 5.2), JPEG (ISO/IEC 10918-1, SOI marker), TIFF 6.0
section 2 and BigTIFF, WebP (RFC 9649, 2), HEIF (ISO/IEC 23008-12, brands); others
as commonly used, from memory.
"""

from __future__ import annotations

__all__ = ["IMAGE_EXTENSIONS", "SIGNATURE_BYTES", "image_kind", "other_kind"]

SIGNATURE_BYTES = 32
"""How many bytes the recognition needs."""

IMAGE_EXTENSIONS = {
    "PNG": (".png",),
    "JPEG": (".jpg", ".jpeg"),
    "TIFF": (".tif", ".tiff", ".dng"),
    "WebP": (".webp",),
    "HEIC": (".heic", ".heif"),
}
"""Usual ends of names, by kind."""

_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}
_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_OTHERS = (
    (b"GIF8", "a GIF image"),
    (b"BM", "a BMP image"),
    (b"%PDF-", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or an office document"),
    (b"RIFF", "a RIFF file, such as sound"),
    (b"<", "a text such as HTML or SVG"),
)


def image_kind(head: bytes) -> str | None:
    """Return PNG, JPEG, TIFF, WebP or HEIC for the first bytes of a file, else None."""
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if head.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if head.startswith(_TIFF):
        return "TIFF"
    if head.startswith(b"RIFF") and head[8:12] == b"WEBP":
        return "WebP"
    if head[4:8] == b"ftyp" and head[8:12] in _HEIF_BRANDS:
        return "HEIC"
    return None


def other_kind(head: bytes) -> str:
    """Name what a file that is no accepted image seems to be."""
    if not head:
        return "an empty file"
    if head[4:8] == b"ftyp":
        return "a video or an image of another kind"
    for signature, kind in _OTHERS:
        if head.startswith(signature):
            return kind
    return "a file of an unknown kind"
