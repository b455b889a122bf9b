"""The prediction in words and on the pad card."""

import dataclasses

import pytest

from standbook.analysis.kinds.registry import predict
from standbook.analysis.prediction.sentences import prediction_sentences
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


def test_the_words_of_a_water_flow_tell_closing_from_run_out():
    through = predicted("water_flow.toml")
    closed = predicted("water_flow.toml", ('end = "run-out"', 'end = "valve closed early"\nclose_after = "14 s"'))
    assert "at depletion after 16.5 s" in prediction_sentences(through)[0]
    assert "at closing after 14.0 s" in prediction_sentences(closed)[0]
    assert "depletion would come at 16.5 s" in prediction_sentences(closed)[2]
    assert prediction_sentences(closed)[3].startswith("What widens the expelled mass most: feed CdA, oxidiser, 0.2")


def test_what_the_plan_does_not_hold_is_left_out(firing):
    bare = dataclasses.replace(firing, class_margin=None, lift_off=None, contributions=())
    assert prediction_sentences(bare) == prediction_sentences(firing)[:2]
    flow = predicted("water_flow.toml")
    assert len(prediction_sentences(dataclasses.replace(flow, contributions=()))) == 3
