"""Quantities as typed: units, references, uncertainties, and what is refused."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from standbook.daq.quantity import UNITS, absolute, dimension_of, factor, in_unit, parse_quantity, parse_unit

# [AMS55] tables 2.4 and 2.5: the four exact factors everything else is built from (confirmed).
G0, POUND, INCH, ATMOSPHERE = 9.80665, 0.45359237, 0.0254, 101325.0


@pytest.mark.parametrize(
    ("unit", "dimension", "expected"),
    [
        ("lbf", "force", POUND * G0),
        ("psi", "pressure", POUND * G0 / INCH**2),
        ("lb", "mass", POUND),
        ("in", "length", INCH),
        ("ft", "length", 12 * INCH),
        ("atm", "pressure", ATMOSPHERE),
        ("bar", "pressure", 1e5),
        ("lbf*s", "impulse", POUND * G0),
        ("in2", "area", INCH**2),
        ("in3", "volume", INCH**3),
    ],
)
def test_factors_are_built_from_the_four_exact_ones(unit, dimension, expected):
    assert factor(unit, dimension) == pytest.approx(expected, rel=1e-15)


@pytest.mark.parametrize(
    ("value", "printed"),
    [
        # [SP811] B.8 as quoted in stored test suites (confirmed there; the pound from memory).
        (UNITS["force"]["lbf"], "4.448222E+00"),
        (UNITS["pressure"]["psi"], "6.894757E+03"),
        (UNITS["mass"]["lb"], "4.535924E-01"),
    ],
)
def test_factors_agree_with_the_printed_table(value, printed):
    assert f"{value:.6E}" == printed


def test_constants_of_the_library_are_the_exact_ones():
    found = (constants.g, constants.lb, constants.inch, constants.atm)
    assert found == pytest.approx((G0, POUND, INCH, ATMOSPHERE), rel=1e-15)  # its pound is grain times 7000


def test_a_gauge_pressure_is_read_with_its_uncertainty():
    q = parse_quantity("31.0 +/- 0.15 bar(g)", "pressure")
    assert (q.value, q.u, q.reference, q.unit) == (31.0e5, 0.15e5, "gauge", "Pa")


def test_a_temperature_is_shifted_but_its_uncertainty_is_not():
    q = parse_quantity("18 +/- 1 degC", "temperature")
    assert (q.value, q.u) == (pytest.approx(291.15), 1.0)
    f = parse_quantity("212 +/- 9 degF", "temperature")
    assert (f.value, f.u) == (pytest.approx(373.15), pytest.approx(5.0))


def test_gauge_becomes_absolute_with_both_uncertainties():
    ambient = parse_quantity("97.8 +/- 0.4 kPa(a)", "pressure")
    q = absolute(parse_quantity("1.000 +/- 0.003 bar(g)", "pressure"), ambient)
    assert (q.value, q.reference) == (pytest.approx(197_800.0), "absolute")
    assert q.u == pytest.approx(math.hypot(300.0, 400.0))


def test_a_difference_has_no_absolute_value():
    ambient = parse_quantity("97.8 kPa(a)", "pressure")
    with pytest.raises(ValueError, match="neither absolute nor gauge"):
        absolute(parse_quantity("1 bar(d)", "pressure"), ambient)
    with pytest.raises(ValueError, match="must be absolute"):
        absolute(parse_quantity("1 bar(g)", "pressure"), parse_quantity("0 bar(g)", "pressure"))


@pytest.mark.parametrize(
    ("text", "dimension", "message"),
    [
        (31, "pressure", "bare number 31"),
        (31.5, "mass", "bare number 31.5"),
        ("31", "pressure", "has no unit"),
        ("31 bar", "pressure", r"write bar\(a\) for absolute"),
        ("31 bar(x)", "pressure", "does not say which pressure"),
        ("31 furlong", "length", "unknown unit 'furlong'"),
        ("3 kg(g)", "mass", "only pressures"),
        ("3 +/- -1 kg", "mass", "negative uncertainty"),
        ("three kg", "mass", "is not a quantity"),
        (True, "mass", "is not a quantity"),
        (None, "mass", "is not a quantity"),
        ("", "mass", "is not a quantity"),
    ],
)
def test_what_is_not_a_quantity_is_refused_with_what_to_write(text, dimension, message):
    with pytest.raises(ValueError, match=message):
        parse_quantity(text, dimension)


def test_a_unit_alone_carries_its_reference():
    assert parse_unit("bar(g)", "pressure") == (1e5, "gauge")
    assert dimension_of("bar(g)") == "pressure"
    assert dimension_of("N") == "force"
    with pytest.raises(ValueError, match="unknown unit"):
        dimension_of("furlong")


@given(value=st.floats(-1e6, 1e6), u=st.floats(0, 1e3), unit=st.sampled_from(sorted(UNITS["mass"])))
def test_what_is_written_is_what_is_read(value, u, unit):
    q = parse_quantity(f"{value!r} +/- {u!r} {unit}", "mass")
    assert q.value == value * UNITS["mass"][unit]
    assert q.u == u * UNITS["mass"][unit]


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [
        (3.1e6, "bar(g)", 31.0),
        (101325.0, "atm(a)", 1.0),
        (POUND * G0 * 583.0, "lbf", 583.0),
        (273.15, "degC", 0.0),
        (291.15, "degC", 18.0),
        (291.15, "K", 291.15),
        (0.25, "%", 25.0),
    ],
)
def test_an_si_value_is_given_in_the_unit_that_people_read(value, unit, shown):
    assert in_unit(value, unit) == pytest.approx(shown, abs=1e-9)


def test_a_unit_of_no_dimension_gives_no_number():
    with pytest.raises(ValueError, match="unknown unit 'furlong'"):
        in_unit(1.0, "furlong")


@given(st.sampled_from(["bar(g)", "psi(a)", "N", "lbf", "degC", "K", "kg", "V"]), st.floats(-1e4, 1e4))
def test_what_is_shown_in_a_unit_is_read_back_as_the_value(unit, shown):
    dimension = dimension_of(unit)
    value = parse_quantity(f"{shown!r} {unit}", dimension).value
    assert in_unit(value, unit) == pytest.approx(shown, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("text", ["1e400 bar(g)", "9 +/- 1e400 bar(g)", "-1e999 bar(a)"])
def test_a_number_larger_than_any_can_be_is_refused(text):
    with pytest.raises(ValueError, match="larger than any pressure can be"):
        parse_quantity(text, "pressure")
