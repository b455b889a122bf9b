"""The sentences about engine numbers that cannot be, or are soft."""

import pytest

from standbook.analysis.firing.engine_findings import stiffness_finding, thrust_coefficient_finding
from standbook.analysis.results.quantities import Measured


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
