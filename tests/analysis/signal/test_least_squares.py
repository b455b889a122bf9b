"""Certified nonlinear problems, [StRD].

Data, starts and certified values (11 significant digits): confirmed, from the complete NIST files that a
fitting package ships in its source distribution.
"""

import numpy as np
import pytest

from standbook.analysis.signal.least_squares import nonlinear_least_squares

DANWOOD = np.array([[1.309, 2.138], [1.471, 3.421], [1.490, 3.597], [1.565, 4.340], [1.611, 4.882], [1.680, 5.660]])
MISRA1A = np.array(
    [
        [77.6, 10.07],
        [114.9, 14.73],
        [141.1, 17.94],
        [190.8, 23.93],
        [239.9, 29.61],
        [289.0, 35.18],
        [332.8, 40.02],
        [378.4, 44.82],
        [434.8, 50.76],
        [477.3, 55.05],
        [536.8, 61.01],
        [593.1, 66.40],
        [689.1, 75.47],
        [760.0, 81.78],
    ]
)
CHWIRUT2 = np.array(
    [
        [0.5, 92.9],
        [1.0, 57.1],
        [1.75, 31.05],
        [3.75, 11.5875],
        [5.75, 8.025],
        [0.875, 63.6],
        [2.25, 21.4],
        [3.25, 14.25],
        [5.25, 8.475],
        [0.75, 63.8],
        [1.75, 26.8],
        [2.75, 16.4625],
        [4.75, 7.125],
        [0.625, 67.3],
        [1.25, 41.0],
        [2.25, 21.15],
        [4.25, 8.175],
        [0.5, 81.5],
        [3.0, 13.12],
        [0.75, 59.9],
        [3.0, 14.62],
        [1.5, 32.9],
        [6.0, 5.44],
        [3.0, 12.56],
        [6.0, 5.44],
        [1.5, 32.0],
        [3.0, 13.95],
        [0.5, 75.8],
        [2.0, 20.0],
        [4.0, 10.42],
        [0.75, 59.5],
        [2.0, 21.67],
        [5.0, 8.55],
        [0.75, 62.0],
        [2.25, 20.2],
        [3.75, 7.76],
        [5.75, 3.75],
        [3.0, 11.81],
        [0.75, 54.7],
        [2.5, 23.7],
        [4.0, 11.55],
        [0.75, 61.3],
        [2.5, 17.7],
        [4.0, 8.74],
        [0.75, 59.2],
        [2.5, 16.3],
        [4.0, 8.62],
        [0.5, 81.0],
        [6.0, 4.87],
        [3.0, 14.62],
        [0.5, 81.7],
        [2.75, 17.17],
        [0.5, 81.3],
        [1.75, 28.9],
    ]
)
MGH10 = np.array(
    [
        [50, 34780],
        [55, 28610],
        [60, 23650],
        [65, 19630],
        [70, 16370],
        [75, 13720],
        [80, 11540],
        [85, 9744],
        [90, 8261],
        [95, 7030],
        [100, 6005],
        [105, 5147],
        [110, 4427],
        [115, 3820],
        [120, 3307],
        [125, 2872],
    ],
    dtype=float,
)


def danwood(x, b):
    return b[0] * x ** b[1], np.column_stack([x ** b[1], b[0] * x ** b[1] * np.log(x)])


def misra1a(x, b):
    fade = np.exp(-b[1] * x)
    return b[0] * (1 - fade), np.column_stack([1 - fade, b[0] * x * fade])


def chwirut2(x, b):
    y = np.exp(-b[0] * x) / (b[1] + b[2] * x)
    return y, np.column_stack([-x * y, -y / (b[1] + b[2] * x), -x * y / (b[1] + b[2] * x)])


def mgh10(x, b):
    with np.errstate(over="ignore"):
        grown = np.exp(b[1] / (x + b[2]))
    return b[0] * grown, np.column_stack([grown, b[0] * grown / (x + b[2]), -b[0] * grown * b[1] / (x + b[2]) ** 2])


SETS = {
    "DanWood": (
        DANWOOD,
        danwood,
        [(1, 5), (0.7, 4)],
        (7.6886226176e-01, 3.8604055871e00),
        (1.8281973860e-02, 5.1726610913e-02),
        3.2853114039e-02,
    ),
    "Misra1a": (
        MISRA1A,
        misra1a,
        [(500, 1e-4), (250, 5e-4)],
        (2.3894212918e02, 5.5015643181e-04),
        (2.7070075241e00, 7.2668688436e-06),
        1.0187876330e-01,
    ),
    "Chwirut2": (
        CHWIRUT2,
        chwirut2,
        [(0.1, 0.01, 0.02), (0.15, 0.008, 0.01)],
        (1.6657666537e-01, 5.1653291286e-03, 1.2150007096e-02),
        (3.8303286810e-02, 6.6621605126e-04, 1.5304234767e-03),
        3.1717133040e00,
    ),
    "MGH10": (
        MGH10,
        mgh10,
        [(2, 4e5, 2.5e4), (0.02, 4000, 250)],
        (5.6096364710e-03, 6.1813463463e03, 3.4522363462e02),
        (1.5687892471e-04, 2.3309021107e01, 7.8486103508e-01),
        2.6009740065e00,
    ),
}


def fit(name, start):
    data, model, _, _, _, _ = SETS[name]
    x, y = data.T
    return nonlinear_least_squares(lambda b: model(x, b)[0] - y, lambda b: model(x, b)[1], np.array(start, dtype=float))


@pytest.mark.parametrize(("name", "start"), [(name, start) for name in SETS for start in SETS[name][2]])
def test_certified_values_are_met_to_nine_digits(name, start):
    """Eight are demanded; the tenfold margin holds on every make of processor, whose arithmetic ends a search apart."""
    _, _, _, values, deviations, residual = SETS[name]
    found = fit(name, start)
    assert found.converged
    np.testing.assert_allclose(found.value, values, rtol=1e-9)
    assert found.residual_deviation == pytest.approx(residual, rel=1e-9)
    own = found.residual_deviation * np.sqrt(np.diag(found.covariance))
    np.testing.assert_allclose(own, deviations, rtol=1e-9)


def test_the_values_do_not_depend_on_where_the_search_came_from():
    """Cost is flat at its minimum: searches end millionths apart there, the steps after them take that away."""
    near, far = (fit("Chwirut2", start) for start in SETS["Chwirut2"][2])
    np.testing.assert_allclose(near.value, far.value, rtol=1e-11)


def test_the_pseudo_inverse_is_the_response_to_the_data():
    found = fit("Misra1a", (250, 5e-4))
    np.testing.assert_allclose(found.inverse @ found.jacobian, np.eye(2), atol=1e-9)
    np.testing.assert_allclose(found.inverse @ found.inverse.T, found.covariance, rtol=1e-9)


def test_two_parameters_that_do_the_same_thing_have_no_usable_covariance():
    x = np.linspace(0.0, 1.0, 20)
    found = nonlinear_least_squares(
        lambda b: (b[0] + b[1]) * x - 3.0 * x, lambda b: np.column_stack([x, x]), np.array([1.0, 1.0])
    )
    assert not found.covariance_usable
    assert found.value.sum() == pytest.approx(3.0)


def test_a_value_on_the_end_of_its_range_is_named():
    x = np.linspace(0.0, 1.0, 20)
    found = nonlinear_least_squares(
        lambda b: b[0] * x + b[1] - 3.0 * x - 1.0,
        lambda b: np.column_stack([x, np.ones_like(x)]),
        np.array([1.0, 0.0]),
        lower=np.array([0.0, -np.inf]),
        upper=np.array([2.0, np.inf]),
    )
    assert found.at_bound == (0,)
    assert found.value[0] == pytest.approx(2.0, abs=1e-5)


def test_a_search_that_runs_out_of_evaluations_says_so():
    data, model, starts, *_ = SETS["MGH10"]
    x, y = data.T
    found = nonlinear_least_squares(
        lambda b: model(x, b)[0] - y, lambda b: model(x, b)[1], np.array(starts[0], dtype=float), evaluations=3
    )
    assert not found.converged


def test_as_many_values_as_data_leave_no_residual_deviation():
    x = np.array([0.0, 1.0])
    found = nonlinear_least_squares(
        lambda b: b[0] + b[1] * x - x, lambda b: np.column_stack([np.ones(2), x]), np.zeros(2)
    )
    assert np.isnan(found.residual_deviation)
