"""The impulse studies at a size for every day; the figures that count come from the scripts' own runs."""

import numpy as np
import pytest

from standbook.analysis.simulation.draw import Errors
from tests.studies.impulse_coverage import NOZZLES, campaign_for_study, clean_errors, pooled, pulls, truths
from tests.studies.verdicts import CASES, Bench, hidden_outcomes, outcomes


@pytest.fixture(scope="module")
def physics():
    return truths(campaign_for_study(), 1)


@pytest.mark.slow
def test_errors_are_about_as_large_as_the_budget_claims(physics):
    campaign = campaign_for_study()
    found = pooled([pulls(campaign, physics, nozzle, 4) for nozzle in NOZZLES])
    # sd of 12 pulls scatters by 21 %; three of these. The full study demands 0.85 to 1.15.
    assert 0.4 < np.std(found.site, ddof=1) < 1.7
    assert np.max(np.abs(found.site)) < 4.0
    assert np.mean(found.claimed) < 0.6


@pytest.mark.slow
def test_without_errors_every_orientation_is_within_a_twentieth_of_a_percent():
    campaign = campaign_for_study()
    (silent,) = truths(campaign, 1, Errors.none())
    errors = clean_errors(campaign, silent)
    assert set(errors) == set(NOZZLES)
    assert max(abs(error) for error in errors.values()) < 0.0005  # the target is 0.0015


@pytest.mark.slow
def test_verdicts_are_right_away_from_the_limit_and_hidden_thrust_is_never_within(physics):
    bench = Bench(physics)
    found, claimed = outcomes(bench, 12)
    assert claimed[True] == pytest.approx(0.003, abs=0.0005)
    assert {o for case, share in CASES.items() if share < 1.0 for f in (0, 1) for o in found[case, f]} == {"within"}
    assert {o for case, share in CASES.items() if share > 1.0 for f in (0, 1) for o in found[case, f]} == {"exceeds"}
    hidden = hidden_outcomes(bench, 3)
    assert len(hidden) == 3
    assert "within" not in {o for seen in hidden.values() for o in seen}
