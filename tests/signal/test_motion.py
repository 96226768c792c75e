"""What a small session of takes gives together, and what it finds against the sheet."""

from __future__ import annotations

import dataclasses
import json

import jsonschema
import numpy as np
import pytest

from archiver.findings import Where
from archiver.schema_store import schema
from archiver.signal.geometry import Groove
from archiver.signal.motion import Motion, MotionTake, TakeKind, measure_motion
from archiver.signal.motion_json import motion_as_json
from archiver.signal.reduced import REDUCED_RATE_HZ, ReducedSound
from tests.signal.demonstrations import demonstration
from tests.simulator.draws import Draws

GROOVE = Groove(outer_diameter_mm=57.15, pitch_mm=0.254, length_mm=101.6)


def _noise() -> ReducedSound:
    noise = 0.1 * Draws(1, "noise").normals(8 * REDUCED_RATE_HZ)
    return ReducedSound(samples=noise.astype(np.float32))


def _takes(nominal_rpm: float) -> list[MotionTake]:
    performance, reproduction, _, _ = demonstration(2000)
    sheet = "session.yaml"
    return [
        MotionTake(
            identifier="t01",
            kind=TakeKind.PERFORMANCE,
            where=Where(file=sheet, field="takes[0]"),
            load=lambda: performance,
            nominal_rpm=nominal_rpm,
            tone_hz=440.0,
            groove=GROOVE,
        ),
        MotionTake(
            identifier="t02",
            kind=TakeKind.REPRODUCTION,
            where=Where(file=sheet, field="takes[1]"),
            load=lambda: reproduction,
            reproduces="t01",
            medium="cyl-1",
            playings_before=0,
            nominal_rpm=nominal_rpm,
            nominal_where=Where(file=sheet, field="setups[0].nominal_speed"),
            groove=GROOVE,
        ),
        MotionTake(
            identifier="t03",
            kind=TakeKind.REPRODUCTION,
            where=Where(file=sheet, field="takes[2]"),
            load=_noise,
            reproduces="t01",
            medium="cyl-1",
            playings_before=1,
        ),
        MotionTake(
            identifier="t04",
            kind=TakeKind.OTHER,
            where=Where(file=sheet, field="takes[3]"),
            load=lambda: ReducedSound(samples=np.zeros(6 * REDUCED_RATE_HZ, np.float32)),
        ),
    ]


@pytest.fixture(scope="module")
def motion() -> Motion:
    _, _, truth, _ = demonstration(2000)
    return measure_motion(_takes(round(1.3 * truth.rotation.mean_rpm)))


def test_both_machines_speeds_come_from_one_reproduction(motion: Motion) -> None:
    _, _, truth, _ = demonstration(2000)
    reproduction = motion.takes[1]
    assert reproduction.rotation.mean_rpm.value == pytest.approx(truth.rotation.mean_rpm, rel=0.01)
    assert reproduction.recording_rpm.value == pytest.approx(truth.recording.mean_rpm, rel=0.01)


def test_a_stated_speed_that_is_not_the_measured_one_is_found_where_it_was_stated(
    motion: Motion,
) -> None:
    found = [f for f in motion.findings if f.code == "motion-speed-disagrees"]
    assert {str(f.where) for f in found} >= {"session.yaml, setups[0].nominal_speed"}
    assert "±" in found[0].message
    assert "is stated as" in found[0].message


def test_a_speed_stated_within_its_own_digits_is_no_finding() -> None:
    _, _, truth, _ = demonstration(2000)
    take = _takes(round(truth.rotation.mean_rpm))[1]
    found = measure_motion([take])
    assert "motion-speed-disagrees" not in {f.code for f in found.findings}
    assert found.takes[0].recording_rpm.reason == "the performance is not among the takes"


def test_a_reproduction_of_something_else_is_found(motion: Motion) -> None:
    found = [f for f in motion.findings if f.code == "motion-reproduction-unlike"]
    assert [f.where.field for f in found] == ["takes[2]"]


def test_a_test_tone_that_is_not_there_or_another_is_found() -> None:
    clock = np.arange(4 * REDUCED_RATE_HZ) / REDUCED_RATE_HZ
    tone = (0.1 * np.sin(2.0 * np.pi * 450.0 * clock)).astype(np.float32)
    silent = dataclasses.replace(_takes(100.0)[3], tone_hz=440.0)
    other = dataclasses.replace(silent, load=lambda: ReducedSound(samples=tone))
    right = dataclasses.replace(other, tone_hz=450.0)
    (missing,) = measure_motion([silent]).findings
    assert missing.code == "motion-tone-not-found"
    assert missing.message == (
        "a tone of 440 Hz is stated, and t04 holds none that can be measured: the take is silent"
    )
    (disagrees,) = measure_motion([other]).findings
    assert disagrees.code == "motion-pitch-disagrees"
    assert "450.00 ±" in disagrees.message
    assert measure_motion([right]).findings == ()


def test_a_take_that_is_measured_in_part_says_how_much_of_it() -> None:
    take = dataclasses.replace(_takes(100.0)[1], left_out_s=600.0)
    found = [f for f in measure_motion([take]).findings if f.code == "motion-measured-in-part"]
    assert len(found) == 1
    assert "lasts 10 min" in found[0].message
    assert "first 0 min" in found[0].message


def test_wear_needs_two_playings_that_could_be_compared(motion: Motion) -> None:
    assert [wear.medium for wear in motion.media] == ["cyl-1"]
    assert motion.media[0].takes == ("t02", "t03")
    assert "two are needed" in motion.media[0].snr.per_playing.reason


def test_every_take_has_geometry_and_a_reason_or_a_value(motion: Motion) -> None:
    reproduction, silent = motion.takes[1], motion.takes[3]
    assert reproduction.geometry.at[0].surface_speed_mm_s.value == pytest.approx(
        np.pi * 57.15 * (reproduction.rotation.mean_rpm.value or 0.0) / 60.0
    )
    assert silent.rotation.mean_rpm.reason
    assert silent.recording_rpm.reason == "no record turned"


def test_wavering_is_read_from_every_curve_there_is(motion: Motion) -> None:
    carriers = [wavering.carrier for wavering in motion.takes[1].wavering]
    assert carriers == ["marks once a turn", "reproduction against performance"]


def test_the_report_meets_its_schema_and_survives_json(motion: Motion) -> None:
    document = motion_as_json(motion)
    jsonschema.Draft202012Validator(schema("motion")).validate(document)
    assert json.loads(json.dumps(document, allow_nan=False)) == document


def test_the_schema_is_closed_and_every_member_is_described_with_an_example() -> None:
    document = schema("motion")
    jsonschema.Draft202012Validator.check_schema(document)

    def check(node: dict[str, object]) -> None:
        properties = node.get("properties", {})
        assert isinstance(properties, dict)
        if properties:
            assert node["additionalProperties"] is False
        for name, member in properties.items():
            assert member.get("description"), name
            assert member.get("examples"), name
            check(member)
            if isinstance(member.get("items"), dict):
                check(member["items"])

    check(document)
    for definition in document["$defs"].values():
        check(definition)


def test_examples_of_estimates_in_the_schema_meet_the_schema() -> None:
    document = schema("motion")
    for name, definition in document["$defs"].items():
        whole = {**definition, "$defs": document["$defs"]}
        validator = jsonschema.Draft202012Validator(whole)
        for example in definition.get("examples", []):
            assert not list(validator.iter_errors(example)), name


def test_progress_names_each_take_in_order() -> None:
    names: list[str] = []
    measure_motion(_takes(100.0)[2:], on_take=names.append)
    assert names == ["t03", "t04"]
