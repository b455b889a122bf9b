"""Units for people: one of each dimension, absolute and gauge kept, and what a person typed shown in them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.daq.display_units import (
    DISPLAYED,
    chosen_units,
    display_unit,
    other_units,
    shown_quantity,
    shown_text,
    shown_unit,
)
from standbook.daq.quantity import UNITS, in_unit, parse_quantity


def test_units_come_in_any_order_and_each_dimension_once():
    assert chosen_units("bar,N") == {"pressure": "bar", "force": "N"}
    assert chosen_units("lbf, psi") == {"force": "lbf", "pressure": "psi"}
    assert chosen_units("kPa(g)") == {"pressure": "kPa"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("psig", 'unknown unit "psig"; pressure: Pa, hPa'),
        ("psi,bar", "psi and bar are two units of pressure; give one of them"),
        ("N,lbf", "N and lbf are two units of force"),
        ("psi(d)", "write psi alone"),
        ("N(g)", "write N alone"),
        ("psi,", 'unknown unit ""'),
        ("degC", 'unknown unit "degC"'),
    ],
)
def test_a_choice_that_is_none_is_refused_in_a_sentence(text, words):
    with pytest.raises(ValueError, match=r".") as refused:
        chosen_units(text)
    assert words in str(refused.value)


def test_a_file_says_which_pressure():
    assert display_unit("psi(g)", "pressure") == "psi"
    assert display_unit("kPa(a)", "pressure") == "kPa"
    assert display_unit("lbf", "force") == "lbf"
    for text, dimension, words in (
        ("psi", "pressure", 'write "psi(g)" or "psi(a)"'),
        ("psi(d)", "pressure", "does not say which pressure"),
        ("stone", "mass", "unknown unit 'stone' for mass"),
        ("N(g)", "force", "only pressures take a reference"),
    ):
        with pytest.raises(ValueError, match=r".") as refused:
            display_unit(text, dimension)
        assert words in str(refused.value)


def test_absolute_stays_absolute_and_what_is_not_chosen_as_it_is():
    chosen = {"pressure": "psi"}
    assert [shown_unit(unit, chosen) for unit in ("bar(a)", "kPa(g)", "bar(d)", "bar", "N", "V")] == [
        "psi(a)", "psi(g)", "psi(d)", "psi", "N", "V",
    ]  # fmt: skip
    assert shown_unit("bar(g)", {}) == "bar(g)"


def test_a_typed_quantity_is_shown_as_typed_or_in_the_chosen_unit():
    limit = parse_quantity("5 bar(g)", "pressure")
    assert shown_quantity(limit, {}) is None
    assert shown_quantity(limit, {"pressure": "bar", "force": "lbf"}) is None
    value, unit = shown_quantity(limit, {"pressure": "psi"})
    assert (unit, value) == ("psi(g)", pytest.approx(72.5189, abs=1e-4))  # [SP811] 1 psi is 6 894.757 Pa
    value, unit = shown_quantity(parse_quantity("10.66 +/- 0.10 kg", "mass"), {"mass": "lb"})
    assert (unit, value) == ("lb", pytest.approx(23.5013, abs=1e-4))  # [SP811] 1 lb is 0.453 592 37 kg


@pytest.mark.parametrize(
    ("typed", "unit", "text"),
    [
        ("5 bar(g)", "psi", "72.52 psi(g)"),
        ("5 bar(a)", "kPa", "500 kPa(a)"),
        ("31.0 +/- 0.15 bar(g)", "bar", "31.0 +/- 0.15 bar(g)"),
        ("0 bar(g)", "psi", "0 psi(g)"),
        ("31.0 +/- 0.15 bar(g)", "psi", "449.6 +/- 2.2 psi(g)"),
        ("31.0 +/- 0.15 bar(g)", "kPa", "3,100 +/- 15 kPa(g)"),
        ("40 bar(g)", "Pa", "4,000,000 Pa(g)"),
        ("1 mbar(d)", "psi", "0.0145 psi(d)"),
    ],
)
def test_a_typed_quantity_is_written_to_four_digits_or_two_of_its_u(typed, unit, text):
    assert shown_text(parse_quantity(typed, "pressure"), {"pressure": unit}) == text


def test_units_in_a_persons_words_are_found_behind_numbers_only():
    words = "pair differs by 0.5 bar or 3psi at T+0.8 s, 40 bar(g); the bar is closed"
    assert other_units(words, {"pressure": "psi"}) == ("bar",)
    assert other_units(words, {"pressure": "kPa"}) == ("bar", "psi")
    assert other_units(words, {"force": "N"}) == ()
    assert other_units(words, {}) == ()


@given(st.sampled_from(DISPLAYED), st.data(), st.floats(-1e9, 1e9))
def test_the_number_shown_is_the_same_quantity(dimension, data, value):
    units = st.sampled_from(sorted(UNITS[dimension]))
    typed, wanted = data.draw(units), data.draw(units)
    quantity = parse_quantity(f"{value!r} {typed}{'(a)' if dimension == 'pressure' else ''}", dimension)
    shown = shown_quantity(quantity, {dimension: wanted})
    assert (shown is None) == (typed == wanted)
    if shown is not None:
        assert shown[0] / in_unit(1.0, shown[1]) == pytest.approx(quantity.value, rel=1e-12)
