"""A load by the cell: what a scale would say, written out by hand."""

import dataclasses
import math

import numpy as np
import pytest

from standbook.analysis.calibration.load_by_cell import NightRecord
from standbook.analysis.stand_sheets.load_record import EMPTY, FILLED, HOSES_U, WAITED, FilledStand, filling
from standbook.daq.errors import DataError

FACTOR = 1.0  # the starter cell's stand interaction


@pytest.fixture
def stand(hf02_campaign):
    return FilledStand(
        plan=hf02_campaign.plan,
        stand=hf02_campaign.stand,
        calibration=hf02_campaign.calibrations["LC-1"],
        pull=None,
    )


def recorded(stand, mass, *, boils=0.0):
    """Signals of a cell that carries nothing for a minute, a load for twenty minutes."""
    time = np.arange(0.0, 1320.0, 0.1)
    sign = {"down": -1.0, "up": 1.0}[stand.stand.nozzle]  # a load presses where thrust lifts
    gravity = stand.plan.site.gravity.value
    left = np.where(time < 60.0, 0.0, mass - boils * np.maximum(time - 120.0, 0.0))
    newtons = 5.0 + sign * left * gravity / FACTOR + 0.05 * np.sin(time)
    c = stand.calibration
    return time, c.signal(newtons / c.scale)


def planned(stand):
    return sum(tank.liquid_load.value for tank in stand.plan.tank)


def test_a_load_agrees_with_its_containers_and_its_doubt_is_the_zeros(stand):
    found = filling(stand, *recorded(stand, planned(stand)), {EMPTY: 50.0, FILLED: 120.0}, None)
    assert found.says == "agrees"
    assert found.by_cell.mass == pytest.approx(planned(stand), abs=0.02)
    c, g = stand.calibration, stand.plan.site.gravity.value
    zeros = math.hypot(c.zero_uncertainty * c.scale, HOSES_U) / g
    gain = found.by_cell.mass * math.hypot(c.stand_interaction.factor.u, c.slope_u())
    assert found.by_cell.u == pytest.approx(math.hypot(zeros, gain), rel=0.02)
    assert "containers" in found.sentences[0]


def test_a_container_that_was_forgotten_differs_and_says_by_how_much(stand):
    found = filling(stand, *recorded(stand, planned(stand) - 3.0), {EMPTY: 50.0, FILLED: 120.0}, None)
    assert found.says == "differs"
    assert "-3.0" in found.sentences[0]


def test_boil_off_is_seen_where_the_unloaded_cell_hardly_wanders(stand):
    rate = 30e-3 / 60.0  # 30 g/min
    marks = {EMPTY: 50.0, FILLED: 120.0, WAITED: 1320.0}
    found = filling(stand, *recorded(stand, planned(stand), boils=rate), marks, NightRecord(walk=0.002, drift=1e-5))
    assert found.boiling is not None
    assert found.boiling.rate == pytest.approx(rate, abs=3.0 * found.boiling.u)
    assert found.sentences[-1].startswith("Boil-off 30")


def test_without_a_record_of_the_unloaded_cell_no_rate_is_said(stand):
    marks = {EMPTY: 50.0, FILLED: 120.0, WAITED: 1320.0}
    found = filling(stand, *recorded(stand, planned(stand)), marks, None)
    assert found.boiling is None
    assert "--night" in found.sentences[-1]


def test_a_filling_without_its_empty_mark_and_tanks_beside_the_cell_are_refused(stand):
    with pytest.raises(DataError, match="both marks, empty and filled"):
        filling(stand, *recorded(stand, 10.0), {FILLED: 120.0}, None)
    beside = dataclasses.replace(stand, stand=stand.stand.model_copy(update={"tanks_on_cell": False}))
    with pytest.raises(DataError, match="only the containers tell it"):
        filling(beside, *recorded(stand, 10.0), {EMPTY: 50.0, FILLED: 120.0}, None)
