"""``bext`` by its byte map, and the loudness examples of its document."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.errors import InputError
from archiver.wave import bext
from archiver.wave.bext import UNUSED, Bext, ForeignText, Loudness, with_fields
from archiver.wave.text import Charset

# EBU Tech 3285 v2, 2.3: the offsets of the fields, as the document counts them.
OFFSETS = {
    "Description": 0,
    "Originator": 256,
    "OriginatorReference": 288,
    "OriginationDate": 320,
    "OriginationTime": 330,
    "TimeReferenceLow": 338,
    "TimeReferenceHigh": 342,
    "Version": 346,
    "UMID": 348,
    "LoudnessValue": 412,
    "LoudnessRange": 414,
    "MaxTruePeakLevel": 416,
    "MaxMomentaryLoudness": 418,
    "MaxShortTermLoudness": 420,
    "Reserved": 422,
}


def test_the_table_has_the_offsets_of_the_standard() -> None:
    assert {field.name: field.offset for field in bext.FIXED.fields} == OFFSETS
    assert bext.FIXED.size == 602


def test_every_field_stands_at_its_offset() -> None:
    payload = bext.encode(
        Bext(
            description="D",
            originator="O",
            originator_reference="R",
            origination_date="2026-04-18",
            origination_time="14:12:05",
            time_reference=(7 << 32) + 5,
            umid=b"U" * 64,
            loudness=Loudness(
                loudness_value=-2300,
                loudness_range=700,
                max_true_peak_level=-100,
                max_momentary_loudness=-1900,
                max_short_term_loudness=-2000,
            ),
            reserved=b"z" * 180,
            coding_history="A=PCM\r\n",
        )
    )
    assert payload[:2] == b"D\0"
    assert payload[256:258] == b"O\0"
    assert payload[288:290] == b"R\0"
    assert payload[320:330] == b"2026-04-18"
    assert payload[330:338] == b"14:12:05"
    assert struct.unpack_from("<IIH", payload, 338) == (5, 7, 2)
    assert payload[348:412] == b"U" * 64
    assert struct.unpack_from("<5h", payload, 412) == (-2300, 700, -100, -1900, -2000)
    assert payload[422:602] == b"z" * 180
    assert payload[602:] == b"A=PCM\r\n"


# EBU Tech 3285 v2, 2.4: the document's own examples of rounding.
@pytest.mark.parametrize(
    ("value", "stored"),
    [
        (-22.644, 0xF728),
        (-22.645, 0xF727),
        (-22.646, 0xF727),
        (12.764, 0x04FC),
        (12.765, 0x04FD),
        (12.766, 0x04FD),
    ],
)
def test_loudness_is_rounded_half_away_from_zero(value: float, stored: int) -> None:
    found = Loudness.measured(loudness_lufs=value).loudness_value
    assert found.to_bytes(2, "little", signed=True) == stored.to_bytes(2, "little")


@given(st.integers(-9999, 9999))
def test_a_stored_loudness_reads_back_as_the_value_it_was_made_of(number: int) -> None:
    stored = Loudness.measured(loudness_lufs=number / 100)
    assert stored.loudness_value == number
    assert stored.read("loudness_value") == number / 100


@pytest.mark.parametrize("value", [None, float("-inf"), float("nan"), -99.996, 100.0])
def test_a_loudness_that_cannot_be_written_is_marked_unused(value: float | None) -> None:
    assert Loudness.measured(loudness_lufs=value).loudness_value == UNUSED


def test_a_negative_range_is_marked_unused() -> None:
    assert Loudness.measured(range_lu=-0.01).loudness_range == UNUSED


# EBU Tech 3285 v2, 2.4: outside of D8F1h to 270Fh a value is ignored.
@pytest.mark.parametrize("stored", [0x7FFF, 10000, -10000, -0x8000])
def test_a_stored_loudness_out_of_range_is_no_value(stored: int) -> None:
    assert Loudness(loudness_value=stored).read("loudness_value") is None


@pytest.mark.parametrize(("version", "reserved"), [(0, 254), (1, 190), (2, 180)])
def test_older_versions_keep_the_bytes_that_they_reserve(version: int, reserved: int) -> None:
    payload = bytearray(602)
    struct.pack_into("<H", payload, 346, version)
    payload[602 - reserved :] = b"\5" * reserved
    record = bext.decode(bytes(payload))
    assert record.reserved == b"\5" * reserved
    assert (record.umid is None) == (version == 0)
    assert (record.loudness is None) == (version < 2)
    assert bext.encode(record) == bytes(payload)


def test_a_version_below_2_has_no_loudness_and_not_0_lufs() -> None:
    payload = bytearray(602)
    payload[346] = 1
    assert bext.decode(bytes(payload)).loudness is None


def test_a_text_that_fills_its_field_needs_no_nul() -> None:
    payload = bext.encode(Bext(originator="x" * 32))
    assert payload[256:288] == b"x" * 32
    assert bext.decode(payload).originator == "x" * 32


def test_bytes_behind_the_nul_are_kept_and_not_read() -> None:
    payload = bytearray(bext.encode(Bext(originator="LHM")))
    payload[256:288] = b"LHM\0left over".ljust(32, b"\0")
    record = bext.decode(bytes(payload))
    assert record.originator == "LHM"
    assert bext.encode(record) == bytes(payload)


@pytest.mark.parametrize(
    ("stored", "text", "charset"),
    [
        (b"Bl\xc3\xa5b\xc3\xa6r", "Blåbær", Charset.UTF_8),
        (b"Bl\xe5b\xe6r", "Blåbær", Charset.LATIN_1),
        (b"Blaabaer", "Blaabaer", Charset.ASCII),
    ],
)
def test_the_character_set_is_told(stored: bytes, text: str, charset: Charset) -> None:
    payload = stored.ljust(602, b"\0")
    record = bext.decode(payload)
    assert record.description == text
    assert record.charset("description") is charset
    assert bext.encode(record) == payload


def test_a_short_payload_is_refused_with_its_length() -> None:
    with pytest.raises(InputError, match="601 bytes") as caught:
        bext.decode(bytes(601))
    assert "602" in caught.value.accepted


@pytest.mark.parametrize(
    "fields",
    [
        {"description": "x" * 257},
        {"description": "Blåbær"},
        {"originator": "a\0b"},
        {"time_reference": -1},
        {"time_reference": 1 << 64},
        {"version": 0, "umid": bytes(64)},
        {"version": 1, "loudness": Loudness()},
        {"umid": bytes(63)},
        {"reserved": bytes(179)},
        {"foreign": (ForeignText(field="version"),)},
        {"description": "å", "foreign": (ForeignText(field="description"),)},
        {"foreign": (ForeignText(field="description", tail=b"x"),)},
    ],
)
def test_a_record_that_cannot_be_written_cannot_be_made(fields: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"."):
        Bext(**fields)  # type: ignore[arg-type]


def test_replacing_a_text_forgets_how_the_old_one_was_stored() -> None:
    old = bext.decode(b"Bl\xe5b\xe6r\0junk".ljust(602, b"\0"))
    new = with_fields(old, version=2, description="Plain")
    assert bext.encode(new)[:8] == b"Plain\0\0\0"
    assert new.version == 2


def test_a_version_cannot_go_down() -> None:
    with pytest.raises(ValueError, match="from 2 to 1"):
        with_fields(Bext(), version=1)
