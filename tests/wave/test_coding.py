"""The record of a coding: its words, and back from what a bag keeps."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.errors import InputError
from archiver.wave.coding import Fidelity, SoundCoding

TEXTS = st.text(min_size=1, max_size=12)
CODINGS = st.builds(
    SoundCoding,
    container=TEXTS,
    codec=TEXTS,
    profile=st.text(max_size=8),
    fidelity=st.sampled_from(Fidelity),
    bit_rate_bit_s=st.none() | st.integers(0, 10**9),
    decoder=st.text(max_size=20),
)


@given(CODINGS)
def test_what_is_written_is_read_back(coding: SoundCoding) -> None:
    assert SoundCoding.from_json(coding.as_json(), "here") == coding


@pytest.mark.parametrize(
    "members",
    [
        {},
        {"codec": "AAC"},
        {"codec": 3, "fidelity": "lossy"},
        {"codec": "AAC", "fidelity": "fine"},
        {"codec": "AAC", "fidelity": ["lossy"]},
        {"codec": "AAC", "fidelity": "lossy", "bit_rate_bit_s": "96"},
        {"codec": "AAC", "fidelity": "lossy", "bit_rate_bit_s": True},
    ],
)
def test_another_form_is_refused_with_its_place(members: dict[str, object]) -> None:
    with pytest.raises(InputError) as caught:
        SoundCoding.from_json(members, "archiving.json, masters[0].coding")
    assert caught.value.where == "archiving.json, masters[0].coding"


def test_one_line_says_codec_file_rate_and_what_it_keeps() -> None:
    coding = SoundCoding(
        container="MP4",
        codec="AAC",
        profile="LC",
        fidelity=Fidelity.LOSSY,
        bit_rate_bit_s=96_330,
    )
    assert str(coding) == "AAC LC in MP4, 96 kbit/s, lossy"
    flac = SoundCoding(container="FLAC", codec="FLAC", fidelity=Fidelity.LOSSLESS)
    assert str(flac) == "FLAC, lossless"
