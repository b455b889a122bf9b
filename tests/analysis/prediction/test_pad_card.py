"""The prediction in words and on the pad card."""

import dataclasses
import itertools

import pytest
from scipy import constants

from standbook.analysis.kinds.registry import predict
from standbook.analysis.prediction.pad_card import pad_card, prediction_sentences
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import read_stand
from standbook.daq.config.toml_document import parse_document
from tests.repository import ROOT

HERE = ROOT / "tests" / "analysis" / "teasel"
STAND = read_stand(HERE / "stand.toml")


def predicted(file, *changes):
    text = (HERE / file).read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return predict(parse_document(text, Plan, file), STAND, samples=60)


@pytest.fixture(scope="module")
def firing():
    return predicted("firing.toml")


def test_the_sentences_give_thrust_impulse_vacuum_full_load_and_lift_off(firing):
    thrust, pressures, site, vacuum, full, lift_off, widest = prediction_sentences(firing)
    assert thrust.startswith("Thrust 2,590 N (")
    assert "at depletion after 19.5 s" in thrust
    assert pressures == "Pressures in bar(a): chamber 23.2 to 12.7, tanks oxidiser 32.0 to 15.7, fuel 32.0 to 15.0."
    assert "34,542 N*s, 84.3 % of the limit" in site
    assert "40,960 N*s (14 CFR 101.22 Class 2)" in site
    assert vacuum.startswith("Referred to vacuum 39,765 N*s, 97.1 % of the limit")
    assert "nothing in the plan limits the load" in full
    assert lift_off.endswith("required 5.00 at 48.0 kg: condition met.")
    assert "c* efficiency" in widest


@pytest.mark.slow
def test_the_sentences_follow_what_the_plan_holds():
    both = predicted(
        "firing.toml",
        ('"10.66 +/- 0.10 kg"', '"10.66 +/- 0.10 kg"\ngreatest_load = "13.668 kg"'),
        ('"7.03 +/- 0.04 kg"', '"7.03 +/- 0.04 kg"\ngreatest_load = "8.803 kg"'),
        ("48.0 +/- 0.5 kg", "60 kg"),
    )
    text = " ".join(prediction_sentences(both))
    assert "as full as the hardware permits: site 42,3" in text
    assert "condition not met" in text


def test_the_card_of_a_firing_has_five_rows_and_ends_at_run_out(firing):
    rows = pad_card(firing)
    assert [row.label for row in rows] == ["T-0", "T+2 s", "T+5 s", "T+10 s", "depletion"]
    assert rows[-1].time == firing.scalars["burn time"].nominal
    thrusts = [row.readings["thrust"] for row in rows]
    assert thrusts[0].nominal == firing.scalars["thrust at start"].nominal
    assert thrusts[-1].nominal == firing.scalars["thrust at end"].nominal
    assert all(a.nominal > b.nominal for a, b in itertools.pairwise(thrusts))
    for row in rows:
        for reading in row.readings.values():
            assert reading.low < reading.nominal < reading.high
    # 22.7 bar(a) in the oxidiser tank at T+7 s by a plain explicit-step model; here between the rows of 5 s and 10 s.
    tank = [row.readings["tank pressure/oxidiser"].nominal / constants.bar for row in rows]
    assert tank[2] > 22.7 > tank[3]


@pytest.mark.slow
def test_a_short_burn_leaves_out_the_rows_it_does_not_reach():
    short = predicted("firing.toml", ("10.66 +/- 0.10 kg", "4.0 kg"), ("7.03 +/- 0.04 kg", "2.8 kg"))
    assert [row.label for row in pad_card(short)] == ["T-0", "T+2 s", "T+5 s", "depletion"]


def test_the_card_and_words_of_a_water_flow_tell_closing_from_run_out():
    through = predicted("water_flow.toml")
    closed = predicted("water_flow.toml", ('end = "run-out"', 'end = "valve closed early"\nclose_after = "14 s"'))
    assert pad_card(through)[-1].label == "depletion"
    last = pad_card(closed)[-1]
    assert (last.label, last.time) == ("valve closed", 14.0)
    assert last.readings["tank pressure/oxidiser"].nominal == closed.scalars["tank pressure at end"].nominal
    assert last.readings["liquid mass/oxidiser"].nominal == pytest.approx(closed.scalars["left aboard"].nominal)
    assert "at depletion after 16.5 s" in prediction_sentences(through)[0]
    assert "at closing after 14.0 s" in prediction_sentences(closed)[0]
    assert "depletion would come at 16.5 s" in prediction_sentences(closed)[2]
    assert prediction_sentences(closed)[3].startswith("What widens the expelled mass most: feed CdA, oxidiser, 0.2")


def test_what_the_plan_does_not_hold_is_left_out(firing):
    bare = dataclasses.replace(firing, class_margin=None, lift_off=None, contributions=())
    assert prediction_sentences(bare) == prediction_sentences(firing)[:2]
    flow = predicted("water_flow.toml")
    assert len(prediction_sentences(dataclasses.replace(flow, contributions=()))) == 3
