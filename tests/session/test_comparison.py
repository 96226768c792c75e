"""Two machines side by side, and machines against variants."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from archiver.session import Machine, load_session
from archiver.session.comparison import MachineView, compare_machines, view_of, with_more
from archiver.session.machine_record import ObservedFeature
from archiver.session.performance import Figure, TakeFigures, performance_rows
from archiver.session.type_record import MachineType
from archiver.session.variants import Fit, compare_variants, date_of_fitting
from tests.session.folders import whole_session
from tests.session.machines import machine, piece
from tests.session.test_plausibility import with_type


def model(folder: Path) -> MachineType:
    session = load_session(with_type(folder)).session
    assert session is not None
    return session.types[0]


def seen(**features: str) -> Machine:
    return dataclasses.replace(
        machine(piece("[1907..1910]")),
        features=tuple(
            ObservedFeature(feature=name, value=value) for name, value in features.items()
        ),
    )


def test_what_fits_what_decides_and_what_to_look_for(tmp_path: Path) -> None:
    found = compare_variants(seen(governor="Three  balls"), model(tmp_path))
    assert [variant.id for variant in found.fitting] == ["second", "third"]
    assert found.deciding == ("balls of the governor", "the firm evidence for the date")
    assert [look.feature.id for look in found.look_for] == ["address"]
    assert "look for: address on the plate" in found.statement


def test_a_feature_that_all_fitting_variants_share_is_not_looked_for(tmp_path: Path) -> None:
    found = compare_variants(seen(), model(tmp_path))
    assert [variant.id for variant in found.fitting] == ["second", "third"]
    assert [look.feature.id for look in found.look_for] == ["address"]


def test_one_variant_is_left(tmp_path: Path) -> None:
    found = compare_variants(seen(address="Kanalgade 11"), model(tmp_path))
    assert [variant.id for variant in found.fitting] == ["second"]
    assert found.look_for == ()
    assert date_of_fitting(found) == "from 1907 to 1909"
    assert [one.fit for one in found.variants[2].features] == [Fit.NOT_OBSERVED, Fit.AGAINST]
    assert json.loads(json.dumps(found.as_json())) == found.as_json()


def test_a_feature_on_a_part_that_is_not_original_excludes_nothing(tmp_path: Path) -> None:
    base = machine(piece("[1907..1910]"))
    found = compare_variants(
        dataclasses.replace(
            base,
            features=(ObservedFeature(feature="address", value="Kanalgade 11", part="horn"),),
        ),
        model(tmp_path),
    )
    assert [variant.id for variant in found.fitting] == ["second", "third"]
    assert [look.feature.id for look in found.look_for] == ["address"]


def test_a_comparison_tells_what_differs_and_what_only_one_has(tmp_path: Path) -> None:
    session = load_session(whole_session(tmp_path)).session
    assert session is not None
    one = session.machines[0]
    other = dataclasses.replace(
        one, id="other", finish="BLACK japan, nickel plate worn on the crank", mandrel=None,
        groove_pitch=None,
    )  # fmt: skip
    rows = {
        row.name: row
        for row in compare_machines(MachineView(machine=one), MachineView(machine=other))
    }
    assert not rows["finish"].differs  # capital letters apart
    assert rows["mandrel, diameter"].right == ""
    assert not rows["mandrel, diameter"].differs
    # 6 in of 160 grooves an inch at 100 rpm: 960 turns, 576 s.
    assert rows["capacity, reckoned"].left == "576 s"
    assert rows["parts that are original"].left == "1 of 3"
    assert rows["made, as firm evidence allows"].left == "from 1907 to 1910"


def test_what_was_measured_stands_beside_the_machine_that_was_heard(tmp_path: Path) -> None:
    session = load_session(whole_session(tmp_path)).session
    assert session is not None
    figures = {
        "t02": TakeFigures(
            take="t02",
            stated_speed=Figure(value=100.0, unit="rpm"),
            speed=Figure(value=98.98712, unit="rpm", uncertainty=0.0325),
            integrated_lufs=-24.06,
            signal_to_noise_db=18.0,
            bandwidth_hz=(180.0, 3550.0),
            noise_source="quiet parts",
        )
    }
    view = view_of(session, session.machines[0], figures)
    rows = {row.name: row for row in compare_machines(view, MachineView(machine=machine()))}
    assert rows["reproduction: speed, stated"].left == "t02: 100.0 rpm"
    assert rows["reproduction: speed, measured"].left == "t02: 98.987 ± 0.033 rpm"
    assert rows["reproduction: loudness, measured"].left == "t02: -24.1 LUFS"
    assert rows["reproduction: signal over its quietest tenth, measured"].left == "t02: 18.0 dB"
    band = rows["reproduction: band above its quietest tenth, measured"]
    assert (band.left, band.right) == ("t02: 180 Hz to 3550 Hz", "")
    assert not band.differs


def speeds(*figures: tuple[float, float]) -> dict[str, list[TakeFigures]]:
    return {
        "reproduction": [
            TakeFigures(
                take=f"t{number}", speed=Figure(value=value, unit="rpm", uncertainty=uncertainty)
            )
            for number, (value, uncertainty) in enumerate(figures)
        ]
    }


def test_measured_speeds_differ_only_where_their_intervals_have_nothing_in_common() -> None:
    (near,) = performance_rows(speeds((98.9, 0.2)), speeds((99.2, 0.2)))
    assert not near.differs
    (far,) = performance_rows(speeds((98.9, 0.1)), speeds((99.2, 0.1)))
    assert far.differs
    (one_of_two,) = performance_rows(speeds((98.9, 0.1), (99.1, 0.1)), speeds((99.2, 0.1)))
    assert not one_of_two.differs
    (alone,) = performance_rows(speeds((98.9, 0.1)), {})
    assert not alone.differs


@given(
    a=st.floats(50, 200), b=st.floats(50, 200), wide=st.floats(0.001, 5), narrow=st.floats(0.001, 5)
)
def test_agreement_is_the_same_from_both_sides(
    a: float, b: float, wide: float, narrow: float
) -> None:
    one = Figure(value=a, unit="rpm", uncertainty=wide)
    other = Figure(value=b, unit="rpm", uncertainty=narrow)
    assert one.may_equal(other) == other.may_equal(one)
    assert one.may_equal(one)


def test_figures_of_several_sessions_stand_side_by_side(tmp_path: Path) -> None:
    session = load_session(whole_session(tmp_path)).session
    assert session is not None
    view = MachineView(machine=session.machines[0], figures=speeds((98.9, 0.1)))
    later = TakeFigures(take="t9", speed=Figure(value=99.5, unit="rpm", uncertainty=0.1))
    more = with_more(view, {"reproduction": [later], "performance": []})
    (row,) = (row for row in compare_machines(more, view) if row.section == "performance")
    assert row.left == "t0: 98.90 ± 0.10 rpm; t9: 99.50 ± 0.10 rpm"
    assert row.right == "t0: 98.90 ± 0.10 rpm"
    assert [len(takes) for takes in more.figures.values()] == [2, 0]
