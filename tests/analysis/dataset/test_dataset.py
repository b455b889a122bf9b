"""Counts to channels on one time axis, supplies across streams, masks, and a moved origin."""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest

from standbook.analysis.dataset.dataset import (
    LineEdge,
    RawStream,
    dataset_from_counts,
    gaps_in,
    iso_time,
    shift_origin,
)
from standbook.analysis.dataset.load_run import _played, _weighings, seconds_after
from standbook.analysis.results.results import TZero
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.signal_conversion import Rails, counts_from_signal
from standbook.daq.errors import DataError
from standbook.daq.quantity import parse_quantity
from tests.campaign_fixture import TODAY, campaign

RAILS = Rails(-(2**23), 2**23 - 1)
SUPPLY = 4.9  # V, sagging from the usual 5


@pytest.fixture(scope="module")
def firing(tmp_path_factory):
    folder = campaign(tmp_path_factory.mktemp("campaign"))
    return read_campaign(folder / "plans" / "HF-02.toml", today=TODAY)


def counts_of(firing, tag, reading, supply=SUPPLY):
    """Counts of a constant reading in the calibration's own unit."""
    item, calibration = firing.stand.input_tagged(tag), firing.calibrations[tag]
    signal = calibration.signal(np.array([float(reading)]))
    return np.rint(counts_from_signal(item, signal, supply)).astype(np.int64)


def played(firing, readings, *, rows=200, interval=1e-3, supply=SUPPLY):
    counts = {tag: np.repeat(counts_of(firing, tag, value, supply), rows) for tag, value in readings.items()}
    return RawStream(interval * np.arange(rows), counts, dict.fromkeys(readings, RAILS))


def data(firing, streams, **more):
    return dataset_from_counts(firing.plan, firing.stand, firing.calibrations, streams, **more)


def test_a_gauge_reading_becomes_absolute_by_the_plans_barometer(firing):
    found = data(firing, {"cradle-a/fast": played(firing, {"VS-1": SUPPLY, "PT-11": 31.0})})
    # one count of a 16-bit converter is 0.1875 mV of 4 V for 60 bar: 0.0028 bar
    assert np.mean(found.channels["PT-11"].reading) == pytest.approx(31.0e5 + 97.8e3, abs=300.0)


def test_supply_of_another_stream_is_read_off_between_its_samples(firing):
    fast = played(firing, {"PT-11": 31.0})
    slow = played(firing, {"VS-1": SUPPLY}, rows=10, interval=0.05)
    found = data(firing, {"cradle-a/fast": fast, "cradle-a/slow": slow})
    assert np.mean(found.channels["PT-11"].reading) == pytest.approx(31.0e5 + 97.8e3, abs=300.0)


def test_a_channel_whose_supply_was_not_recorded_is_left_out_and_named(firing):
    found = data(firing, {"cradle-a/fast": played(firing, {"PT-11": 31.0})})
    assert "PT-11" not in found.channels
    assert [(f.code, f.channel) for f in found.findings] == [("no-supply", "PT-11")]


def test_a_tag_without_calibration_is_left_out_and_named(firing):
    stream = played(firing, {"LC-1": 100.0})
    calibrations = {tag: c for tag, c in firing.calibrations.items() if tag != "LC-1"}
    found = dataset_from_counts(firing.plan, firing.stand, calibrations, {"cradle-a/fast": stream})
    assert found.first("thrust") is None
    assert [f.code for f in found.findings] == ["no-calibration"]


def test_latency_is_taken_off_the_times(firing):
    found = data(firing, {"cradle-a/fast": played(firing, {"VS-1": SUPPLY, "PT-11": 31.0, "LC-1": 100.0})})
    assert found.channels["PT-11"].time[0] == pytest.approx(-0.5e-3)
    assert found.channels["LC-1"].time[0] == pytest.approx(-0.3e-3)


def test_an_open_wire_is_no_pressure_and_rails_are_marked(firing):
    stream = played(firing, {"VS-1": SUPPLY, "PT-11": 31.0, "PT-12": 31.0, "LC-1": 100.0})
    for tag in ("PT-11", "PT-12"):
        stream.counts[tag][50:60] = 0
    stream.counts["LC-1"][70:75] = RAILS.maximum - 1
    found = data(firing, {"cradle-a/fast": stream})
    for tag in ("PT-11", "PT-12"):
        assert np.flatnonzero(found.channels[tag].open_wire).tolist() == list(range(50, 60))
        assert np.isnan(found.channels[tag].reading).sum() == 10
    assert np.flatnonzero(found.channels["LC-1"].clipped).tolist() == list(range(70, 75))


def test_channels_come_in_the_stands_order_and_by_what_they_measure(firing):
    stream = played(firing, {"PT-12": 31.0, "VS-1": SUPPLY, "PT-11": 31.0})
    found = data(firing, {"cradle-a/fast": stream})
    assert [c.tag for c in found.measuring("tank pressure", "oxidiser")] == ["PT-11", "PT-12"]
    assert found.first("tank pressure", "fuel") is None


def test_uncertainty_of_a_reading_grows_with_it_and_holds_the_barometer(firing):
    found = data(firing, {"cradle-a/fast": played(firing, {"VS-1": SUPPLY, "PT-11": 31.0})})
    channel, ambient = found.channels["PT-11"], firing.plan.site.ambient_pressure
    vented = channel.reading_u(ambient.value, ambient)
    # Zero, barometer and the supply that VS-1 measured, which turns readings about that of no signal.
    supply = channel.supply_u * -channel.no_signal_reading
    assert vented == pytest.approx(np.hypot(np.hypot(channel.zero_u, 100.0), supply))
    # 0.12 % of 31 bar from the standard, more by the points' scatter
    assert channel.reading_u(ambient.value + 31e5, ambient) > np.hypot(vented, 0.0012 * 31e5)


def test_gaps_are_found_by_their_rows():
    time = np.delete(1e-3 * np.arange(1000), [*range(100, 130), 500])
    assert [(gap.rows, round(gap.seconds, 6)) for gap in gaps_in(time)] == [(30, 0.03), (1, 0.001)]
    assert gaps_in(time[:1]) == ()


def test_moving_the_origin_moves_channels_gaps_and_edges(firing):
    stream = played(firing, {"LC-1": 100.0})
    keep = np.r_[0:50, 60:200]
    stream = dataclasses.replace(
        stream, time=stream.time[keep], counts={tag: column[keep] for tag, column in stream.counts.items()}
    )
    found = data(firing, {"cradle-a/fast": stream}, edges=[LineEdge("valve", 1, 0.1)])
    zero = TZero("2031-06-14T12:00:00.000000000Z", "detected opening", 0.002)
    later = shift_origin(found, 0.1, zero)
    assert later.t_zero == zero
    assert later.edges[0].time == pytest.approx(0.0)
    assert later.channels["LC-1"].time[0] == pytest.approx(-0.1003)
    assert later.gaps["cradle-a/fast"][0].start == pytest.approx(0.050 - 0.1)
    assert later.record["cradle-a/fast"].gaps == later.gaps["cradle-a/fast"]


def test_nothing_recorded_is_refused(firing):
    with pytest.raises(DataError, match="nothing to analyse"):
        data(firing, {})


def test_times_that_step_back_are_refused_with_the_row():
    stream = SimpleNamespace(host_ns=np.array([0, 10, 5, 20]), sequence=np.array([7, 8, 9, 10]), counts={}, rails={})
    with pytest.raises(DataError, match="cradle-a/fast: time steps back at row 9; seal the run again"):
        _played("cradle-a/fast", stream, 0, SimpleNamespace(input=()))


def test_times_keep_their_nanoseconds():
    zero = 1_938_000_000_123_456_789
    assert iso_time(zero).endswith(".123456789Z")
    after = seconds_after(np.array([zero + 7, zero - 1_000_000_001]), zero)
    assert after == pytest.approx([7e-9, -1.000000001], rel=1e-12)


def test_a_start_pressure_that_was_read_is_absolute_with_the_barometer_s_uncertainty(hf02_campaign):
    read = SimpleNamespace(
        caught=None,
        residual=None,
        expelled=None,
        start_pressure=parse_quantity("29.0 +/- 0.2 bar(g)", "pressure"),
        vented=None,
        boil_off=None,
    )
    run = SimpleNamespace(plan=hf02_campaign.plan, weighings={"oxidiser": read})  # 97.8 +/- 0.1 kPa(a)
    found = _weighings(run)["oxidiser"]
    assert found.start_pressure.value == pytest.approx(29.978e5)
    assert found.start_pressure.u == pytest.approx(math.hypot(0.2e5, 0.001e5))
    assert found.residual is None
