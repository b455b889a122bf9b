"""The planned c* is that at the mixture ratio that flowed, and nothing where the plan's table does not reach."""

import pytest

from standbook.analysis.kinds.registry import analyse
from standbook.analysis.results.quantities import Measured
from standbook.analysis.thrust.both_flow import BothFlow
from standbook.analysis.witnesses.routes import planned_cstar
from standbook.daq.config.plan import read_plan
from tests.repository import ROOT
from tests.worlds.adapter import firing_dataset
from tests.worlds.firing_cases import firing_case

ENGINE = read_plan(ROOT / "sample_runs" / "teasel-2" / "plans" / "HF-02.toml").engine
TABLE = ENGINE.cstar_table


def at_ratio(ratio):
    masses = {"oxidiser": Measured(3.0 * ratio, 0.0, "kg"), "fuel": Measured(3.0, 0.0, "kg")}
    return BothFlow(start=0.0, end=10.0, masses=masses)


def test_between_two_rows_c_star_is_between_theirs():
    (low, slow), (high, fast) = TABLE[0], TABLE[1]
    found = planned_cstar(ENGINE, at_ratio((low + high) / 2.0))
    assert found.value == pytest.approx(ENGINE.cstar_efficiency.value * (slow.value + fast.value) / 2.0, rel=1e-9)
    assert found.u == pytest.approx(found.value * ENGINE.cstar_efficiency.relative_u, rel=1e-9)


@pytest.mark.parametrize("ratio", [0.99 * TABLE[0][0], 1.01 * TABLE[-1][0]])
def test_beyond_its_table_a_plan_knows_no_c_star(ratio):
    assert planned_cstar(ENGINE, at_ratio(ratio)) is None


@pytest.mark.slow
def test_a_firing_beyond_the_table_is_judged_without_its_masses_and_says_so():
    """Much richer than planned, and over its limit: the masses spoke against a cell that was right."""
    case = firing_case(323)
    results = analyse(firing_dataset(case)).results
    codes = {finding.code for finding in results.findings}
    assert case.truth.burnt.mixture_ratio < 0.9  # the first row of that world's table
    assert "mixture-ratio-outside-table" in codes
    assert "impulse-routes-disagree" not in codes
    assert [route.name for route in results.firing.checks.routes] == ["chamber pressure"]
    assert results.verdicts["site"].outcome == "exceeds"
