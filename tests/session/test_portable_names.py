"""Names for every system; rules of Windows and of Unicode as named in the module."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.session.portable_names import same_elsewhere, shown, why_not_portable


@pytest.mark.parametrize(
    ("path", "reason"),
    [
        ("takes/con.wav", "device CON"),
        ("takes/NUL", "device NUL"),
        ("takes/com1.tar.gz", "device COM1"),
        ("takes/LPT9.txt", "device LPT9"),
        ("aux/0001.wav", "device AUX"),
        ("takes/a:b.wav", "':'"),
        ("takes/what?.wav", "'?'"),
        ("takes/a\\b.wav", "'\\\\'"),
        ("takes/tab\t.wav", "'\\t'"),
        ("takes/end.", "full stop"),
        ("takes/end ", "blank"),
        ("takes/" + "x" * 256, "longer than 255"),
        ("takes/\udcff.wav", "not UTF-8"),
    ],
)
def test_names_that_a_system_refuses_are_told_with_the_reason(path: str, reason: str) -> None:
    assert reason in str(why_not_portable(path))


@pytest.mark.parametrize(
    "path",
    ["takes/0001.wav", "photographs/køkken.png", "takes/conical.wav", "a b/c-d_e.f", "com/x"],
)
def test_ordinary_names_are_portable(path: str) -> None:
    assert why_not_portable(path) is None


def test_names_that_differ_in_case_or_normal_form_are_one_elsewhere() -> None:
    assert same_elsewhere("Takes/É.WAV") == same_elsewhere("takes/e\u0301.wav")
    assert same_elsewhere("takes/e.wav") != same_elsewhere("takes/é.wav")


@given(st.text(max_size=20))
def test_the_key_does_not_depend_on_case_or_normal_form(text: str) -> None:
    decomposed = unicodedata.normalize("NFD", text)
    assert same_elsewhere(decomposed) == same_elsewhere(unicodedata.normalize("NFC", text))
    assert same_elsewhere(text.lower()) == same_elsewhere(text.lower().casefold())


def test_a_name_of_any_bytes_can_be_shown() -> None:
    assert shown("takes/\udcff.wav") == "takes/\\udcff.wav"
