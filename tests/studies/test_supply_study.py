"""The study of a stated supply at a size for every day."""

import numpy as np
import pytest

from standbook.analysis.simulation.draw import Errors
from tests.studies.impulse_coverage import campaign_for_study, truths
from tests.studies.supply import pulls, supply_terms


@pytest.mark.slow
def test_one_supply_takes_most_of_it_out_of_the_thrust_coefficient_and_errors_stay_as_claimed():
    campaign = campaign_for_study()
    physics = truths(campaign, 1, Errors.none())
    added = supply_terms(campaign, physics[0])
    assert added["one"] <= 0.3 * added["two"]
    found, relative = pulls(campaign, physics, "one", 3)
    assert max(np.max(np.abs(pull)) for pull in found.values()) < 4.0  # a gross error would be ten
    assert relative["impulse"] > 0.005
