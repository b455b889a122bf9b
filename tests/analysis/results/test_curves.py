"""Curves are thinned without inventing anything and come back from disk the same."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.results.curves import Curve, envelope, read_curves, write_curves
from standbook.daq.errors import RecordError


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60), st.integers(1, 80))
def test_an_envelope_holds_the_extremes_and_the_mean_of_all_samples(values, bins):
    value = np.array(values)
    time, low, mean, high = envelope(np.arange(value.size, dtype=float), value, bins)
    assert low.min() == value.min()
    assert high.max() == value.max()
    sizes = np.diff(np.linspace(0, value.size, min(bins, value.size) + 1).astype(int))
    assert (mean * sizes).sum() == pytest.approx(value.sum(), abs=1e-6)
    assert np.all(np.diff(time) > 0)


def test_a_missing_sample_leaves_its_neighbours_alone():
    _, low, mean, high = envelope(np.arange(6.0), np.array([1.0, np.nan, 3.0, np.nan, np.nan, np.nan]), 2)
    assert (low[0], mean[0], high[0]) == (1.0, 2.0, 3.0)
    assert np.isnan([low[1], mean[1], high[1]]).all()


def test_curves_come_back_from_disk_with_their_units(tmp_path):
    time = np.linspace(0.0, 1.0, 5)
    curves = {
        "thrust": Curve(time, {"mean": time * 2, "low": np.full(5, np.nan)}, "N"),
        "tank pressure/fuel": Curve(time[:3], {"mean": time[:3]}, "Pa"),
    }
    write_curves(tmp_path / "curves.parquet", curves)
    found = read_curves(tmp_path / "curves.parquet")
    assert list(found) == list(curves)
    for name, curve in curves.items():
        assert found[name].unit == curve.unit
        assert list(found[name].columns) == list(curve.columns)
        np.testing.assert_array_equal(found[name].time, curve.time)
        for column in curve.columns:
            # kept to single precision: curves are for drawing
            np.testing.assert_allclose(found[name].columns[column], curve.columns[column], rtol=1e-7)


def test_damaged_curves_are_refused_in_one_sentence(tmp_path):
    path = tmp_path / "curves.parquet"
    path.write_bytes(b"PAR1 nothing")
    with pytest.raises(RecordError, match="analyse the run again"):
        read_curves(path)
