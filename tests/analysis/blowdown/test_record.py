"""The static reading before an opening, on records whose truth is the fitted law itself."""

from dataclasses import replace

import numpy as np
import pytest

from standbook.analysis.blowdown.exponent import exponent_from_pv
from standbook.analysis.blowdown.joint_fit import joint_fit
from standbook.analysis.blowdown.record import static_pressure
from standbook.daq.errors import DataError
from tests.analysis.law_record import EXACT, MASS_ONLY, make


def test_static_pressure_is_the_line_through_the_quiet_seconds_taken_at_the_opening():
    record = make(noise=0.0)
    drifting = record.pressure + 2e3 * record.time
    got = static_pressure(replace(record, pressure=drifting))
    assert got.value == pytest.approx(35e5, rel=1e-9)
    assert got.drift == pytest.approx(2e3, rel=1e-6)


def test_static_pressure_has_the_uncertainty_of_its_scatter():
    pulls = []
    for k in range(100):
        got = static_pressure(make(noise=5e3, seed=k, duration=0.2))
        pulls.append((got.value - 35e5) / got.u)
    assert 0.8 < np.std(pulls) < 1.2  # 100 runs: 7 %


@pytest.mark.parametrize("lead", [0.0, 0.6, 1.1])
def test_without_a_second_of_static_pressure_exponent_and_fit_are_refused(lead):
    record = make(lead=lead)
    for ask in (exponent_from_pv, joint_fit):
        with pytest.raises(DataError, match=r"static pressure before opening.*1 s needed"):
            ask(record, sensor=EXACT, notes=MASS_ONLY)
