"""A limit that counts all motors of a vehicle: one firing of one shows a part of their sum."""

import dataclasses

import pytest

import standbook as sb
from standbook.analysis.kinds.registry import analyse
from tests.repository import ROOT

FIRING = next((ROOT / "sample_runs/teasel-2/runs").glob("*_HF-02_rehearsal"))


@pytest.mark.slow
def test_one_firing_of_one_of_two_motors_is_never_within():
    dataset = sb.open_run(FIRING).dataset
    one = analyse(dataset).results.verdicts["site"]
    assert one.outcome == "within"
    two = dataset.plan.impulse_class.model_copy(update={"motors": 2})
    plan = dataset.plan.model_copy(update={"impulse_class": two})
    found = analyse(dataclasses.replace(dataset, plan=plan)).results.verdicts["site"]
    assert found.outcome == "not shown"
    assert found.withheld.startswith("the plan declares 2 motors, whose sum the limit counts")
    assert (found.upper_bound, found.lower_bound) == (one.upper_bound, one.lower_bound)
