"""Reports of measurements and of motion, read back from a bag; anything else refused in words."""

from __future__ import annotations

import copy
from contextlib import suppress
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from archiver.describe.motion_record import motion_record
from archiver.describe.sound_record import sound_record
from archiver.errors import InputError
from archiver.schema_store import schema
from tests.pages.records import measurement, motion

REPORTS = [
    (sound_record, measurement(1), "levels.json"),
    (motion_record, motion(), "motion.json"),
]


def places(value: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a document."""
    found = [at] if at else []
    if isinstance(value, dict):
        for name, one in value.items():
            found += places(one, (*at, name))
    elif isinstance(value, list):
        for number, one in enumerate(value[:3]):
            found += places(one, (*at, number))
    return found


def replaced(document: Any, at: tuple[Any, ...], value: Any) -> Any:
    """The document with another value at a place."""
    changed = copy.deepcopy(document)
    group = changed
    for name in at[:-1]:
        group = group[name]
    group[at[-1]] = value
    return changed


def test_the_documents_of_these_tests_are_of_the_public_form() -> None:
    for name, document in (("measurement", measurement(1)), ("motion", motion())):
        jsonschema.Draft202012Validator(schema(name)).validate(document)


def test_levels_and_bands_are_read() -> None:
    found = sound_record(measurement(2), "metadata/measurements/t03.json")
    assert found.integrated_lufs == -22.0
    assert found.course_step_s == 0.1
    assert found.course_lufs[:5] == (None, None, None, None, -60.0)
    (channel,) = found.channels
    assert channel.bandwidth_hz == (89.1, 4466.8)
    assert channel.clipped == ("00:00:01.000 to 00:00:01.250",)
    assert (channel.bands[0].nominal_hz, channel.bands[0].noise_dbfs) == (31.5, -80.0)


def test_a_report_without_a_course_is_read_too() -> None:
    """The member came later; a report of before has none."""
    document = measurement(0)
    del document["loudness"]["course"]
    assert sound_record(document, "x").course_lufs == ()


def test_turns_that_were_not_heard_are_left_out() -> None:
    found = motion_record(motion(), "metadata/motion.json").takes["t04"]
    # 20 marks a, 19 turns; the turns before and after the mark that was not heard are gone.
    assert len(found.turns.values) == 17
    assert found.turns.time_s[0] == pytest.approx(0.3)
    assert len(found.ratio_course.values) == 560
    assert found.speed.interval == pytest.approx((98.9575, 99.0225))
    assert found.steadiest is not None
    assert found.steadiest.weighted.value == 0.4


def test_a_take_without_turns_says_why() -> None:
    found = motion_record(motion(), "metadata/motion.json").takes["t03"]
    assert found.speed.reason == "no sound returns once a turn"
    assert found.ratio is None
    assert found.turns.values == ()


@given(data=st.data())
def test_a_damaged_report_is_read_or_refused(data: st.DataObject) -> None:
    reader, document, name = data.draw(
        st.sampled_from(
            [
                (sound_record, measurement(1), "levels.json"),
                (motion_record, motion(), "motion.json"),
            ]
        )
    )
    at = data.draw(st.sampled_from(places(document)))
    value = data.draw(st.sampled_from([None, "x", -1, [], {}, [None], {"unit": 3}, 1e999]))
    with suppress(InputError):
        reader(replaced(document, at, value), name)


@pytest.mark.parametrize("document", [{}, {"takes": 3}, {"takes": [{}], "media": []}])
def test_what_is_no_report_is_refused_with_its_name(document: dict[str, Any]) -> None:
    for reader in (sound_record, motion_record):
        with pytest.raises(InputError, match="is no report") as refused:
            reader(document, "metadata/some.json")
        assert refused.value.where == "metadata/some.json"
