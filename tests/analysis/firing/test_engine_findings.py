"""The sentences about engine numbers that cannot be, or are soft."""

import pytest

from standbook.analysis.firing.engine_findings import (
    chamber_facts_finding,
    stiffness_finding,
    thrust_coefficient_finding,
)
from standbook.analysis.results.quantities import Measured
from tests.analysis.physics.test_performance import engine


@pytest.mark.parametrize(("seen", "ratio"), [(1.40 / 4.4482216, "4.448"), (1.40 / 9.80665, "9.807")])
def test_a_confused_force_unit_is_named_by_its_ratio(seen, ratio):
    finding = thrust_coefficient_finding("LC-1", Measured(seen, 0.01, "1"))
    assert finding.severity == "serious"
    assert f"A factor of {ratio}" in finding.text


def test_a_usual_thrust_coefficient_is_met_with_silence():
    assert thrust_coefficient_finding("LC-1", Measured(1.32, 0.01, "1")) is None


@pytest.mark.parametrize(("value", "severity"), [(0.25, None), (0.15, "note"), (0.08, "caution")])
def test_a_soft_injector_is_said_louder_the_softer_it_is(value, severity):
    finding = stiffness_finding("fuel", Measured(value, 0.01, "1"), 18.0, of_feed=False)
    assert (finding.severity if finding else None) == severity


def test_what_the_plan_leaves_out_of_the_chamber_is_said_with_its_cost():
    cstar = Measured(1500.0, 12.0, "m/s")
    (finding,) = chamber_facts_finding(engine(), cstar, gauged=False)
    assert (finding.code, finding.severity) == ("chamber-facts-missing", "note")
    # 1.04 %, and 1 % as limits: 1.19 % together
    assert "contraction_ratio, chamber_tap, throat_material (copper, graphite, steel)" in finding.text
    assert "1.2 % of c*" in finding.text
    assert "18 m/s" in finding.text
    assert "gauge the throat after" in finding.text


def test_a_plan_that_says_all_of_the_chamber_is_met_with_silence():
    known = engine(contraction_ratio="6.0", chamber_tap="injector face", throat_material="graphite")
    assert chamber_facts_finding(known, Measured(1500.0, 12.0, "m/s"), gauged=False) == []
    assert chamber_facts_finding(engine(), None, gauged=False) == []
