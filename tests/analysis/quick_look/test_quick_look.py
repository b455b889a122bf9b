"""The quick look: five short sentences, one word by stated rules, and never a verdict."""

from dataclasses import replace

import pytest

from standbook.analysis.findings.channels import CLIPPED, CLOCK_BENT, NOT_RESPONDING
from standbook.analysis.findings.thrust import THRUST_CLIPPED
from standbook.analysis.quick_look.quick_look import LONGEST, provisional_impulse, quick_look
from standbook.analysis.quick_look.suggestion import suggestion
from standbook.analysis.results.results import Gap
from standbook.daq.findings.finding import Finding

LIMIT = 40_960.0  # N·s, of the starter's plan


def found(kind, channel):
    return Finding(code=kind.code, severity="serious", channel=channel, time=1.0, text="x")


@pytest.fixture
def results(hf02_results):
    return replace(hf02_results, findings=())


@pytest.fixture
def plan(hf02_campaign):
    return hf02_campaign.plan


@pytest.fixture
def word(plan, hf02_prediction):
    def told(results, *, impulse=None, redlines=()):
        impulse = provisional_impulse(results) if impulse is None else impulse
        return suggestion(results, plan, hf02_prediction, impulse=impulse, redlines=redlines)

    return told


def test_a_whole_record_is_kept(results, word):
    assert word(results).word == "KEEP"


def test_what_only_another_run_gives_is_repeated(results, word):
    for finding in (found(THRUST_CLIPPED, "LC-1"), found(NOT_RESPONDING, "PT-11"), found(CLIPPED, "PT-31")):
        said = word(replace(results, findings=(finding,)))
        assert said.word == "REPEAT"
        assert "thrust was saturated" in said.reasons[0] or finding.channel in said.reasons[0]
    assert word(replace(results, impulse=None), impulse=0.0).reasons[0] == "no light: no thrust was found"
    assert word(replace(results, t_zero=None)).reasons[0].startswith("no T-0")


def test_a_sensor_outside_the_minimum_data_is_no_reason_to_repeat(results, word):
    assert word(replace(results, findings=(found(NOT_RESPONDING, "PT-12"),))).word == "KEEP"


@pytest.mark.parametrize(("lost", "suggested"), [(0.049, "KEEP"), (0.051, "REPEAT")])
def test_a_loss_counts_between_t_zero_and_the_end_alone(results, word, lost, suggested):
    (key, health) = next(iter(results.record.items()))
    early, inside = Gap(-5.0, -4.0, 1.0, 1000), Gap(3.0, 3.0 + lost, lost, 50)
    record = {key: replace(health, gaps=(early, inside))}
    assert word(replace(results, record=record)).word == suggested


def test_what_a_person_weighs_is_to_be_decided(results, word):
    assert word(results, redlines=("no light",)).reasons == ("redline no light tripped: see why before the next run",)
    assert word(replace(results, findings=(found(CLOCK_BENT, "cradle-a"),))).word == "DECIDE"
    (key, health) = next(iter(results.record.items()))
    assert word(replace(results, record={key: replace(health, boots=2)})).word == "DECIDE"
    tare = {tag: replace(item, after=None) for tag, item in results.tare.items()}
    assert "keep recording until vented" in word(replace(results, tare=tare)).reasons[0]


def test_an_impulse_near_the_limit_is_to_be_decided(word, results, hf02_prediction):
    predicted = hf02_prediction.scalars["impulse"]
    on_the_line = LIMIT * predicted.nominal / predicted.high
    assert word(results, impulse=0.99 * on_the_line).word == "KEEP"
    assert word(results, impulse=1.01 * on_the_line).word == "DECIDE"


def test_sentences_are_short_and_hold_no_verdict(hf02_results, plan, hf02_prediction):
    look = quick_look(hf02_results, plan, hf02_prediction)
    assert len(look.lines) == 5
    assert max(len(line) for line in look.lines) <= LONGEST
    text = " ".join(look.lines).casefold()
    assert not any(word in text for word in ("within", "safe", "pass", "exceeds", "±"))
    assert f"{100.0 * look.impulse / LIMIT:.0f} % of 40,960" in text


def test_the_provisional_impulse_is_near_the_final_one(hf02_results):
    assert provisional_impulse(hf02_results) == pytest.approx(hf02_results.impulse.value, rel=0.01)
    part = replace(hf02_results, impulse=replace(hf02_results.impulse, lower_bound_only=True, value=29_000.0))
    assert provisional_impulse(part) == 29_000.0


def test_without_a_prediction_that_is_said(hf02_results, plan):
    assert "no prediction to compare with" in quick_look(hf02_results, plan, None).deviation


def test_a_long_list_of_reasons_is_cut_at_a_word(hf02_results, plan, hf02_prediction):
    redlines = tuple(f"redline of a very long name number {k}" for k in range(3))
    look = quick_look(replace(hf02_results, findings=()), plan, hf02_prediction, redlines=redlines)
    assert look.lines[-1].endswith("…")
    assert len(look.lines[-1]) <= LONGEST
