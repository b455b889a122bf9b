"""Mach number and pressure at a nozzle's exit, against tables, hand calculations and rules of separation."""

import math

import pytest

from standbook.analysis.impulse.separated_flow import SEPARATES
from standbook.analysis.physics.nozzle_expansion import exit_mach, exit_over_chamber


@pytest.mark.parametrize(("area", "mach", "pressure"), [(1.6875, 2.0, 0.1278), (2.6367, 2.5, 0.05853)])
def test_mach_and_pressure_are_those_of_the_isentropic_table_of_air(area, mach, pressure):
    # NACA Report 1135, table II, gamma 1.4 (from memory)
    assert exit_mach(area, 1.4) == pytest.approx(mach, abs=1e-4)
    assert exit_over_chamber(area, 1.4) == pytest.approx(pressure, rel=5e-4)


def test_a_small_nozzle_of_combustion_gas_ends_where_a_hand_calculation_has_it():
    # gamma 1.2, exit 3.4 throats: worked by hand from the isentropic relations
    assert exit_mach(3.4) == pytest.approx(2.495, abs=5e-4)
    assert exit_over_chamber(3.4) == pytest.approx(0.05478, abs=5e-6)


def test_the_share_of_air_pressure_that_counts_as_full_is_above_both_rules_of_separation():
    # Under 0.978 bar: Summerfield's 0.4 and Schmucker's (1.88 M - 1)^-0.64, both from memory, worked by hand
    summerfield = 0.4 * 0.978 / exit_over_chamber(3.4)
    schmucker = (1.88 * exit_mach(3.4) - 1.0) ** -0.64 * 0.978 / exit_over_chamber(3.4)
    assert summerfield == pytest.approx(7.14, abs=5e-3)
    assert schmucker == pytest.approx(7.74, abs=5e-3)
    assert summerfield < schmucker < SEPARATES * 0.978 / exit_over_chamber(3.4)


@pytest.mark.parametrize("gamma", [1.15, 1.2, 1.25])
@pytest.mark.parametrize("area", [2.5, 3.4, 5.0, 8.0])
def test_mach_number_left_out_pressure_and_area_are_those_of_a_closed_form(area, gamma):
    # area ratio from the pressure ratio alone: [Sutton] ch. 3, from memory
    ratio = exit_over_chamber(area, gamma)
    throat = ((gamma + 1.0) / 2.0) ** (1.0 / (gamma - 1.0)) * ratio ** (1.0 / gamma)
    throat *= math.sqrt((gamma + 1.0) / (gamma - 1.0) * (1.0 - ratio ** ((gamma - 1.0) / gamma)))
    assert 1.0 / throat == pytest.approx(area, rel=1e-9)


def test_a_throat_alone_is_critical_and_a_narrower_exit_is_no_nozzle():
    assert exit_mach(1.0) == 1.0
    assert exit_over_chamber(1.0, 1.4) == pytest.approx(0.5283, abs=5e-5)  # table of air again
    with pytest.raises(ValueError, match="no nozzle"):
        exit_mach(0.9)
