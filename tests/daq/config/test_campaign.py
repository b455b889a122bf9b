"""Campaign, plan and stand files: what a good one holds, and every fault of a bad one in one sentence."""

import datetime as dt
import os
import re

import numpy as np
import pytest

from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.plan import read_plan
from standbook.daq.config.signal_conversion import (
    Rails,
    check_signal,
    clipped,
    counts_from_signal,
    open_wire,
    signal_from_counts,
)
from standbook.daq.config.stand import read_stand
from standbook.daq.errors import ConfigError
from tests.calibrated_readings import readings
from tests.campaign_fixture import TODAY, campaign, edit


@pytest.fixture
def folder(tmp_path):
    return campaign(tmp_path)


def plan_of(folder, number="HF-02"):
    return folder / "plans" / f"{number}.toml"


@pytest.mark.parametrize("number", ["WF-03", "WF-04", "HF-02"])
def test_the_starter_campaign_is_valid_as_it_is(folder, number):
    found = read_campaign(plan_of(folder, number), today=TODAY)
    assert found.plan.test.number == number
    assert found.stand.name == "quarry-cradle"
    assert set(found.calibrations) >= {"PT-11", "PT-21", "VS-1"}
    assert all(path.is_file() for path in found.files())


def test_a_plan_reads_into_si(folder):
    plan = read_plan(plan_of(folder))
    tank = plan.tank_named("oxidiser")
    assert plan.start_pressure(tank).value == pytest.approx(31.0e5 + 97.8e3)
    assert tank.ullage_volume == pytest.approx(24.0e-3 - 10.66 / 1139.0)
    assert plan.impulse_class is not None
    assert plan.impulse_class.guard_share == 0.95
    assert plan.back_pressure().value == pytest.approx(97.8e3)


ACROSS = 'internal_diameter = "230 mm"'
BAD_PLANS = [
    ('repeat_if_lost_longer_than = "50 ms"', 'repeat_if_lost_longer_than = "0.5 s"', "may hide more than the thrust"),
    ('liquid_load = "10.66 +/- 0.10 kg"', "liquid_load = 10.66", r"line \d+: tank\[1\].liquid_load: bare number"),
    ('start_pressure = "31.0 +/- 0.15 bar(g)"', 'start_pressure = "31.0 bar"', r"write bar\(a\) for absolute"),
    ('feed_cda = "16.2 +/- 0.4 mm2"', 'feed_cda = "16.2 +/- 0.4 hectare"', "unknown unit 'hectare'"),
    ('internal_volume = "24.00 +/- 0.08 L"', 'internal_volume = "-24 L"', "must be more than zero"),
    ('liquid_load = "10.66 +/- 0.10 kg"', 'liquid_load = "40 kg"', "more than the tank's"),
    (ACROSS, f"{ACROSS}\ncontainers = 2", "give both containers and scale_interval"),
    (ACROSS, f'{ACROSS}\nscale_interval = "10 g"', "give both containers and scale_interval"),
    (ACROSS, f'{ACROSS}\ncontainers = 0\nscale_interval = "10 g"', "greater than or equal to 1"),
    (ACROSS, f'{ACROSS}\nwall_material = "brass"', "'aluminium' or 'steel'"),
    (ACROSS, f'{ACROSS}\nwall_thickness = "4 mm"', "say nothing without wall_material"),
    (ACROSS, f'{ACROSS}\nvolume_at = "293 K"', "say nothing without wall_material"),
    (ACROSS, f'{ACROSS}\nwall_material = "steel"\nwall_thickness = "4 cm"', "is no thin wall"),
    (ACROSS, 'wall_material = "steel"\nwall_thickness = "4 mm"', "needs internal_diameter beside it"),
    ('minimum_data = ["LC-1",', 'minimum_data = ["LC-7",', "unknown tag LC-7"),
    ('"LC-1_r04", ', "", "LC-1 is in minimum_data but calibrations names none"),
    ('"LC-1_r04"', '"LC-1_r09"', "calibration LC-1_r09 is missing"),
    ('stand = "quarry-cradle"', 'stand = "barn-door"', 'is of "quarry-cradle"'),
    ('limit = "40960 N*s"', 'limit = "40960 N"', "unknown unit 'N' for impulse"),
    ('guard = "95 % one-sided"', 'guard = "about 95"', "is not understood"),
    ('ambient_pressure = "97.8 +/- 0.1 kPa(a)"', 'ambient_pressure = "0 bar(g)"', "must be absolute"),
    ('number = "HF-02"', 'number = "HF 02/3"', "it names files"),
    ('name = "fuel"', 'name = "oxidiser"', "two tanks share a name"),
    ("persist = [40, 50]", "persist = [60, 50]", "needs 1 <= M <= N"),
    ('phase = "burn"', 'phase = "fire"', "'standby', 'misfire', 'burn', 'flow' or 'safing'"),
    ('phase = "burn"', 'phase = "flow"', 'static fire has no phase "flow"; write standby, misfire, burn, safing'),
    ('tag = "PT-31"\nbelow', 'tag = "LC-1"\nbelow', "states a pressure, but LC-1 reads N"),
    ('tag = "PT-31"\nbelow', 'tag = "PT-99"\nbelow', 'redline "no light" names unknown tag PT-99'),
    ("[[mark]]", '[[mark]]\nkey = "p"\ntext = "valve"\n\n[[mark]]', "two marks share the key P"),
    ('kind = "static fire"', 'kind = "static fir"', "test.kind"),
    ("[impulse_class]", "[impulse_clas]", "unknown key"),
    ("[lift_off]", "[lift_off", "not valid TOML"),
    ('unusable_residual = "0.10 kg"', 'unusable_residual = "10.66 kg"', "not less than liquid_load"),
]


@pytest.mark.parametrize(("old", "new", "message"), BAD_PLANS, ids=[bad[2] for bad in BAD_PLANS])
def test_a_faulty_plan_is_refused_in_a_sentence_that_says_what_to_write(folder, old, new, message):
    edit(plan_of(folder), old, new)
    with pytest.raises(ConfigError, match=message):
        read_campaign(plan_of(folder), today=TODAY)


def test_every_fault_of_every_file_is_listed_at_once(folder):
    edit(plan_of(folder), 'liquid_load = "10.66 +/- 0.10 kg"', "liquid_load = 10.66")
    edit(plan_of(folder), 'liquid_density = "858 +/- 2 kg/m3"', 'liquid_density = "858"')
    edit(folder / "stand.toml", 'nozzle = "down"', 'nozzle = "sideways"')
    with pytest.raises(ConfigError) as caught:
        read_campaign(plan_of(folder), today=TODAY)
    assert len(caught.value.problems) == 3


BAD_STANDS = [
    ('tag = "PT-12"', 'tag = "PT-11"', "two inputs share the tag PT-11"),
    ('tag = "PT-12"', 'tag = "ticks"', "input ticks: samples files use this name themselves"),
    ('tag = "PT-12"', 'tag = "PT-11.counts"', "input PT-11.counts: samples files use this name themselves"),
    ('tag = "PT-12"', 'tag = "PT-12"\nstream = "a/b"', 'input PT-12: stream "a/b" names a file'),
    ('clock_tolerance = "50 ppm"', 'clock_tolerance = "0 ppm"', "device cradle-a: no clock is exact"),
    ('wire = "adc2"', 'wire = "adc1"', "cradle-a/fast/adc1 stands twice"),
    ('supply = "VS-1" ', 'supply = "VS-9" ', "neither a tag of this stand nor a voltage"),
    ('burden = "150.0 ohm"', "", "needs its burden resistor"),
    ('supply = "5.000 V"', "", "needs its supply"),
    ('supply = "5.000 V"', 'supply = "5 bar"', "input LC-1: unknown unit 'bar' for voltage"),
    ('supply = "5.000 V"', 'supply = "0.0 V"', 'input LC-1: supply "0.0 V" must be more than zero'),
    ('tank = "oxidiser"', "", "a tank pressure needs its tank"),
    ('device = "cradle-a"\nwire = "adc0"', 'device = "cradle-z"\nwire = "adc0"', "hangs on unknown device cradle-z"),
    ('format = "wire 1"', 'format = "text lines"', "go together"),
]


@pytest.mark.parametrize(("old", "new", "message"), BAD_STANDS, ids=[bad[2] for bad in BAD_STANDS])
def test_a_faulty_stand_is_refused(folder, old, new, message):
    edit(folder / "stand.toml", old, new)
    with pytest.raises(ConfigError, match=message):
        read_stand(folder / "stand.toml")


def test_a_faulty_table_is_one_problem_and_not_also_a_missing_one(folder):
    edit(folder / "stand.toml", 'clock_tolerance = "50 ppm"', 'clock_tolerance = "-5 ppm"')
    with pytest.raises(ConfigError) as caught:
        read_stand(folder / "stand.toml")
    (problem,) = caught.value.problems
    assert '"-5 ppm" must not be negative' in problem


def test_a_list_with_nothing_in_it_is_said_in_our_words(folder):
    text = (folder / "stand.toml").read_text(encoding="utf-8")
    (folder / "stand.toml").write_text("input = []\n" + text.partition("[[input]]")[0], encoding="utf-8")
    with pytest.raises(ConfigError, match=r"line 1: input: nothing stands here; at least one is needed"):
        read_stand(folder / "stand.toml")


def test_a_calibration_out_of_date_is_refused_with_its_dates(folder):
    with pytest.raises(ConfigError, match=r"calibration LC-1_r04 is valid from 2031-06-02 until 2032-06-01"):
        read_campaign(plan_of(folder), today=TODAY + dt.timedelta(days=400))


def test_a_sensor_that_is_not_the_calibrated_one_is_refused(folder):
    edit(folder / "stand.toml", 'sensor_serial = "LC-2207"', 'sensor_serial = "LC-0001"')
    with pytest.raises(ConfigError, match="name the calibration of the sensor that is mounted"):
        read_campaign(plan_of(folder), today=TODAY)


def test_a_plan_outside_a_campaign_is_refused(tmp_path):
    path = tmp_path / "HF-02.toml"
    path.write_text("", encoding="utf-8")
    with pytest.raises(ConfigError, match="standbook new DIR"):
        read_campaign(path, today=TODAY)
    with pytest.raises(ConfigError, match="no such plan"):
        read_campaign(tmp_path / "absent.toml", today=TODAY)


@pytest.mark.parametrize("kind", ["folder", "pipe"])
def test_a_plan_stand_or_calibration_that_is_no_file_is_told_as_that(folder, kind):
    for place in (plan_of(folder), folder / "stand.toml", folder / "calibrations" / "LC-1_r04.toml"):
        kept = place.read_bytes()
        place.unlink()
        if kind == "folder":
            place.mkdir()
        else:
            os.mkfifo(place)
        what = "a folder" if kind == "folder" else "a pipe, socket or device"
        with pytest.raises(ConfigError, match=re.escape(f"{place}: cannot be read: is {what}, not a file")) as refused:
            read_campaign(plan_of(folder), today=TODAY)
        assert len(refused.value.problems) == 1
        place.rmdir() if kind == "folder" else place.unlink()
        place.write_bytes(kept)


@pytest.mark.parametrize("fault", ["missing", "torn", "wrong"])
def test_one_fault_of_a_calibration_is_one_sentence(folder, fault):
    place = folder / "calibrations" / "PT-31_r02.toml"  # a redline watches it, and it is minimum data
    if fault == "missing":
        place.unlink()
    else:
        surplus = "surplus = 1\n" if fault == "wrong" else "]"
        place.write_text(surplus + place.read_text(encoding="utf-8"), encoding="utf-8")
    with pytest.raises(ConfigError) as refused:
        read_campaign(plan_of(folder), today=TODAY)
    (problem,) = refused.value.problems
    assert "PT-31_r02" in problem


def test_counts_become_signals_and_back_for_every_kind_of_sensor(folder):
    found = read_campaign(plan_of(folder), today=TODAY)
    counts = np.array([1000, 12345, 20000])
    for item in found.stand.input:
        signal = signal_from_counts(item, counts, 5.0)
        assert counts_from_signal(item, signal, 5.0) == pytest.approx(counts, rel=1e-12)
        check_signal(item, found.calibrations[item.tag])


@pytest.mark.parametrize(
    ("supply_counts", "sensor_counts", "share"),
    [
        # Ratiometric 0.5-4.5 V at 5 V (convention, from memory): 2.5 V of 5 V and 2.45 V of 4.9 V are both half.
        (round(5.0 / 0.1875e-3), round(2.5 / 0.1875e-3), 0.5),
        (round(4.9 / 0.1875e-3), round(2.45 / 0.1875e-3), 0.5),
        (round(4.9 / 0.1875e-3), round(2.5 / 0.1875e-3), 0.512755),
    ],
)
def test_a_ratiometric_reading_is_scaled_by_the_measured_supply(folder, supply_counts, sensor_counts, share):
    found = read_campaign(plan_of(folder), today=TODAY)
    si = readings(
        found.stand,
        found.calibrations,
        {"PT-11": np.array([sensor_counts]), "VS-1": np.array([supply_counts])},
    )
    # 0.1 % of 60 bar: the scatter of the simulated calibration points
    assert si["PT-11"][0] == pytest.approx(share * 60e5, abs=6e3)


def test_a_current_loop_is_read_over_its_burden(folder):
    found = read_campaign(plan_of(folder), today=TODAY)
    item = found.stand.input_tagged("PT-12")
    # 12 mA is mid-scale; 250 ohm turns 4-20 mA into 1-5 V (convention, from memory); here 150 ohm
    assert signal_from_counts(item, np.array([round(0.012 * 150.0 / 0.125e-3)]), 1.0)[0] == pytest.approx(12.0)
    assert open_wire(item, np.array([3.5, 4.0])).tolist() == [True, False]


def test_counts_at_a_rail_are_clipped():
    assert clipped(np.array([-32768, -32767, -32766, 0, 32766, 32767]), Rails(-32768, 32767)).tolist() == [
        True,
        True,
        False,
        False,
        True,
        True,
    ]
