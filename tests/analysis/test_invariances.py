"""What must not change when the same test is written down another way: other units, another clock zero, a turned cell.

And what must change in step: pressures twice as high, a flow area twice as large.
"""

import dataclasses
import itertools
import math
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.analysis.blowdown.direct_cda import direct_cda
from standbook.analysis.blowdown.exponent import exponent_from_pv
from standbook.analysis.blowdown.record import DischargeRecord, NoteUncertainties, SensorUncertainties
from standbook.analysis.kinds.static_fire import analyse_static_fire, firing_impulse
from standbook.analysis.physics.blowdown import Discharge, discharge_history
from standbook.analysis.physics.impulse import integrate
from standbook.analysis.physics.impulse_limits import verdict
from standbook.analysis.signal.valve_events import closing_time, opening_time
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.stage import perform
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import world_of
from standbook.daq.quantity import factor
from tests.rehearsed import dataset_of
from tests.studies.impulse_coverage import NEEDED, campaign_for_study

# A change of digits in the last places only: sums run in another order.
SAME = 1e-9
FEW = settings(max_examples=10, deadline=None)
SENSOR = SensorUncertainties(gain_u=0.003, zero_u=7e3)
NOTES = NoteUncertainties(ullage_volume_u=5e-5, mass_u=0.03, density_u=0.3, ambient_u=50.0, clock_u=1e-5, end_u=0.005)


# --- a cold flow ---------------------------------------------------------------------------------------------


@cache
def flow():
    instants = np.arange(-2.0, 10.0, 2e-3)
    truth = Discharge(
        start_pressure=35e5,
        ullage_volume=0.02,
        exponent=1.4,
        cda=1.4e-5,
        density=998.2,
        back_pressure=101325.0,
        end_volume=0.04,
        exponent_drift=-0.3,
    )
    clean = discharge_history(instants, truth)
    noisy = clean.pressure + 5e3 * np.random.default_rng(1).standard_normal(instants.size)
    mass = 998.2 * float(clean.volume[-1] - 0.02)
    return DischargeRecord(
        time=instants,
        pressure=noisy,
        back_pressure=101325.0,
        density=998.2,
        opening_time=0.0,
        end_time=float(instants[-1]),
        ullage_volume=0.02,
        expelled_mass=mass,
    )


def found(record, sensor=SENSOR, notes=NOTES):
    direct = direct_cda(record, sensor=sensor, notes=notes)
    return direct, exponent_from_pv(record, sensor=sensor, notes=notes)


@cache
def plain():
    return found(flow())


@FEW
@given(st.floats(0.2, 5.0))
def test_all_pressures_scaled_move_the_flow_area_by_the_root_and_the_exponent_not_at_all(scale):
    record = dataclasses.replace(flow(), pressure=scale * flow().pressure, back_pressure=scale * flow().back_pressure)
    sensor = dataclasses.replace(SENSOR, zero_u=scale * SENSOR.zero_u)
    notes = dataclasses.replace(NOTES, ambient_u=scale * NOTES.ambient_u)
    (direct, exponent), (was, exponent_was) = found(record, sensor, notes), plain()
    assert direct.cda == pytest.approx(was.cda / math.sqrt(scale), rel=SAME)
    assert direct.u / direct.cda == pytest.approx(was.u / was.cda, rel=1e-6)
    assert exponent.chord.value == pytest.approx(exponent_was.chord.value, rel=1e-6)
    assert exponent.chord.u == pytest.approx(exponent_was.chord.u, rel=1e-5)


@FEW
@given(st.floats(0.2, 5.0))
def test_a_flow_area_so_much_larger_empties_the_tank_so_much_sooner(scale):
    # The same curve, faster: its times are scaled, but the still record before it stays as long as it must be.
    step = float(np.diff(flow().time[:2])[0]) / scale
    flowing = flow().time >= 0.0
    before = step * np.arange(-round(2.0 / step), 0)
    still = 35e5 + 5e3 * np.random.default_rng(2).standard_normal(before.size)
    record = dataclasses.replace(
        flow(),
        time=np.concatenate([before, flow().time[flowing] / scale]),
        pressure=np.concatenate([still, flow().pressure[flowing]]),
        end_time=flow().end_time / scale,
        stroke=flow().stroke / scale,
    )
    direct, exponent = found(record)
    # The start pressure is read off other still samples: noise of 5 kPa over hundreds of them.
    assert direct.cda == pytest.approx(scale * plain()[0].cda, rel=3e-4)
    assert exponent.chord.value == pytest.approx(plain()[1].chord.value, abs=2e-3)


@pytest.mark.slow
@FEW
@given(st.floats(-1e5, 1e5))
def test_another_zero_of_the_clock_moves_instants_and_nothing_else(shift):
    record = dataclasses.replace(
        flow(), time=flow().time + shift, opening_time=flow().opening_time + shift, end_time=flow().end_time + shift
    )
    direct, exponent = found(record)
    # Rounding puts a sample at the edge of a stretch inside or outside: a twentieth of u at most.
    assert direct.cda == pytest.approx(plain()[0].cda, abs=0.05 * direct.u)
    assert exponent.chord.value == pytest.approx(plain()[1].chord.value, abs=0.05 * exponent.chord.u)
    now, was = opening_time(record.time, record.pressure), opening_time(flow().time, flow().pressure)
    assert now.time - shift == pytest.approx(was.time, abs=0.1 * was.u)


@pytest.mark.slow
@FEW
@given(st.floats(-10e5, 100e5), st.floats(0.1, 10.0))
def test_an_offset_and_a_slope_of_the_sensor_move_no_event(offset, slope):
    time, pressure = flow().time, flow().pressure
    closed = np.where(time > 8.0, np.interp(8.0, time, pressure), pressure)
    for find in (opening_time, closing_time):
        at = find(time, offset + slope * closed, start=-1.5).time
        assert at == pytest.approx(find(time, closed, start=-1.5).time, abs=2e-5)


# --- the integral --------------------------------------------------------------------------------------------

TIMES = np.arange(0.0, 20.0, 1e-3)
THRUST = np.where((TIMES > 2.0) & (TIMES < 18.0), 2600.0 - 70.0 * TIMES, 0.0)
KEPT = (TIMES < 5.0) | (TIMES > 5.04)


@given(st.lists(st.floats(0.0, 19.999), min_size=1, max_size=6))
def test_a_burn_that_is_cut_into_pieces_has_the_impulse_of_the_whole(cuts):
    record = integrate(TIMES[KEPT], THRUST[KEPT])
    edges = [0.0, *sorted(cuts), 19.999]
    pieces = sum(record.between(low, high) for low, high in itertools.pairwise(edges) if high > low)
    assert pieces == pytest.approx(record.between(0.0, 19.999), rel=1e-12)
    lost = sum(record.lost(low, high) for low, high in itertools.pairwise(edges) if high > low)
    assert lost == pytest.approx(record.lost(0.0, 19.999), abs=1e-9)


@given(st.floats(-1e6, 1e6), st.floats(-10.0, 10.0))
def test_impulse_knows_no_zero_of_the_clock_and_is_linear_in_thrust(shift, scale):
    whole = integrate(TIMES[KEPT], THRUST[KEPT]).between(0.0, 19.9)
    other = integrate(TIMES[KEPT] + shift, scale * THRUST[KEPT]).between(shift, 19.9 + shift)
    # a step of 1 ms near 1e6 s is known to 1e-10 s
    assert other == pytest.approx(scale * whole, rel=1e-6, abs=1e-9)


@given(st.floats(1e-3, 1e3), st.floats(30_000.0, 50_000.0), st.floats(50.0, 900.0), st.booleans())
def test_a_verdict_is_the_same_in_any_unit_of_impulse(scale, impulse, u, hidden):
    one, other = (
        verdict(k * impulse, k * u, limit=k * 40_960.0, limit_name="rule", lower_bound_only=hidden)
        for k in (1.0, scale)
    )
    assert other.outcome == one.outcome
    if hidden:
        assert other.probability_within is one.probability_within is None
    else:
        assert other.probability_within == pytest.approx(one.probability_within, rel=1e-6, abs=1e-12)
        assert other.upper_bound == pytest.approx(scale * one.upper_bound, rel=SAME)


# --- a whole firing ------------------------------------------------------------------------------------------


@cache
def firing():
    campaign = campaign_for_study()
    physics = perform(world_of(campaign.plan, campaign.stand, Draw(1, Errors.none())), campaign.stand)
    return campaign, instrument(campaign, physics, Draw(4))


@cache
def results_of(change=None, *arguments):
    campaign, rehearsal = firing()
    alter = None
    if change is not None:
        campaign, alter = change(campaign, *arguments)
    return analyse_static_fire(dataset_of(campaign, rehearsal, alter=alter)).results


def with_calibration(campaign, tag, **changes):
    calibration = campaign.calibrations[tag].model_copy(update=changes)
    return dataclasses.replace(campaign, calibrations={**campaign.calibrations, tag: calibration})


def in_unit(campaign, tag, unit, dimension):
    """Write one calibration in another unit of the same readings."""
    c = campaign.calibrations[tag]
    bare = unit.partition("(")[0]
    k = c.scale / factor(bare, dimension)
    return with_calibration(
        campaign,
        tag,
        reading_unit=unit,
        coefficients=tuple(k * x for x in c.coefficients),
        covariance=tuple(tuple(k * k * x for x in row) for row in c.covariance),
        lowest=k * c.lowest,
        highest=k * c.highest,
        zero_uncertainty=k * c.zero_uncertainty,
        points=tuple((signal, k * reading, way) for signal, reading, way in c.points),
    ), None


def turned(campaign):
    """Mount the cell the other way round, calibrated so."""
    c = campaign.calibrations["LC-1"]
    slope = tuple((-1.0) ** k * x for k, x in enumerate(c.coefficients))
    covariance = tuple(tuple((-1.0) ** (i + j) * x for j, x in enumerate(row)) for i, row in enumerate(c.covariance))
    points = tuple((-signal, reading, way) for signal, reading, way in c.points)
    changed = with_calibration(
        campaign, "LC-1", coefficients=slope, covariance=covariance, pivot=-c.pivot, points=points
    )

    def alter(played):
        counts = {**played.counts, "LC-1": -played.counts["LC-1"]}
        return dataclasses.replace(played, counts=counts) if "LC-1" in played.counts else played

    return changed, alter


def numbers(results):
    tanks = {name: (t.cda, t.exponent.chord, t.expelled_mass, t.start_pressure) for name, t in results.tanks.items()}
    engine = results.engine
    named = {
        "impulse": (results.impulse.value, results.impulse.u),
        "vacuum": (results.impulse_vacuum.value, results.impulse_vacuum.u),
        "peak": (results.thrust.peak.value, results.thrust.peak.u),
        **{f"{name} {k}": (m.value, m.u) for name, of in tanks.items() for k, m in enumerate(of)},
        **{
            k: (getattr(engine, k).value, getattr(engine, k).u)
            for k in ("cstar", "isp", "thrust_coefficient", "mixture_ratio")
        },
    }
    return {f"{key}/{which}": x for key, pair in named.items() for which, x in zip(("value", "u"), pair, strict=True)}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("change", "arguments"),
    [
        (in_unit, ("LC-1", "lbf", "force")),
        (in_unit, ("LC-1", "kN", "force")),
        (in_unit, ("PT-11", "psi(g)", "pressure")),
        (in_unit, ("PT-31", "kPa(g)", "pressure")),
        (turned, ()),
    ],
    ids=["cell in lbf", "cell in kN", "tank in psi", "chamber in kPa", "cell turned round"],
)
def test_units_and_the_way_round_of_the_cell_change_no_number(change, arguments):
    now, was = numbers(results_of(change, *arguments)), numbers(results_of())
    # The searches for instants stop at 1e-6 s, and CdA and c* feel where they stopped.
    assert now == pytest.approx(was, rel=1e-6)
    assert {v.outcome for v in results_of(change, *arguments).verdicts.values()} == {
        v.outcome for v in results_of().verdicts.values()
    }
    assert [f.code for f in results_of(change, *arguments).findings] == [f.code for f in results_of().findings]


@pytest.mark.slow
@settings(max_examples=5, deadline=None)
@given(st.floats(-3600.0, 3600.0))
def test_without_t_zero_the_impulse_of_a_firing_knows_no_zero_of_the_clock(shift):
    dataset = untimed()
    channels = {t: dataclasses.replace(c, time=c.time + shift) for t, c in dataset.channels.items()}
    moved = firing_impulse(dataclasses.replace(dataset, channels=channels))
    # where a stretch begins is decided sample by sample; one more or less in a zero moves it by its noise over 1,000
    assert moved.value == pytest.approx(untimed_impulse().value, rel=2e-5)
    assert moved.u == pytest.approx(untimed_impulse().u, rel=1e-3)


@cache
def untimed():
    campaign, rehearsal = firing()
    dataset = dataset_of(campaign, rehearsal)
    kept = {tag: channel for tag, channel in dataset.channels.items() if tag in NEEDED}
    return dataclasses.replace(dataset, t_zero=None, channels=kept)


@cache
def untimed_impulse():
    return firing_impulse(untimed())
