"""Departures from a band: counted over the burn, measured in half-widths, worst first."""

import numpy as np
import pytest

from standbook.analysis.signal.band_comparison import compare, departure, departure_findings
from standbook.analysis.signal.windows import block_average

TIME = np.arange(0.0, 10.0, 1e-3)
GRID = np.linspace(0.0, 12.0, 121)


def band(value, half_low=10.0, half_high=20.0):
    nominal = np.full(GRID.size, value)
    return {"predicted_time": GRID, "nominal": nominal, "low": nominal - half_low, "high": nominal + half_high}


def test_departure_uses_the_half_width_of_its_own_side():
    out = departure(np.array([110.0, 95.0]), np.full(2, 100.0), np.full(2, 90.0), np.full(2, 120.0))
    assert out == pytest.approx([0.5, 0.5])


def test_a_record_that_leaves_its_band_half_way_is_half_inside():
    value = np.where(TIME < 5.0, 100.0, 140.0)
    found = compare(TIME, value, **band(100.0), start=0.0, end=10.0)
    assert found.share_in_band == pytest.approx(0.5, abs=0.011)  # one block of a hundred may straddle
    assert found.worst_departure == pytest.approx(2.0)
    assert found.at > 5.0


def test_noise_wider_than_the_band_does_not_count_as_leaving_it():
    rng = np.random.default_rng(5)
    found = compare(TIME, 100.0 + rng.normal(0.0, 15.0, TIME.size), **band(100.0), start=0.0, end=10.0)
    assert found.share_in_band == 1.0


def test_only_where_the_band_is_known_is_anything_compared():
    known = band(100.0)
    for key in ("nominal", "low", "high"):
        known[key] = np.where(GRID < 4.0, known[key], np.nan)
    found = compare(TIME, np.where(TIME < 4.5, 100.0, 999.0), **known, start=0.0, end=10.0)
    assert (found.share_in_band, found.worst_departure) == (1.0, 0.0)


def test_no_overlap_is_no_comparison():
    assert compare(TIME, TIME, **band(1.0), start=20.0, end=30.0) is None


def test_a_span_without_samples_is_not_a_number():
    time = np.concatenate([TIME[TIME < 2.0], TIME[TIME >= 3.0]])
    at, mean = block_average(time, np.ones(time.size), start=0.0, end=4.0, block=0.5)
    assert at == pytest.approx(np.arange(0.25, 4.0, 0.5))
    assert np.isnan(mean).tolist() == [False, False, False, False, True, True, False, False]


def test_findings_rank_the_worst_first_and_name_a_postdiction():
    good = compare(TIME, np.full(TIME.size, 100.0), **band(100.0), start=0.0, end=10.0)
    bad = compare(TIME, np.full(TIME.size, 160.0), **band(100.0), start=0.0, end=10.0)
    worse = compare(TIME, np.full(TIME.size, 60.0), **band(100.0), start=0.0, end=10.0)
    found = departure_findings({"thrust": good, "tank pressure/fuel": bad, "chamber pressure": worse}, locked=False)
    assert [f.text.split(" lay")[0] for f in found] == ["Chamber pressure", "Fuel tank pressure"]
    assert all("not locked before T-0" in f.text for f in found)
    assert {f.severity for f in found} == {"caution"}


def test_a_band_left_for_a_while_and_not_far_is_only_a_note():
    value = np.where(TIME < 7.0, 100.0, 125.0)
    found = departure_findings({"thrust": compare(TIME, value, **band(100.0), start=0.0, end=10.0)}, locked=True)
    assert [f.severity for f in found] == ["note"]
