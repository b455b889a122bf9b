"""Rounding by the published rule, and words for bounds that never say more than is known."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.report.content import number_format
from standbook.analysis.results.quantities import Measured


def test_a_mass_is_written_as_the_guide_writes_it():
    # [GUM] 7.2.2 and 7.2.4: m = 100.021 47 g, u = 0.35 mg, U = 0.79 mg. From memory.
    assert number_format.round_pair(100.02147, 0.00035) == ("100.02147", "0.00035")
    assert number_format.round_pair(100.02147, 0.00079) == ("100.02147", "0.00079")


def test_the_guides_28_05_khz_becomes_28_khz():
    # [GUM] 7.2.6 rounds u = 28.05 kHz down to 28 kHz. From memory.
    assert number_format.round_pair(512.34, 28.05) == ("512", "28")


@pytest.mark.parametrize(
    ("value", "u", "expected"),
    [
        (32987.4, 226.3, ("32,990", "230")),
        (12.3456, 0.0996, ("12.35", "0.10")),  # carries into a new digit: still two digits
        (9.96, 0.996, ("10.0", "1.0")),
        (-0.0004, 0.02, ("0.000", "0.020")),  # no negative zero
        (-1716.0, 40.0, ("\u22121,716", "40")),
        (16.21, 0.11, ("16.21", "0.11")),
        (5.0, 0.0, ("5", "")),
        (5.0, math.nan, ("5", "")),
        (math.nan, 1.0, ("not known", "")),
    ],
)
def test_value_and_uncertainty_end_at_the_same_place(value, u, expected):
    assert number_format.round_pair(value, u) == expected


@given(st.floats(-1e6, 1e6), st.floats(1e-4, 1e5))
def test_rounding_keeps_u_within_half_a_unit_of_its_second_digit(value, u):
    shown_value, shown_u = (
        float(text.replace(",", "").replace("\u2212", "-")) for text in number_format.round_pair(value, u)
    )
    assert abs(shown_u - u) <= 0.0501 * u  # half a unit of the second digit of a u that starts with 1
    assert abs(shown_value - value) <= 0.0501 * u * 1.0001 + 1e-12 * abs(value) + 0.5e-5 * u


def test_units_are_those_of_the_trade():
    assert number_format.show(Measured(32.02e5, 0.06e5, "Pa"), "a").with_u == "32.020 bar(a) (u = 0.060 bar)"
    assert number_format.show(Measured(16.21e-6, 0.11e-6, "m2")).with_u == "16.21 mm² (u = 0.11 mm²)"
    assert number_format.show(Measured(291.15, 1.0, "K")).with_u == "18.0 °C (u = 1.0 °C)"
    assert number_format.show(Measured(1.428, 0.008, "1")).with_u == "1.4280 (u = 0.0080)"
    assert number_format.show_expanded(Measured(32987.0, 226.0, "N*s"), 2.0).plus_minus == "32,990 ± 450 N·s"


def test_an_uncertainty_that_nobody_stated_is_not_zero():
    assert number_format.show(Measured(0.1, 0.0, "kg")).u_with_unit == "not stated"
    assert number_format.show(Measured(0.1, 0.0, "kg")).plus_minus == "0.1 kg (uncertainty not stated)"


def test_bounds_are_rounded_away_from_comfort():
    assert number_format.upper(33155.02, 40960.0) == "33,156"
    assert number_format.lower(29162.8, 40960.0) == "29,162"


def test_a_bound_that_is_not_the_limit_never_looks_like_it():
    assert number_format.upper(40959.6, 40960.0) == "40,959.6"
    assert number_format.lower(40960.4, 40960.0) == "40,960.4"
    assert number_format.upper(40960.0, 40960.0) == "40,960"


def test_certainty_is_never_claimed():
    assert number_format.probability(1.0) == "more than 99.9 %"
    assert number_format.probability(0.0) == "less than 0.1 %"
    assert number_format.probability(0.887) == "88.7 %"


def test_pound_force_seconds_of_the_limit_are_the_printed_ones():
    # [CFR101] 101.22(b) prints 9,208 lbf·s beside 40,960 N·s. Confirmed.
    assert number_format.pound_force_seconds(40960.0) == "9,208 lbf·s"


def test_a_number_and_its_unit_stay_on_one_line_and_words_do_not():
    tied = number_format.tie("12.5 bar (u = 0.10 kg) at 40,960 N·s, k = 2, 16 by 9")
    assert tied == "12.5\u00a0bar (u\u00a0=\u00a00.10\u00a0kg) at 40,960\u00a0N·s, k\u00a0=\u00a02, 16 by 9"


def test_very_small_numbers_carry_a_power_of_ten():
    assert number_format.round_pair(0.0, 1.25e-7)[1] == "1.2 × 10^−7"


def test_instants_and_their_uncertainty():
    assert number_format.seconds(-0.25, 2) == "T−0.25 s"
    assert number_format.milliseconds(0.0) == "not stated"
    assert number_format.milliseconds(2.9e-7) == "below 0.01 ms"
    assert number_format.milliseconds(0.0048) == "4.8 ms"
    assert number_format.relative(Measured(0.0, 1.0, "N")) == ""
    assert number_format.relative(Measured(-0.086, 0.091, "1")) == ""  # zero is as likely: a share says nothing
    assert number_format.rough(-0.0582, "N") == "\u22120.058 N"


def test_a_finding_typed_in_plain_letters_is_set_like_the_rest_of_the_page():
    said = number_format.tie("about 5,154 N*s (1,159 lbf*s), off by -0.87 bar; a 4-20 mA loop, 2031-06-14")
    assert said.replace(number_format.NO_BREAK, " ") == (
        "about 5,154 N·s (1,159 lbf·s), off by \u22120.87 bar; a 4-20 mA loop, 2031-06-14"
    )


def test_a_float_of_numpy_is_rounded_like_any_other():
    assert number_format.round_pair(np.float64(10.661), np.float64(0.1)) == number_format.round_pair(10.661, 0.1)
    assert number_format.plain(np.float64(0.25)) == "0.25"
