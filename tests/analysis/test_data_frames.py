"""Runs, results and curves as data frames: the same numbers, with their units."""

import numpy as np
import pytest

from standbook.analysis.data_frames import channel_table, curve_table, findings_table, results_table
from standbook.analysis.results.curves import Curve
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.story import rehearse
from standbook.daq.config.campaign import read_campaign
from tests.analysis.report_fixture import firing
from tests.campaign_fixture import TODAY, campaign
from tests.rehearsed import dataset_of


@pytest.fixture(scope="module")
def dataset(tmp_path_factory):
    folder = campaign(tmp_path_factory.mktemp("tables"))
    found = read_campaign(folder / "plans/WF-03.toml", today=TODAY)
    return dataset_of(found, rehearse(found, Draw(1, Errors.none())))


def test_a_stream_is_one_frame_with_a_column_a_tag_and_units_beside(dataset):
    frame = channel_table(dataset, "cradle-a/fast")
    assert set(frame.columns) == set(dataset.channels)
    np.testing.assert_array_equal(frame["PT-11"].to_numpy(), dataset.channels["PT-11"].reading)
    assert frame.attrs["units"]["PT-11"] == "Pa"
    assert frame.attrs["units"]["VS-1"] == "V"
    # T-0 stands at zero: the pressure falls only after it
    before, after = frame.loc[-1.0:-0.5, "PT-11"].mean(), frame.loc[5.0:5.5, "PT-11"].mean()
    assert before > 1.2 * after
    with pytest.raises(KeyError):
        channel_table(dataset, "cradle-b/fast")


def test_every_measured_quantity_is_a_row_with_its_uncertainty():
    results = firing()
    frame = results_table(results)
    assert results.impulse is not None
    assert frame.loc["impulse", ["value", "u", "unit"]].tolist() == [results.impulse.value, results.impulse.u, "N*s"]
    assert frame.loc["tanks.fuel.cda", "unit"] == "m2"
    assert (frame["u"] >= 0.0).all()
    assert frame.index.is_unique


def test_findings_keep_their_order_and_words():
    results = firing()
    assert findings_table(results)["text"].tolist() == [finding.text for finding in results.findings]


def test_a_curve_is_a_frame_over_time():
    time = np.linspace(0.0, 1.0, 4)
    frame = curve_table(Curve(time, {"mean": 2.0 * time}, "N"))
    assert frame.index.tolist() == time.tolist()
    assert frame.attrs["units"] == {"mean": "N"}
