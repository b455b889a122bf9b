"""The study of carried exponents runs, and its errors are within what u promises."""

import numpy as np

from tests.studies.carried_exponent import errors


def test_a_carried_exponent_s_errors_fit_its_u():
    error, u = errors(12)
    assert (u > 0.0).all()
    # twelve draws: three beyond two u would be far more than a normal error allows
    assert np.count_nonzero(np.abs(error) > 2.0 * u) <= 2
    assert np.abs(error).max() > 1e-4
