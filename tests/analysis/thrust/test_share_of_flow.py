"""Which share of a liquid left while both burned, and what a pressure that reads low makes of it."""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest

from standbook.analysis.dataset.doubted_drop import DoubtedDrop
from standbook.analysis.thrust.both_flow import left_between
from standbook.analysis.thrust.tank_flows import TankFlow

TANK, BURNING, AFTER = 30e5, 18e5, 1e5  # Pa
TIME = np.arange(0.0, 10.0, 1e-3)


def flow(*, end, tank=0.0, chamber=0.0):
    """A liquid that flows from 0 s against a chamber that burns for 5 s; shares by which either may read higher."""
    back = np.where(TIME < 5.0, BURNING, AFTER)
    known = {
        "channel": SimpleNamespace(time=TIME),
        "opening": SimpleNamespace(time=0.0),
        "end": SimpleNamespace(time=end),
        "drive": TANK - back,
        "doubted": DoubtedDrop(
            time=TIME, drive=TANK - back, moved={"tank": np.full(TIME.size, tank * TANK), "chamber": -chamber * back}
        ),
    }
    values = dict.fromkeys((field.name for field in dataclasses.fields(TankFlow)), None)
    return TankFlow(**{**values, **known})


def left(time, rate):
    return left_between(time, rate, 1.0, 4.0)


def share(burning, after, *, seconds=3.0, on=4.0):
    """By hand: constant drops before and after 5 s, the interval lies in the burn."""
    return seconds * math.sqrt(burning) / (5.0 * math.sqrt(burning) + on * math.sqrt(after))


def test_the_share_is_that_of_the_root_of_the_drop():
    assert left(TIME, flow(end=9.0).rate) == pytest.approx(share(12e5, 29e5), rel=1e-3)
    assert flow(end=9.0).changes(left) == {"tank": 0.0, "chamber": 0.0}


def test_a_chamber_that_reads_low_moves_the_share_of_a_liquid_that_flows_on():
    found = flow(end=9.0, chamber=0.02).changes(left)
    moved = share(12e5 - 0.02 * BURNING, 29e5 - 0.02 * AFTER) - share(12e5, 29e5)
    assert found == {"tank": 0.0, "chamber": pytest.approx(moved, rel=2e-3)}
    assert abs(moved) / share(12e5, 29e5) > 0.008


def test_it_moves_nothing_where_the_flow_ends_with_the_burn():
    assert abs(flow(end=4.999, chamber=0.02).changes(left)["chamber"]) < 1e-9


def test_a_tank_that_reads_high_moves_it_too():
    found = flow(end=9.0, tank=0.01).changes(left)
    moved = share(12e5 + 0.01 * TANK, 29e5 + 0.01 * TANK) - share(12e5, 29e5)
    assert found["tank"] == pytest.approx(moved, rel=2e-3)
