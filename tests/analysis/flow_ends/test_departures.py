"""A departure from flowing liquid stands out of what lines of the same length do along that very flow."""

from dataclasses import replace

import numpy as np
import pytest

from standbook.analysis.flow_ends.course import course_of
from standbook.analysis.flow_ends.departures import Areas, Detection, departures
from standbook.analysis.flow_ends.flow_ends import noise_before
from tests.analysis.record_faults.tank_record import tank_record
from tests.studies.second_world import flow_row

ENDS = 12.0  # s
# Nitrogen from 50 bar in 31 s under slow noise, of which a hold of 1.8 s tells half; a lull of 0.5 s after 25 s.
LULL = 4097


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("understated", [1.0, 3.0])
def test_the_flow_itself_tells_how_much_its_lines_scatter(seed, understated):
    made = tank_record(flows=((0.0, ENDS, 1.0),), noise=8e3, seed=seed)
    course = course_of(made.time, made.pressure, made.drive, opening=0.0)
    noise = noise_before(course, opening=0.0, rest_from=float(made.time[0]), step=made.step)
    said = replace(noise, deviation=noise.deviation / understated)
    found = departures(Areas(course, said), 0.0, Detection())
    assert not found[0].steeper
    assert np.isclose(found[0].time, ENDS, atol=0.3)


@pytest.mark.slow
def test_a_lull_of_noise_is_no_closing():
    found = flow_row(LULL)
    for name in ("CdA", "n"):
        error, u = found.errors[name]
        assert abs(error) < 2.0 * u, name
    assert found.findings == ()
