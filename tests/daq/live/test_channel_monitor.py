import dataclasses
from itertools import groupby

import numpy as np
import pytest
from scipy.stats import norm

from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.signal_conversion import Rails
from standbook.daq.live.channel_monitor import KEPT, STALE_AFTER, ChannelMonitor, Ring, rows_needed
from standbook.daq.live.live_clock import TimeBase
from standbook.daq.live.live_state import Validity
from tests.calibrated_readings import readings
from tests.campaign_fixture import TODAY, campaign
from tests.live_play import table_of
from tests.thermometer_fixture import FULL_COUNTS, thermometer_campaign

NOW = 10_000_000_000


@pytest.fixture(scope="module")
def stand(tmp_path_factory):
    return read_campaign(campaign(tmp_path_factory.mktemp("gauge")) / "plans" / "HF-02.toml", today=TODAY)


def monitor_with(stand, tag, counts, *, interval=0.001, supply_counts=None):
    """Feed one channel, and its supply beside it, in pieces of 20 ms; the newest row is at NOW."""
    calibrations, item = stand.calibrations, stand.stand.input_tagged(tag)
    supply_item = stand.stand.input_tagged("VS-1")
    supply = ChannelMonitor(supply_item, calibrations["VS-1"])
    monitor = ChannelMonitor(item, calibrations[tag], supply if item.supply == "VS-1" else None)
    base = TimeBase(1_000_000)
    wires = (item.wire, supply_item.wire)
    ring = Ring(base, wires, (Rails(-32768, 32767), Rails(-32768, 32767)), interval)
    if supply_counts is None:
        supply_counts = np.full(len(counts), table_of(stand, 0.002, noise=0.0).streams[0].counts[0, -1])
    both = np.column_stack((counts, supply_counts))
    ticks = np.round((np.arange(len(counts)) - len(counts) + 1) * interval * 1e6).astype(np.int64)
    base.heard(0, NOW)
    step = max(1, round(0.02 / interval))
    for start in range(0, len(counts), step):
        ring.add(ticks[start : start + step], both[start : start + step])
    monitor.attach(ring)
    supply.attach(ring)
    return monitor


def noisy(rows, mean=8000.0, noise=5.0, seed=3):
    return np.rint(mean + noise * np.random.default_rng(seed).standard_normal(rows)).astype(np.int64)


def test_the_value_is_the_mean_of_the_last_tenth_of_a_second_as_the_analysis_calibrates_it(stand):
    counts = noisy(1000)
    monitor = monitor_with(stand, "PT-11", counts, supply_counts=noisy(1000, 26666.0))
    want = readings(stand.stand, stand.calibrations, {"PT-11": counts[-100:], "VS-1": noisy(1000, 26666.0)[-100:]})[
        "PT-11"
    ]
    look = monitor.evaluate(NOW)
    assert look.standing is Validity.INDICATED
    assert look.value == pytest.approx(want.mean(), rel=1e-12)
    assert look.age == 0.0


@pytest.mark.parametrize(
    ("ohm", "standing", "degrees"),
    [
        (60.26, Validity.INDICATED, -100.0),
        (138.51, Validity.INDICATED, 100.0),
        (0.0, Validity.OPEN_WIRE, None),  # shorted
        (18.0, Validity.OPEN_WIRE, None),
        (392.0, Validity.OPEN_WIRE, None),  # no current through the thermometer
    ],
)
def test_a_resistance_thermometer_reads_degrees_and_its_broken_wire_is_withdrawn(tmp_path, ohm, standing, degrees):
    found = read_campaign(thermometer_campaign(tmp_path), today=TODAY)
    monitor = ChannelMonitor(found.stand.input_tagged("TC-11"), found.calibrations["TC-11"])
    base = TimeBase(1_000_000)
    ring = Ring(base, (monitor.item.wire,), (Rails(-FULL_COUNTS, FULL_COUNTS - 1),), 0.001)
    base.heard(0, NOW)
    counts = noisy(500, ohm / 400.0 * FULL_COUNTS)
    ring.add(np.arange(-499, 1) * 1000, counts[:, None])
    monitor.attach(ring)
    look = monitor.evaluate(NOW)
    assert look.standing is standing
    # The printed table is rounded to 0.01 ohm: 0.02 K at these temperatures.
    assert look.value == (None if degrees is None else pytest.approx(273.15 + degrees, abs=0.02))


def test_age_grows_and_the_value_is_withdrawn_not_held(stand):
    monitor = monitor_with(stand, "PT-11", noisy(500))
    for age in (0.1, 0.3, STALE_AFTER):
        assert monitor.evaluate(NOW + round(age * 1e9)).value is not None
    late = monitor.evaluate(NOW + round((STALE_AFTER + 0.01) * 1e9))
    assert (late.standing, late.value) == (Validity.STALE, None)
    assert late.age == pytest.approx(STALE_AFTER + 0.01)
    assert STALE_AFTER <= 0.5 - 0.1  # a screen that looks ten times a second is blank within 0.5 s


def test_a_slow_stream_is_not_old_before_its_next_row_is_due(stand):
    monitor = monitor_with(stand, "PT-11", noisy(20), interval=1.0)
    assert monitor.evaluate(NOW + 1_500_000_000).standing is Validity.INDICATED
    assert monitor.evaluate(NOW + 3_500_000_000).standing is Validity.STALE


def test_one_spike_at_the_rail_is_left_out_and_five_withdraw_the_value(stand):
    counts = noisy(1000)
    plain = monitor_with(stand, "PT-12", counts).evaluate(NOW).value
    counts[-50] = 32767
    assert monitor_with(stand, "PT-12", counts).evaluate(NOW).value == pytest.approx(plain, rel=1e-3)
    counts[-55:-50] = 32766  # within one count of the rail
    look = monitor_with(stand, "PT-12", counts).evaluate(NOW)
    assert (look.standing, look.value) == (Validity.CLIPPED, None)


@pytest.mark.parametrize("tag", ["PT-11", "PT-12"])  # ratiometric, loop
def test_a_broken_wire_is_told_by_its_signal(stand, tag):
    look = monitor_with(stand, tag, noisy(1000, 20.0)).evaluate(NOW)
    assert (look.standing, look.value) == (Validity.OPEN_WIRE, None)


def test_counts_that_flickered_and_stand_still_are_not_responding(stand):
    counts = noisy(6000)
    counts[-1050:] = counts[-1050]
    assert monitor_with(stand, "PT-11", counts).evaluate(NOW).standing is Validity.NOT_RESPONDING
    counts = noisy(6000)
    counts[-900:] = counts[-900]
    assert monitor_with(stand, "PT-11", counts).evaluate(NOW).standing is Validity.INDICATED


def test_while_something_flows_a_fifth_of_a_second_is_enough(stand):
    counts = noisy(6000)
    counts[-210:] = counts[-210]
    monitor = monitor_with(stand, "PT-11", counts)
    assert monitor.evaluate(NOW).standing is Validity.INDICATED
    assert monitor.evaluate(NOW, in_flow=True).standing is Validity.NOT_RESPONDING
    assert monitor.evaluate(NOW).standing is Validity.NOT_RESPONDING  # the flow ends: it has not moved since
    counts = noisy(6000)
    counts[-190:] = counts[-190]
    assert monitor_with(stand, "PT-11", counts).evaluate(NOW, in_flow=True).standing is Validity.INDICATED


def test_a_frozen_channel_that_moves_again_is_indicated(stand):
    counts = noisy(6000)
    counts[-300:] = counts[-300]
    monitor = monitor_with(stand, "PT-11", counts)
    assert monitor.evaluate(NOW, in_flow=True).value is None
    ring = monitor.ring
    ring.base.heard(20_000, NOW + 20_000_000)
    ring.add(np.arange(1000, 20_001, 1000), np.column_stack((noisy(20), np.full(20, 26666))))
    assert monitor.evaluate(NOW + 20_000_000, in_flow=True).standing is Validity.INDICATED


def test_a_converter_slower_than_its_stream_is_not_called_frozen_between_two_of_its_values(stand):
    counts = np.repeat(noisy(32, noise=40.0), 250)[:-30]  # four values a second in a stream of a thousand rows
    assert (counts[-220:] == counts[-1]).all()
    monitor = monitor_with(stand, "PT-11", counts)
    assert monitor.ring.floor[0] >= 1.0
    assert monitor.evaluate(NOW, in_flow=True).standing is Validity.INDICATED
    held = np.append(counts, np.full(900, counts[-1]))
    assert monitor_with(stand, "PT-11", held).evaluate(NOW, in_flow=True).standing is Validity.NOT_RESPONDING


@pytest.mark.parametrize("noise", [1.0, 1.3, 2.0, 5.0, 17.0])
def test_so_many_equal_counts_come_by_chance_once_in_1e15_rows_at_most(noise):
    chance = 2.0 * norm.cdf(0.5 / noise) - 1.0  # of the likeliest count
    rows = rows_needed(noise)
    assert chance ** (rows - 1) <= 1e-15
    assert rows == 20 or chance ** (rows - 2) > 1e-15


def test_equal_counts_run_as_long_as_counted_whatever_the_pieces():
    counts = np.array([5, 5, 7, 7, 7, 4, 4, 4, 4, 4, 6, 6])
    for pieces in ([12], [1] * 12, [3, 3, 6], [5, 5, 2], [6, 1, 5]):
        ring = Ring(TimeBase(1000), ("a",), (None,), 0.001)
        runs, begun, start = [], [], 0
        for size in pieces:
            ring.add(np.arange(start, start + size), counts[start : start + size, None])
            start += size
            runs.append(int(ring.still_rows[0]))
            begun.append(int(ring.still_since[0]))
        ends = np.cumsum(pieces).tolist()
        want = [[len(list(run)) for _, run in groupby(counts[:end].tolist())][-1] for end in ends]
        assert runs == want
        assert begun == [end - run for end, run in zip(ends, want, strict=True)]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("noise", [0.0, 0.1, 0.3, 0.6])
def test_a_quiet_channel_of_coarse_resolution_is_never_called_frozen(stand, noise, seed):
    # Flickers between two counts while it drifts past their border, then stands still in the middle of one.
    drift = np.minimum(8000.5, 8000.0 + np.arange(8000) / 6000)
    counts = np.rint(drift + 0.49 + noise * np.random.default_rng(seed).standard_normal(8000) * (drift < 8000.5))
    assert (counts[-1500:] == counts[-1]).all()
    assert monitor_with(stand, "PT-11", counts.astype(np.int64)).evaluate(NOW).standing is Validity.INDICATED


def test_a_supply_that_is_gone_makes_what_hangs_on_it_a_broken_wire(stand):
    look = monitor_with(stand, "PT-11", noisy(500), supply_counts=np.zeros(500, np.int64)).evaluate(NOW)
    assert look.standing is Validity.OPEN_WIRE


def test_a_ring_keeps_a_few_seconds_whatever_comes():
    base = TimeBase(1_000_000)
    ring = Ring(base, ("a",), (None,), 0.001)
    for k in range(2000):
        ring.add(np.arange(20) * 1000 + k * 20_000, np.full((20, 1), k))
    assert ring.ticks.size == pytest.approx(KEPT * 1000, abs=5)
    assert (np.diff(ring.ticks) == 1000).all()
    assert ring.counts[-1, 0] == 1999
    assert ring._counts.nbytes < 2.1 * KEPT * 1000 * 8


def test_rows_that_come_twice_or_out_of_order_are_taken_once():
    ring = Ring(TimeBase(1_000_000), ("a",), (None,), 0.001)
    ring.add(np.array([0, 1000, 2000]), np.array([[0], [1], [2]]))
    assert ring.add(np.array([1000, 2000]), np.array([[9], [9]])) == 0
    assert ring.add(np.array([4000, 3000, 5000]), np.array([[4], [3], [5]])) == 3
    assert ring.counts[:, 0].tolist() == [0, 1, 2, 3, 4, 5]


def test_a_value_more_than_five_percent_above_the_highest_level_is_withdrawn(stand):
    whole = monitor_with(stand, "PT-11", noisy(1000)).evaluate(NOW).value
    for share, standing in ((0.99, Validity.INDICATED), (1.04, Validity.INDICATED), (1.06, Validity.BEYOND)):
        short = stand.calibrations["PT-11"].model_copy(update={"highest": whole / 1e5 / share})
        crew = dataclasses.replace(stand, calibrations={**stand.calibrations, "PT-11": short})
        look = monitor_with(crew, "PT-11", noisy(1000)).evaluate(NOW)
        assert look.standing is standing
        assert look.value == (pytest.approx(whole) if standing.is_shown else None)
