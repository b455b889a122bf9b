"""The study of bent sensors at a size for every day."""

import pytest

from tests.studies.lack_of_fit import BENDS, of_bend


@pytest.mark.slow
@pytest.mark.parametrize("runs", [1, 3])
def test_bent_sensors_are_covered_and_no_more_than_needed(runs):
    for shape, percent in BENDS:
        found = of_bend(shape, percent, runs, 150)
        assert found.covered >= 0.80, (shape, percent)  # 87 % are required; 150 draws scatter by 2.7
        assert found.u <= 1.3 * abs(found.bias) + 0.03, (shape, percent)
