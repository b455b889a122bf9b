"""Channels that cannot be believed, twins that part: one sentence each."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.channel_checks.channel_health import (
    channel_findings,
    first_usable,
    saturated,
    stuck_since,
    usable,
    vented_zero_findings,
)
from standbook.analysis.channel_checks.redundant_sensors import pair_findings
from standbook.analysis.dataset.calibrated_range import beyond_levels
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.results.results import RecordHealth
from standbook.daq.config.calibration import CARRIED
from standbook.daq.config.campaign import read_campaign
from tests.campaign_fixture import TODAY
from tests.campaign_fixture import campaign as write

TIME = np.arange(-2.0, 12.0, 1e-3)
AMBIENT = 97.8e3
KEY = "cradle-a/fast"


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    return read_campaign(write(tmp_path_factory.mktemp("campaign")) / "plans" / "HF-02.toml", today=TODAY)


def channel(campaign, tag, reading, *, seed=1):
    item, calibration = campaign.stand.input_tagged(tag), campaign.calibrations[tag]
    noise = np.random.default_rng(seed).normal(0.0, 1.0, TIME.size)
    reading = np.broadcast_to(reading, TIME.shape) + noise
    no = np.zeros(TIME.size, dtype=np.bool_)
    counts = np.rint(reading).astype(np.int64)
    return Channel(
        tag=tag,
        measures=item.measures,
        tank=item.tank,
        calibration=calibration,
        time=TIME,
        signal=reading,
        reading=reading,
        counts=counts,
        clipped=no,
        open_wire=no,
        stream=KEY,
    )


def dataset(campaign, *channels):
    record = {KEY: RecordHealth(rows=TIME.size, lost_rows=0, gaps=(), boots=1, clock_ppm=None, damaged_frames=0)}
    return Dataset(
        run="run",
        kind="static fire",
        rehearsal=False,
        plan=campaign.plan,
        stand=campaign.stand,
        channels={c.tag: c for c in channels},
        record=record,
    )


def falling():
    return 32e5 - 8e4 * np.clip(TIME, 0.0, None)


def test_a_good_channel_is_usable_and_draws_no_word(campaign):
    good = channel(campaign, "PT-11", falling())
    assert usable(good, 0.0, 10.0)
    assert channel_findings(dataset(campaign, good), 0.0, 10.0) == []


def test_an_open_wire_gives_way_to_the_twin_and_is_named(campaign):
    good = channel(campaign, "PT-12", falling())
    opened = (TIME > 3.0) & (TIME < 3.5)
    bad = dataclasses.replace(channel(campaign, "PT-11", falling()), open_wire=opened)
    assert first_usable((bad, good), 0.0, 10.0) is good
    (said,) = channel_findings(dataset(campaign, bad, good), 0.0, 10.0)
    assert (said.code, said.channel) == ("open-wire", "PT-11")
    assert "0.499 s" in said.text or "0.500 s" in said.text


def test_an_open_wire_that_holds_one_count_is_not_called_clipped_as_well(campaign):
    # A thermometer in cold oxygen: zero counts lie on the side to which it fell, and stand still.
    opened = (TIME > 3.0) & (TIME < 3.5)
    cold = channel(campaign, "TC-11", 290.0 - 190.0 * (1.0 - np.exp(-np.clip(TIME, 0.0, None))))
    bad = dataclasses.replace(cold, open_wire=opened, counts=np.where(opened, cold.counts.min() - 500, cold.counts))
    assert saturated(bad)[opened].all()
    assert [said.code for said in channel_findings(dataset(campaign, bad), 0.0, 10.0)] == ["open-wire"]


def test_no_samples_in_the_span_is_not_usable(campaign):
    assert not usable(channel(campaign, "PT-11", falling()), 20.0, 30.0)


def test_a_rail_hides_what_was_beyond(campaign):
    clipped = (TIME > 1.0) & (TIME <= 1.2)
    bad = dataclasses.replace(channel(campaign, "PT-31", falling()), clipped=clipped)
    (said,) = channel_findings(dataset(campaign, bad), 0.0, 10.0)
    assert (said.code, said.severity) == ("clipped", "serious")
    assert "0.200 s" in said.text
    assert "bar" in said.text


def test_a_flat_top_short_of_the_rail_is_saturation_and_a_flat_start_is_not(campaign):
    good = channel(campaign, "LC-1", 1000.0 * np.exp(-((TIME - 4.0) ** 2)))
    counts = np.minimum(good.counts, 700)
    marks = saturated(dataclasses.replace(good, counts=counts))
    assert marks[np.abs(TIME - 4.0) < 0.5].all()
    assert not marks[np.abs(TIME - 4.0) > 0.8].any()
    quiet = np.where(TIME < 0.0, counts.min(), good.counts)
    assert not saturated(dataclasses.replace(good, counts=quiet)).any()


def test_a_dull_channel_is_not_taken_for_saturated(campaign):
    dull = channel(campaign, "VS-1", 5.0)
    assert not saturated(dataclasses.replace(dull, counts=np.full(TIME.size, 26_667))).any()


def test_a_pressure_that_stops_is_found_at_its_instant_and_a_supply_may_stand_still(campaign):
    good = channel(campaign, "PT-11", falling())
    frozen = np.where(TIME > 7.0, good.counts[np.searchsorted(TIME, 7.0)], good.counts)
    assert stuck_since(dataclasses.replace(good, counts=frozen), 0.0, 10.0) == pytest.approx(7.0, abs=0.002)
    assert stuck_since(good, 0.0, 10.0) is None
    supply = dataclasses.replace(channel(campaign, "VS-1", 5.0), counts=np.full(TIME.size, 26_667))
    assert stuck_since(supply, 0.0, 10.0) is None


def test_equal_counts_on_both_sides_of_a_gap_are_not_stuck(campaign):
    good = channel(campaign, "PT-11", np.full(TIME.size, 30e5))
    keep = (TIME < 3.0) | (TIME > 5.0)
    edge = int(np.flatnonzero(TIME < 3.0)[-1])
    counts = good.counts.copy()
    counts[np.flatnonzero(TIME > 5.0)[0]] = counts[edge]
    cut = dataclasses.replace(
        good, time=TIME[keep], counts=counts[keep], clipped=good.clipped[keep], open_wire=good.open_wire[keep]
    )
    assert stuck_since(cut, 0.0, 10.0) is None


def test_twins_that_agree_within_their_calibrations_are_silent(campaign):
    one, other = channel(campaign, "PT-11", falling()), channel(campaign, "PT-12", falling() + 5e3, seed=2)
    assert pair_findings(dataset(campaign, one, other), 0.0, 10.0) == []


def test_twins_that_part_are_named_with_difference_and_allowance(campaign):
    one, other = channel(campaign, "PT-11", falling()), channel(campaign, "PT-12", falling() - 1.5e5, seed=2)
    (said,) = pair_findings(dataset(campaign, one, other), 0.0, 10.0)
    assert "PT-11 and PT-12" in said.text
    assert "+1.50 bar" in said.text


def test_sensors_of_different_tanks_are_no_twins(campaign):
    one, other = channel(campaign, "PT-11", falling()), channel(campaign, "PT-21", falling() - 5e5, seed=2)
    assert pair_findings(dataset(campaign, one, other), 0.0, 10.0) == []


def test_a_vented_sensor_is_held_against_the_barometer(campaign):
    right = channel(campaign, "PT-31", AMBIENT)
    moved = channel(campaign, "PT-32", AMBIENT + 0.6e5, seed=2)
    (said,) = vented_zero_findings(dataset(campaign, right, moved), -2.0, -0.1)
    assert (said.code, said.channel) == ("vented-zero", "PT-32")


def test_a_gauge_sensor_described_as_absolute_is_called_that(campaign):
    calibration = campaign.calibrations["PT-31"].model_copy(update={"reading_unit": "bar(a)"})
    wrong = dataclasses.replace(channel(campaign, "PT-31", 0.0), calibration=calibration)
    (said,) = vented_zero_findings(dataset(campaign, wrong), -2.0, -0.1)
    assert (said.code, said.severity) == ("gauge-as-absolute", "serious")


def test_a_flat_top_for_most_of_a_record_is_saturated_all_the_same(campaign):
    counts = channel(campaign, "PT-11", falling()).counts
    top = int(np.quantile(counts, 0.2))
    flat = dataclasses.replace(channel(campaign, "PT-11", falling()), counts=np.minimum(counts, top))
    flat.counts[:50] = flat.counts.min()  # vented when the record begins
    assert saturated(flat)[flat.counts == top].mean() > 0.99
    assert not usable(flat, 0.0, 10.0)


def test_a_sensor_that_stands_still_is_not_held_against_its_twin(campaign):
    one, other = channel(campaign, "PT-11", falling()), channel(campaign, "PT-12", falling(), seed=2)
    still = dataclasses.replace(
        one, counts=np.where(TIME > 5.0, one.counts[-1], one.counts), reading=np.where(TIME > 5.0, 30e5, one.reading)
    )
    assert pair_findings(dataset(campaign, still, other), 0.0, 10.0) == []


# --- beyond the levels that a sensor was calibrated at ---------------------------------------------------------------


def calibrated_up_to(campaign, tag, value, highest):
    """The same channel with a calibration that ends lower, as counts are read with it."""
    whole = channel(campaign, tag, value)
    calibration = whole.calibration.model_copy(update={"highest": highest})
    origin = campaign.plan.site.ambient_pressure.value if calibration.reference == "gauge" else 0.0
    beyond = beyond_levels(calibration, whole.time, whole.reading, origin, share=CARRIED)
    return dataclasses.replace(whole, calibration=calibration, beyond=beyond)


def test_up_to_five_percent_above_the_highest_level_is_a_note_and_what_is_above_is_not_calibrated(campaign):
    top = (32e5 - campaign.plan.site.ambient_pressure.value) / 1e5  # bar(g), of a fall from 32 bar(a)
    within, a_little, far = (calibrated_up_to(campaign, "PT-11", falling(), top / k) for k in (0.99, 1.04, 1.06))
    assert channel_findings(dataset(campaign, within), 0.0, 10.0) == []
    (note,) = channel_findings(dataset(campaign, a_little), -1.0, 10.0)
    assert (note.code, note.severity, note.channel) == ("above-highest-level", "note", "PT-11")
    assert f"{top / 1.04:,.4g} bar(g)" in note.text
    assert usable(a_little, -1.0, 10.0)
    (said,) = channel_findings(dataset(campaign, far), -1.0, 10.0)
    assert (said.code, said.severity) == ("beyond-calibration", "serious")
    assert f"{top / 1.06:,.4g} bar(g)" in said.text
    # falls 0.8 bar a second from `top`; 1.05 / 1.06 of it is reached after so long, the second before T-0 besides
    assert said.values["seconds"] == pytest.approx(1.0 + top * (1.0 - 1.05 / 1.06) / 0.8, abs=0.06)
    assert not usable(far, -1.0, 10.0)
    assert first_usable((far, within), -1.0, 10.0) is within


def test_a_stand_that_rings_past_the_highest_level_was_not_there(campaign):
    rings = 30e5 + 6e5 * np.sin(2.0 * np.pi * 60.0 * TIME)
    one = calibrated_up_to(campaign, "PT-11", rings, 31.0)
    assert channel_findings(dataset(campaign, one), 0.0, 10.0) == []
    assert usable(one, 0.0, 10.0)


def test_what_stands_at_a_rail_is_called_clipped_and_nothing_else(campaign):
    far = calibrated_up_to(campaign, "PT-11", falling(), 20.0)
    railed = dataclasses.replace(far, clipped=far.reading > 31e5)
    assert [said.code for said in channel_findings(dataset(campaign, railed), 0.0, 10.0)] == ["clipped"]


def test_the_weight_that_rests_on_a_cell_is_not_beyond_what_only_pushes_calibrated(hf02_campaign):
    pushed = hf02_campaign.calibrations["LC-1"].model_copy(update={"lowest": 0.0, "highest": 5000.0})
    assert pushed.reach() == (-5000.0, 5000.0)  # a cradle of 75 kg under it reads some -730 N
    assert pushed.reach(1.05) == (-5250.0, 5250.0)
