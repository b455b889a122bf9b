"""All pressures of a firing calibrated on one gauge: what its error does to the results is what their u holds of it.

The gauge's error is put into the calibrations from outside, as a bench makes them: a sensor whose levels were read on a
gauge that shows too much reads too much, each in the same way. Nothing else is uncertain that was not before.
"""

import dataclasses
import math

import pytest

from standbook.analysis.firing.mass_closure import FLOW_AREA
from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.story import instrument
from standbook.daq.config.calibration import ReferenceU
from standbook.daq.quantity import Quantity
from tests.rehearsed import dataset_of

PRESSURES = ("PT-11", "PT-21", "PT-31")
GAIN, LEVEL = 0.002, 0.06  # of reading; bar at every level
ALIKE_EVERYWHERE = 1e3  # of span: then a gauge that is off by LEVEL somewhere is off by it everywhere

pytestmark = pytest.mark.slow


def share(value):
    return Quantity(value=value, u=0.0, dimension="share", reference=None, text=f"{100.0 * value:.9g} %")


def on_gauges(calibrations, *, gain=0.0, level=0.0, serials=("G-17",) * 3, shown=(0.0, 0.0)):
    """Calibrations whose standards claim so much; ``shown`` is by how much theirs truly shows more, gain and level."""
    made = dict(calibrations)
    for tag, serial in zip(PRESSURES, serials, strict=True):
        c = calibrations[tag]
        curve = [(1.0 + shown[0]) * k for k in c.coefficients]
        curve[0] += shown[1]
        split = ReferenceU(
            of_reading=share(gain),
            of_span=share(level / (c.highest - c.lowest)),
            levels_alike=share(ALIKE_EVERYWHERE),
            serial=serial,
        )
        made[tag] = c.model_copy(
            update={
                "coefficients": tuple(curve),
                "points": (),
                "reference_serial": serial,
                "reference_uncertainty": share(gain),
                "reference_u": split,
            }
        )
    return made


@pytest.fixture(scope="module")
def analysed(hf02_campaign, hf02_physics):
    silent = instrument(hf02_campaign, hf02_physics, Draw(1, Errors.none()))

    def numbers(**gauge):
        calibrations = on_gauges(hf02_campaign.calibrations, **gauge)
        results = analyse_static_fire(
            dataset_of(dataclasses.replace(hf02_campaign, calibrations=calibrations), silent)
        ).results
        area = next(route for route in results.firing.masses if route.route == FLOW_AREA)
        return {
            "CdA oxidiser": results.tanks["oxidiser"].cda,
            "CdA fuel": results.tanks["fuel"].cda,
            "O/F": results.engine.mixture_ratio,
            "O/F by flow areas": area.mixture_ratio,
            "mass by flow areas": area.total,
            "c*": results.engine.cstar,
            "Isp": results.engine.isp,
        }

    return numbers


@pytest.fixture(scope="module")
def exact(analysed):
    return analysed()


def held(found, exact):
    """Relative u that a gauge adds to each number."""
    return {
        name: math.sqrt(max(found[name].u ** 2 - exact[name].u ** 2, 0.0)) / abs(exact[name].value) for name in exact
    }


def moved(found, exact):
    return {name: found[name].value / exact[name].value - 1.0 for name in exact}


@pytest.mark.parametrize(("claimed", "shown"), [({"gain": GAIN}, (GAIN, 0.0)), ({"level": LEVEL}, (0.0, LEVEL))])
def test_a_gauge_that_is_off_by_its_u_moves_every_result_by_what_its_budget_holds_of_it(
    analysed, exact, claimed, shown
):
    by_budget, truly = held(analysed(**claimed), exact), moved(analysed(shown=shown), exact)
    for name, change in truly.items():
        # differences of two nearly equal u, and the curvature of a shift of 0.3 %
        assert by_budget[name] == pytest.approx(abs(change), rel=0.03, abs=2e-5), name
    # c* takes the chamber's part whole, a drop what is left between two readings
    assert by_budget["c*"] > 0.9 * (claimed.get("gain") or LEVEL / 25.0)


def test_what_both_tanks_share_is_no_part_of_their_ratio_and_whole_in_their_sum(analysed, exact):
    one = held(analysed(gain=GAIN), exact)
    apart = held(analysed(gain=GAIN, serials=("G-17", "G-18", "G-19")), exact)
    assert one["mass by flow areas"] == pytest.approx(0.5 * GAIN, rel=0.05)  # the drop, in a root
    assert one["O/F by flow areas"] < 0.1 * one["mass by flow areas"]
    assert apart["O/F by flow areas"] > 5.0 * one["O/F by flow areas"]
    assert apart["CdA oxidiser"] > 2.0 * one["CdA oxidiser"]
    assert apart["c*"] == pytest.approx(one["c*"], rel=0.1)
    assert one["Isp"] < 2e-5  # which liquid left when hangs on drops, and hardly on their scale
