"""Quantities as people write them.

Sources: 1 in = 25.4 mm and 1 lb = 0.45359237 kg exactly (international yard and pound
agreement, 1959; NIST SP 811, appendix B, from memory); the other figures follow from
these by hand.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from archiver.errors import InputError
from archiver.session.quantity import Quantity, parse_quantity
from archiver.session.units import QuantityKind

L, M, D, F, R, P = (
    QuantityKind.LENGTH,
    QuantityKind.MASS,
    QuantityKind.DURATION,
    QuantityKind.FREQUENCY,
    QuantityKind.ROTATION,
    QuantityKind.GROOVE_PITCH,
)

STATED = [
    (L, "3.5 in", 0.0889),
    (L, "3 1/2 in", 0.0889),
    (L, "3½ in", 0.0889),
    (L, '2 1/4"', 0.05715),
    (L, "2¼”", 0.05715),
    (L, "2 3/16 in", 0.0555625),
    (L, "1/4 in", 0.00635),
    (L, "2.1875 in", 0.0555625),
    (L, "89 mm", 0.089),
    (L, "89mm", 0.089),
    (L, "3,5 mm", 0.0035),
    (L, "0,254 mm", 0.000254),
    (L, "0.4 m", 0.4),
    (L, ".25 in", 0.00635),
    (L, "150 µm", 0.00015),
    (L, "150 μm", 0.00015),
    (L, "6 thou", 0.0001524),
    (L, "1 ft 3 in", 0.381),
    (L, "1' 3\"", 0.381),
    (L, "1 000 mm", 1.0),
    (L, "1\u202f000\u00a0mm", 1.0),
    (M, "11.5 kg", 11.5),
    (M, "5 lb 3 oz", 2.353010419375),
    (M, "5 lbs. and 3 oz.", 2.353010419375),
    (M, "250 g", 0.25),
    (D, "2 min 30 s", 150.0),
    (D, "2:30", 150.0),
    (D, "1:02:30", 3750.0),
    (D, "2:30,5", 150.5),
    (D, "1 h 2 min", 3720.0),
    (D, "90 seconds", 90.0),
    (F, "48 kHz", 48000.0),
    (F, "44.1kHz", 44100.0),
    (F, "44,1 kHz", 44100.0),
    (F, "48000 Hz", 48000.0),
    (F, "2.8224 MHz", 2822400.0),
    (R, "160 rpm", 160 / 60),
    (R, "78.26 r/min", 78.26 / 60),
    (R, "160 U/min", 160 / 60),
    (R, "160 tr/min", 160 / 60),
    (R, "160 omdr./min", 160 / 60),
    (R, "2 rps", 2.0),
    (R, "100 turns per minute", 100 / 60),
    (R, "100 min⁻¹", 100 / 60),
    (P, "100 tpi", 100 / 0.0254),
    (P, "0.254 mm", 100 / 0.0254),
    (P, "1/100 in", 100 / 0.0254),
    (P, "160 threads per inch", 160 / 0.0254),
    (P, "4 grooves/mm", 4000.0),
]


@pytest.mark.parametrize(("kind", "text", "value"), STATED)
def test_value_in_si(kind: QuantityKind, text: str, value: float) -> None:
    quantity = parse_quantity(text, kind)
    assert quantity.value == pytest.approx(value, rel=1e-15)
    assert quantity.text == text


def test_conversion_is_exact_until_the_last_rounding() -> None:
    # In binary arithmetic 0.1 * 25.4 / 1000 is not the float nearest to 0.00254.
    assert parse_quantity("0.1 in", L).value == 0.00254


@pytest.mark.parametrize(
    ("kind", "text", "unit"),
    [(L, "1 mm", "m"), (M, "1 g", "kg"), (D, "1 s", "s"), (F, "1 Hz", "Hz"), (R, "1 rpm", "1/s"),
     (P, "1 tpi", "1/m")],
)  # fmt: skip
def test_unit_is_that_of_the_kind(kind: QuantityKind, text: str, unit: str) -> None:
    assert parse_quantity(text, kind).unit == unit


def test_one_groove_pitch_in_its_three_units() -> None:
    pitch = parse_quantity("100 tpi", P)
    assert pitch.tpi == pytest.approx(100)
    assert pitch.pitch_m == pytest.approx(0.000254)
    assert pitch == Quantity(text="100 tpi", value=parse_quantity("0.254 mm", P).value, unit="1/m")


def test_rpm_of_a_rotation() -> None:
    assert parse_quantity("160 rpm", R).rpm == pytest.approx(160)


@pytest.mark.parametrize("name", ["rpm", "pitch_m", "tpi"])
def test_a_property_of_another_kind_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="89 mm"):
        getattr(parse_quantity("89 mm", L), name)


@pytest.mark.parametrize(
    ("kind", "text", "value", "tolerance"),
    [
        (L, "380 mm ± 2 mm", 0.38, 0.002),
        (L, "380 ± 2 mm", 0.38, 0.002),
        (L, "380 mm ± 2", 0.38, 0.002),
        (L, "3.5 in +/- 1/16 in", 0.0889, 0.0015875),
        (R, "160 rpm ± 1 %", 160 / 60, 1.6 / 60),
        (M, "11.5 kg ±100 g", 11.5, 0.1),
        (P, "100 tpi ± 2 tpi", 100 / 0.0254, 2 / 0.0254),
        # A pitch of p ± d is a count of 1/p ± d/p² to first order.
        (P, "0.254 mm ± 0.001 mm", 1 / 0.000254, 0.000001 / 0.000254**2),
    ],
)
def test_tolerance_is_kept_in_text_and_in_si(
    kind: QuantityKind, text: str, value: float, tolerance: float
) -> None:
    quantity = parse_quantity(text, kind)
    assert quantity.text == text
    assert quantity.value == pytest.approx(value)
    assert quantity.tolerance == pytest.approx(tolerance)


@pytest.mark.parametrize("word", ["ca. ", "ca ", "c. ", "circa ", "about ", "approx. ", "~", "≈ "])
def test_a_qualifier_is_kept_and_told(word: str) -> None:
    quantity = parse_quantity(f"{word}380 mm", L)
    assert (quantity.text, quantity.value, quantity.approximate) == (f"{word}380 mm", 0.38, True)


@pytest.mark.parametrize(
    ("kind", "text", "reason"),
    [
        (L, "160 rpm", "is a speed of rotation, where a length is wanted"),
        (R, "89 mm", "is a length, where a speed of rotation is wanted"),
        (F, "2:30", "is a duration, where a frequency is wanted"),
        (M, "48 kHz", "is a frequency, where a weight is wanted"),
        (D, "11.5 kg", "is a weight, where a duration is wanted"),
        (L, "100 tpi", "is a groove pitch, where a length is wanted"),
        (L, "89", "has no unit"),
        (L, "89 furlongs", "has the unit `furlongs`"),
        (L, "-3 mm", "is negative"),
        (L, "wide", "does not begin with a number"),
        (L, "", "does not begin with a number"),
        (L, "1,500 mm", "may mean 1500 or 1.500"),
        (F, "48,000 Hz", "may mean 48000 or 48.000"),
        (L, "3 1/0 in", "unit"),
        (L, "3 mm 1 in", "unit"),
        (D, "1:75", "unit"),
        (D, "1:60:00", "unit"),
        (P, "0 mm", "pitch of nothing"),
        (L, "380 ±", "nothing after it"),
        (L, "380 mm ± wide", "tolerance"),
        (L, "380 mm ± x %", "tolerance"),
        (L, "1 Mm", "unit"),
        (L, "9" * 100, "no unit"),
        (L, "9" * 1000 + " mm", "too long"),
    ],
)
def test_what_is_no_such_quantity_is_refused_with_the_reason(
    kind: QuantityKind, text: str, reason: str
) -> None:
    with pytest.raises(InputError) as refusal:
        parse_quantity(text, kind)
    assert reason in refusal.value.found
    assert refusal.value.accepted


UNITS_JUDGED = [
    (L, "mm", Fraction(1, 1000)),
    (L, "in", Fraction(254, 10000)),
    (L, "ft", Fraction(3048, 10000)),
    (M, "oz", Fraction(45359237, 100000000) / 16),
    (M, "kg", Fraction(1)),
    (D, "min", Fraction(60)),
    (F, "kHz", Fraction(1000)),
    (R, "rpm", Fraction(1, 60)),
    (P, "tpi", Fraction(10000, 254)),
]


@given(
    st.sampled_from(UNITS_JUDGED),
    st.decimals(min_value=0, max_value=10**6, places=4, allow_nan=False, allow_infinity=False),
    st.sampled_from([".", ","]),
    st.sampled_from([" ", "", "\u00a0"]),
)
def test_any_decimal_in_any_unit_is_the_nearest_float(
    unit: tuple[QuantityKind, str, Fraction], number: Decimal, mark: str, gap: str
) -> None:
    kind, name, factor = unit
    exact = Fraction(number) * factor
    if kind is P and not exact:
        return
    quantity = parse_quantity(f"{number:f}".replace(".", mark) + gap + name, kind)
    assert quantity.value == float(exact)


@given(st.integers(0, 999), st.integers(1, 999), st.integers(1, 999))
def test_a_mixed_number_is_the_sum_of_whole_and_fraction(
    whole: int, above: int, below: int
) -> None:
    quantity = parse_quantity(f"{whole} {above}/{below} in", L)
    assert quantity.value == float((whole + Fraction(above, below)) * Fraction(254, 10000))


@given(st.integers(0, 200), st.integers(0, 59), st.integers(0, 59))
def test_clock_and_spelt_duration_agree(hours: int, minutes: int, seconds: int) -> None:
    clock = parse_quantity(f"{hours}:{minutes:02d}:{seconds:02d}", D)
    spelt = parse_quantity(f"{hours} h {minutes} min {seconds} s", D)
    assert clock.value == spelt.value == hours * 3600 + minutes * 60 + seconds


@given(
    st.sampled_from(list(QuantityKind)),
    st.text(alphabet="0123456789/.,:½ mcinftkgHzrp±%~-", max_size=20),
)
@example(L, "1/0")
@example(L, "0/0 in")
@example(P, "0/1 in")
@example(L, "± mm")
@example(L, "²")
def test_any_text_is_a_quantity_or_an_input_error(kind: QuantityKind, text: str) -> None:
    try:
        quantity = parse_quantity(text, kind)
    except InputError:
        return
    assert quantity.text == text
    assert quantity.value >= 0
