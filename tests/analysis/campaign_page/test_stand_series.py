"""Courses of the stand: a zero that moved is named, a steady one is not; differences of spans and throats by hand."""

import datetime as dt

import numpy as np
import pytest

from standbook.analysis.campaign.stand_state import CampaignState, SpanRead, StandState, ThroatRead, ZeroRead
from standbook.analysis.campaign_page.page import campaign_page
from standbook.analysis.campaign_page.stand_series import stand_course
from standbook.analysis.results.quantities import Measured


def zeros(values, *, revision="r02"):
    return tuple(
        StandState(
            run=f"HF-{k:02d}", date=f"2031-06-{k:02d}", zeros={"PT-11": ZeroRead(revision=revision, departure=value)}
        )
        for k, value in enumerate(values, start=1)
    )


def throats(*sizes):
    return tuple(
        StandState(
            run=f"HF-{k:02d}",
            date="2031-06-14",
            throats=(
                ThroatRead(of=f"HF-{k:02d}", date="2031-06-14", article="Teasel-2", diameter=Measured(size, u, "m")),
            ),
        )
        for k, (size, u) in enumerate(sizes, start=1)
    )


def clocks(*rates):
    return tuple(
        StandState(run=f"HF-{k:02d}", date="2031-06-14", clocks={"cradle-a": Measured(rate, 4.0, "ppm")})
        for k, rate in enumerate(rates, start=1)
    )


def course(runs=(), spans=()):
    return stand_course(CampaignState(runs=runs, spans=spans))


def test_a_zero_that_moved_is_named_where_it_began():
    (found,) = course(zeros([0.2, -0.4, 2.1, 2.4, 1.9])).series
    assert found.title == "zero of PT-11 (r02)"
    assert found.unit == "stated u"
    assert [(point.value, point.u) for point in found.points][2] == (2.1, 1.0)
    assert "the last at +1.9, the farthest at +2.4 (HF-04)" in found.sentence
    assert "From about HF-03, 2031-06-03, on it lies +2.1 off" in found.sentence  # mean of 2.1, 2.4, 1.9


def test_a_zero_that_drifts_away_says_by_how_much_a_run():
    # by hand: steps of 1.2 a run, u of the slope over five 1/sqrt(10) = 0.32; a level that stays has none
    drifting = course(zeros([0.0, 1.2, 2.4, 3.6, 4.8])).series[0].sentence
    assert "off and drifts by +1.2 a run: find what moved it" in drifting
    assert "drifts" not in course(zeros([2.4, 2.4, 2.4, 2.4, 2.4])).series[0].sentence


def test_steady_zeros_are_called_moved_once_in_a_hundred_and_moved_ones_are_found():
    drawn = np.random.default_rng(8).standard_normal((1000, 8))
    called = sum("No move is shown" not in course(zeros(row)).series[0].sentence for row in drawn[:300])
    assert called <= 8  # 3 of 300 by chance, more than 8 once in 250 such draws
    moved = drawn[300:400] + np.array([0.0] * 4 + [3.0] * 4)
    found = sum("From about" in course(zeros(row)).series[0].sentence for row in moved)
    assert found >= 96  # four times 2.5 u, u 2 in all, against 4.61: 1 in 300 is missed


def test_a_new_revision_begins_a_series_and_single_values_are_one_remark():
    runs = (*zeros([0.1, 0.2]), *zeros([0.3], revision="r03"))
    found = course(runs)
    assert [series.title for series in found.series] == ["zero of PT-11 (r02)"]
    assert found.remarks == ("Zero, one value only and nothing to compare it with: PT-11 (r03).",)
    assert course() == course(zeros([]))


def test_a_span_is_told_apart_from_the_first_by_the_uncertainty_of_both():
    def spans(*changes):
        return tuple(
            SpanRead(tag="LC-1", sensor=1, revision=f"r{k:02d}", date="2031-06-14", change=change, u=1e-3)
            for k, change in enumerate(changes, start=4)
        )

    # by hand: 0.1 % each, so 1.96 times 0.141 % between two
    (near,) = course(spans=spans(0.0, 0.002)).series
    assert "r05 less r04: 0.20 ± 0.28 % (95 %), not told apart." in near.sentence
    (far,) = course(spans=spans(0.0, 0.003)).series
    assert "0.30 ± 0.28 % (95 %), told apart." in far.sentence
    (drifting,) = course(spans=spans(0.0, 0.002, 0.004)).series  # 0.2 % a revision, u 0.071 %
    assert "It drifts by +0.20 % from one to the next" in drifting.sentence


def test_a_throat_that_is_stated_again_is_no_new_measurement_and_its_area_is_given():
    runs = throats((32.00e-3, 0.02e-3), (32.00e-3, 0.02e-3), (32.16e-3, 0.02e-3))
    (found,) = course(runs).series
    assert [point.run for point in found.points] == ["HF-01", "HF-03"]
    assert "its area by +1.00 %" in found.sentence  # 32.16 / 32.00 squared
    assert "HF-03 less HF-01: 0.160 ± 0.055 mm (95 %), told apart." in found.sentence
    assert course(throats((32.00e-3, 0.02e-3), (32.00e-3, 0.02e-3))).series == ()


def test_a_clock_is_pooled_and_another_board_is_asked_for():
    (steady,) = course(clocks(10.0, 14.0, 12.0)).series
    # by hand: u of the mean 4/sqrt(3) = 2.31, t(2) = 4.30: 9.9
    assert "3 runs, 12.0 ± 9.9 ppm (95 %)." in steady.sentence
    assert "No drift is shown." in steady.sentence
    (stepped,) = course(clocks(10.0, 14.0, 12.0, 80.0, 84.0)).series
    assert "A step of +70 ppm before HF-04" in stepped.sentence
    (two,) = course(clocks(10.0, 14.0)).series
    assert "HF-02 less HF-01: 4 ± 11 ppm (95 %), not told apart." in two.sentence


@pytest.mark.parametrize("runs", [2, 6])
def test_the_page_draws_each_series_and_names_what_it_could_not_read(runs):
    state = CampaignState(runs=zeros([0.1] * runs), spans=(), unreadable=("runs/x/checks/y.toml: not valid TOML",))
    page = campaign_page("teasel-2", (), (), state, at=dt.datetime(2031, 7, 1, tzinfo=dt.UTC))
    assert page.count("<svg") == 1
    assert "zero of PT-11 (r02), stated u" in page
    assert f"{runs} checks: the last at +0.1" in page
    assert "runs/x/checks/y.toml: not valid TOML" in page
