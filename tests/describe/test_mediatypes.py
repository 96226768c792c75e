from __future__ import annotations

import pytest

from archiver.describe.mediatypes import media_type_of
from archiver.describe.selfcheck.forms import is_media_type


@pytest.mark.parametrize(
    ("path", "media_type"),
    [
        ("data/masters/x_t01.wav", "audio/vnd.wave"),
        ("data/photographs/HORN.JPG", "image/jpeg"),
        ("data/documents/session.yaml", "application/yaml"),
        ("data.d/README", "application/octet-stream"),
        (".wav", "application/octet-stream"),
        ("x.unheard-of", "application/octet-stream"),
    ],
)
def test_a_media_type_is_told_by_the_ending(path: str, media_type: str) -> None:
    assert media_type_of(path) == media_type
    assert is_media_type(media_type)
