"""What a line misses its levels by: exact where worked by hand, and as a quasi-steady model has it."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.blowdown.record import NoteUncertainties, SensorUncertainties
from standbook.analysis.blowdown.shifted_flows import changes
from standbook.analysis.budget.lack_of_fit import Misfit, bend_of, misfit_of
from tests.analysis.budget.calibrated import FULL, calibrated, course, levels, signal_of
from tests.analysis.budget.steady_flow import steady_flow


def carried(calibration, time, reading):
    """Sum the residuals along a course, less that at zero: what stands in the budget."""
    missed = misfit_of(calibration).at(np.append(reading, 0.0))
    return float(np.trapezoid(missed[:-1] - missed[-1], time))


def test_a_line_through_its_levels_misses_nothing():
    misfit = misfit_of(calibrated(*levels(runs=2)))
    assert misfit.level == pytest.approx(np.linspace(0.0, FULL, 6))
    assert misfit.greatest == pytest.approx(0.0, abs=1e-9)
    assert misfit.dof == 4.0  # six levels less two coefficients


def test_levels_are_gathered_though_the_reference_never_reads_quite_alike():
    force = np.array([0.0, 1000.0, 2000.0, 3000.0, 2996.0, 2004.0, 1003.0, 1.0])
    misfit = misfit_of(calibrated(signal_of(force), force))
    assert misfit.level == pytest.approx([0.5, 1001.5, 2002.0, 2998.0])
    assert misfit.dof == 2.0


def test_two_levels_tell_nothing_of_a_line():
    force = np.array([0.0, 3000.0, 3000.0, 0.0])
    assert misfit_of(calibrated(signal_of(force) + np.array([0.0, 1e-4, -1e-4, 0.0]), force)) is None


def test_residuals_run_straight_between_levels_and_stay_beyond_them():
    misfit = Misfit(np.array([0.0, 10.0, 20.0]), np.array([1.0, -1.0, 3.0]), 1.0)
    assert misfit.at(np.array([-5.0, 5.0, 15.0, 99.0])) == pytest.approx([1.0, 0.0, 1.0, 3.0])
    assert misfit.greatest == 3.0


@pytest.mark.parametrize(("percent", "bias", "u"), [(0.025, -0.040, 0.04), (0.10, -0.159, 0.16)])
def test_a_bow_carried_along_a_blowdown_is_as_large_as_the_error_it_makes(percent, bias, u):
    """Figures of a quasi-steady model, tabulated; its course differs from ours by a little in shape."""
    time, thrust = course()
    calibration = calibrated(*levels(percent=percent))
    impulse = float(np.trapezoid(thrust, time))
    reading = calibration.reading(signal_of(thrust, percent=percent))
    error = float(np.trapezoid(reading - calibration.reading(np.zeros(1)), time)) / impulse - 1.0
    assert abs(100.0 * error) == pytest.approx(abs(bias), abs=0.01)
    assert abs(100.0 * carried(calibration, time, reading) / impulse) == pytest.approx(u, abs=0.012)


def test_only_a_bent_sensor_asks_for_another_degree():
    random = np.random.default_rng(3)
    straight = [bend_of(calibrated(*levels(scatter=2e-4, random=random))).shown for _ in range(200)]
    assert np.mean(straight) == pytest.approx(0.05, abs=0.05)  # three standard deviations of 200 draws
    assert bend_of(calibrated(*levels(runs=3, scatter=2e-4, percent=0.1, random=random))).shown
    assert bend_of(calibrated(*levels(runs=3, scatter=2e-4, percent=0.1, random=random), degree=2)).ratio < 30.0


def test_f_is_that_of_the_textbook():
    # F = (SSR1 - SSR2) / (SSR2 / (n - 3)), by plain least squares; 5.117 = F(0.95; 1, 9) from printed tables, memory.
    signal, force = levels(scatter=1e-3, random=np.random.default_rng(5))
    squares = [float(np.sum((force - np.polyval(np.polyfit(signal, force, k), signal)) ** 2)) for k in (1, 2)]
    bend = bend_of(calibrated(signal, force))
    assert bend.ratio == pytest.approx((squares[0] - squares[1]) / (squares[1] / 9.0), rel=1e-6)
    assert bend.needed == pytest.approx(5.117, abs=1e-3)


def test_a_misfit_of_the_tank_sensor_goes_into_cda_by_half_of_its_share_of_the_drive():
    flow = steady_flow(1e5)
    missing = SensorUncertainties(reads_zero_at=1e5, unit=1e5)
    missing = dataclasses.replace(missing, misfit=Misfit(np.array([0.0, 20.0]), np.array([0.0, 0.02]), 4.0))
    found = changes(lambda of: np.array([of.cda()]), flow, missing, NoteUncertainties())
    # 9 bar(g) lie 0.45 of the way to the level that is missed by 0.02 bar: 0.009 bar of 9 bar, by half.
    assert float(found["pressure lack of fit"][0]) / flow.cda() == pytest.approx(-0.0005, rel=2e-3)
