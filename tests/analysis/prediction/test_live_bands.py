"""Bands for a live screen: those of the locked prediction at each start that is possible, in the gauge's reference."""

import dataclasses
import datetime as dt

import numpy as np
import pytest

from standbook.analysis.kinds.registry import predict
from standbook.analysis.prediction.live_bands import START_DOUBT, live_bands, live_prediction
from standbook.analysis.results.prediction import Band
from standbook.cli.starter import write_campaign
from standbook.daq.config.campaign import read_campaign

TODAY = dt.date(2031, 6, 14)
AMBIENT = 97_800.0  # Pa(a), of the starter plans


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    folder = write_campaign(tmp_path_factory.mktemp("bands"), today=TODAY)
    return read_campaign(folder / "plans/HF-02.toml", today=TODAY)


@pytest.fixture(scope="module")
def prediction(campaign):
    return predict(campaign.plan, campaign.stand, samples=40)


@pytest.fixture(scope="module")
def bands(campaign, prediction):
    return live_bands(prediction, campaign.stand, campaign.calibrations)


def at(prediction, name, second):
    band = prediction.quantities[name]
    return [float(np.interp(second, prediction.time, ends)) for ends in (band.low, band.high)]


def test_a_falling_pressure_lies_between_low_now_and_high_before(prediction, bands):
    low, high = bands("PT-11", 5.0)
    assert low == pytest.approx(at(prediction, "tank pressure/oxidiser", 5.0)[0] - AMBIENT, rel=1e-12)
    assert high == pytest.approx(at(prediction, "tank pressure/oxidiser", 5.0 - START_DOUBT)[1] - AMBIENT, rel=1e-12)


def test_every_tag_has_the_band_of_what_it_measures(prediction, bands):
    for tag, name, off in (
        ("PT-21", "tank pressure/fuel", AMBIENT),
        ("PT-31", "chamber pressure", AMBIENT),
        ("LC-1", "thrust", 0.0),
    ):
        low, high = bands(tag, 10.0)
        assert low < at(prediction, name, 10.0 - START_DOUBT / 2)[0] - off + 1.0
        assert low <= at(prediction, name, 10.0)[1] - off <= high
    assert bands("TC-11", 5.0) is None
    assert bands("PT-13", 5.0) is None  # nothing is predicted of a manifold
    assert bands("PT-99", 5.0) is None


def test_an_absolute_gauge_has_an_absolute_band(campaign, prediction, bands):
    calibration = campaign.calibrations["PT-11"].model_copy(update={"reading_unit": "bar(a)"})
    absolute = live_bands(prediction, campaign.stand, {**campaign.calibrations, "PT-11": calibration})
    assert np.subtract(absolute("PT-11", 5.0), bands("PT-11", 5.0)) == pytest.approx([AMBIENT, AMBIENT], abs=1e-6)


def test_nothing_is_said_before_a_start_is_certain_nor_after_the_prediction(prediction, bands):
    assert bands("PT-11", -1.0) is None
    assert bands("PT-11", START_DOUBT - 0.01) is None
    assert bands("PT-11", START_DOUBT) is not None
    assert bands("LC-1", float(prediction.time[-1]) + 0.01) is None


def test_where_the_model_says_nothing_there_is_no_band(campaign, prediction):
    ends = np.where(prediction.time < 8.0, 3e6, np.nan)
    holed = dataclasses.replace(prediction, quantities={"chamber pressure": Band(ends, ends, ends, "Pa")})
    found = live_bands(holed, campaign.stand, campaign.calibrations)
    assert found("PT-31", 5.0) == (3e6 - AMBIENT, 3e6 - AMBIENT)
    assert found("PT-31", 9.0) is None


def test_several_cells_have_no_band_of_their_own(campaign, prediction):
    cell = campaign.stand.input_tagged("LC-1")
    second = cell.model_copy(update={"tag": "LC-2", "wire": "adc20"})
    stand = campaign.stand.model_copy(update={"input": (*campaign.stand.input, second)})
    assert live_bands(prediction, stand, campaign.calibrations)("LC-1", 5.0) is None


def test_the_weight_that_has_left_is_that_of_the_liquid(campaign, prediction):
    found = live_prediction(prediction.to_json(), campaign.plan, campaign.stand, campaign.calibrations)
    assert found.expelled_weight(0.0) == 0.0
    # by hand: nominal loads 10.66 and 7.03 kg, what the prediction has aboard at 10 s
    aboard = sum(
        np.interp(10.0, prediction.time, prediction.quantities[f"liquid mass/{t}"].nominal)
        for t in ("oxidiser", "fuel")
    )
    assert found.expelled_weight(10.0) == pytest.approx(9.80665 * (10.66 + 7.03 - aboard), rel=1e-6)
    assert 30.0 < found.expelled_weight(10.0) < 10.0 * 17.69


def test_a_test_without_a_prediction_has_none(campaign):
    assert live_prediction("null\n", campaign.plan, campaign.stand, campaign.calibrations) is None
