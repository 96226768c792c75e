"""Unique source identifier: EBU R 99-1999."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.errors import InputError
from archiver.wave.usid import Usid, format_usid, parse

# Form of EBU R 99: two, three, twelve, six and nine characters. The parts are invented.
EXAMPLE = "DKLHM" + "MX2P00042317" + "141205" + "098765432"


def test_an_identifier_is_read_by_position() -> None:
    assert parse(EXAMPLE) == Usid(
        country="DK",
        organisation="LHM",
        recorder="MX2P00042317",
        time="141205",
        random="098765432",
    )


@given(
    st.builds(
        Usid,
        country=st.sampled_from(["DK", "SE"]),
        organisation=st.text("ABC1", min_size=3, max_size=3),
        recorder=st.text("XYZ 09-", min_size=12, max_size=12),
        time=st.sampled_from(["000000", "235959"]),
        random=st.text("0123456789", min_size=9, max_size=9),
    )
)
def test_an_identifier_has_32_characters_and_comes_back(usid: Usid) -> None:
    text = format_usid(usid)
    assert len(text) == 32
    assert parse(text) == usid


@pytest.mark.parametrize(
    "text",
    ["", EXAMPLE[:-1], EXAMPLE + "0", EXAMPLE.replace("141205", "246060"), "dk" + EXAMPLE[2:],
     EXAMPLE[:5] + "Æ" + EXAMPLE[6:]],
)  # fmt: skip
def test_another_form_is_refused(text: str) -> None:
    with pytest.raises(InputError, match="unique source identifier"):
        parse(text)


def test_parts_of_wrong_length_are_refused_although_their_sum_is_right() -> None:
    with pytest.raises(ValueError, match="2, 3, 12, 6 and 9"):
        Usid(country="DKL", organisation="HM", recorder="M" * 12, time="141205", random="0" * 9)
