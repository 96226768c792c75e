"""Image signatures; sources beside the table of the module."""

from __future__ import annotations

import pytest

from archiver.session.images import image_kind, other_kind


@pytest.mark.parametrize(
    ("head", "kind"),
    [
        (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "PNG"),
        (b"\xff\xd8\xff\xe0\0\x10JFIF", "JPEG"),
        (b"\xff\xd8\xff\xe1\0\x10Exif", "JPEG"),
        (b"II*\0\x08\0\0\0", "TIFF"),
        (b"MM\0*\0\0\0\x08", "TIFF"),
        (b"II+\0\x08\0\0\0", "TIFF"),
        (b"RIFF\x24\0\0\0WEBPVP8 ", "WebP"),
        (b"\0\0\0\x18ftypheic\0\0\0\0", "HEIC"),
        (b"\0\0\0\x18ftypmif1\0\0\0\0", "HEIC"),
        (b"RIFF\x24\0\0\0WAVEfmt ", None),
        (b"\x89PNG\n\x1a\n", None),
        (b"", None),
    ],
)
def test_kind_by_first_bytes(head: bytes, kind: str | None) -> None:
    assert image_kind(head) == kind


@pytest.mark.parametrize(
    ("head", "words"),
    [
        (b"", "empty"),
        (b"GIF89a", "GIF"),
        (b"%PDF-1.7", "PDF"),
        (b"RIFF\x24\0\0\0WAVE", "sound"),
        (b"\0\0\0\x18ftypisom", "video"),
        (b"hello", "unknown"),
    ],
)
def test_what_it_seems_to_be_is_named(head: bytes, words: str) -> None:
    assert words in other_kind(head)
