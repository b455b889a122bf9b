"""Run-outs whose liquid fades: beside a core of gas or mixed with it, against a back pressure that stays or falls."""

import numpy as np
import pytest

from standbook.analysis.flow_ends.bends import EARLY, EVEN, LATE, Trials, grown, posterior, ramp
from standbook.analysis.flow_ends.course import course_of, gas_growth
from standbook.analysis.flow_ends.flow_ends import Expected, Pressurant, TankRecord, flow_bounds

START, GROWTH, DENSITY = 30e5, 0.1, 1000.0  # absolute [Pa]; of the ullage, a second at the first drive; [kg/m3]
EXPONENT = 1.25
NITROGEN = Pressurant(heat_capacity_ratio=1.4, specific_constant=296.8, temperature=291.0)
STEP, FIRST_GAS, AFTER = 2e-3, 6.0, 4.0  # [s]


def core(since, seconds):
    """Liquid beside a core of gas: what goes is what is left."""
    return np.exp(-since / seconds)


def sudden(since, seconds):
    return np.clip(1.0 - since / seconds, 0.0, 1.0)


def faded(law, seconds, *, back=1e5, follows=False, noise=1e3, seed=0):
    """Run a tank dry; return its record and when a sudden end would have let the same liquid out.

    The back pressure falls to 1 bar with the liquid where it ``follows``, as a chamber's does; gas does not care.
    """
    time = np.arange(-5.0, FIRST_GAS + AFTER, STEP)
    liquid = np.where(time < 0.0, 0.0, law(np.maximum(time - FIRST_GAS, 0.0), seconds))
    behind = np.where(time < 0.0, back, 1e5 + (back - 1e5) * liquid) if follows else np.full(time.size, back)
    log, volume, gas_speed = np.zeros(time.size), 1.0, 0.0
    root = np.ones(time.size)
    for k in range(1, time.size):
        pressure = START * np.exp(log[k - 1])
        root[k] = np.sqrt(max(pressure - behind[k], 0.0) / (START - back))
        if time[k] < FIRST_GAS:  # gas leaves as fast as its sound, whatever is behind
            gas_speed = NITROGEN.speed_ratio(pressure - behind[k], DENSITY) * root[k]
        flow = liquid[k] * root[k] + (1.0 - liquid[k]) * gas_speed * (time[k] > FIRST_GAS)
        log[k] = log[k - 1] - EXPONENT * GROWTH * flow / volume * STEP
        volume += GROWTH * liquid[k] * root[k] * STEP
    pressure = START * np.exp(log) + noise * np.random.default_rng(seed).standard_normal(time.size)
    after = time >= FIRST_GAS
    through = np.cumsum(root[after]) * STEP
    ended = float(np.interp(np.sum((liquid * root)[after]) * STEP, through, time[after]))
    record = TankRecord(time=time, pressure=pressure, drive=pressure - behind, density=DENSITY, pressurant=NITROGEN)
    return record, ended


def end_of(record):
    return flow_bounds(record, Expected(opening=(-0.5, 1.0), rest_from=-5.0))[1]


@pytest.mark.parametrize("seconds", [0.1, 0.2])
def test_gas_that_follows_no_falling_back_pressure_leaves_the_end_where_liquid_ended(seconds):
    record, ended = faded(core, seconds, back=12e5, follows=True)
    end = end_of(record)
    assert end.kind == "run-out"
    assert abs(end.time - ended) < 0.4 * seconds
    assert abs(end.time - ended) < 2.0 * end.u


def test_a_sharp_end_stays_sharp_where_the_back_pressure_falls_with_it():
    record, ended = faded(sudden, 0.06, back=12e5, follows=True)
    end = end_of(record)
    assert abs(end.time - ended) < min(2.0 * end.u, 0.015)
    assert end.u < 0.04


@pytest.mark.parametrize("seconds", [0.1, 0.25])
def test_liquid_beside_a_core_is_not_taken_for_a_mixture(seconds):
    record, ended = faded(core, seconds)
    end = end_of(record)
    assert abs(end.time - ended) < 0.3 * seconds
    assert abs(end.time - ended) < 2.0 * end.u


def test_a_lopsided_fading_is_less_sure_than_a_sudden_end():
    soft, sharp = (end_of(faded(law, seconds)[0]).u for law, seconds in ((core, 0.25), (sudden, 0.05)))
    assert sharp < 0.03
    assert soft > 2.0 * sharp


def test_a_late_fading_is_placed_before_its_volume_flow_says():
    """Its liquid goes as a mixture's would, more likely than not; the early one's as beside a core."""
    placed = {}
    for shape in (EARLY, EVEN, LATE):
        one = Trials(
            place=np.zeros(1),
            width=np.full(1, 0.2),
            onset=np.zeros(1),
            cost=np.zeros(1),
            before=np.full(1, -1.0),
            after=np.full(1, -5.0),
            shape=np.array([shape]),
            freedom=10,
        )
        placed[shape] = posterior(one, np.ones(1, bool), np.full(1, 0.1))
    assert placed[LATE].place < placed[EVEN].place < placed[EARLY].place <= 0.0
    assert placed[LATE].deviation > placed[EARLY].deviation


def test_a_bend_whose_slope_shrinks_adds_up_to_the_area_of_both():
    x = np.linspace(-1.0, 2.0, 3001)
    bends = ramp(x[:, None] - np.array([0.0, 0.5]), 0.2, EVEN)
    assert grown(bends, None) is bends
    assert np.allclose(grown(bends, np.ones(x.size)), bends)
    halved = grown(bends, np.where(x < 1.0, 1.0, 0.5))
    assert halved[-1] == pytest.approx([1.0 + 0.5, 0.5 + 0.5], abs=1e-3)


def test_gas_grows_by_nothing_where_the_back_pressure_stays():
    for follows, known in ((False, False), (True, True)):
        record, _ = faded(core, 0.1, back=12e5, follows=follows, noise=0.0)
        course = course_of(record.time, record.pressure, record.drive, opening=0.0)
        part = slice(course.place(5.0), course.place(7.5))
        growth = gas_growth(course, part, FIRST_GAS, 6.0)
        assert (growth is not None) is known
        if growth is not None:
            before = course.time[part] < FIRST_GAS - 0.05
            assert np.allclose(growth[before], 1.0, atol=0.06)
            assert growth[-1] < 0.85
