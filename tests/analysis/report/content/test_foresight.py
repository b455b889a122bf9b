"""How a run went against its prediction, in sentences: order, side, what moved."""

from dataclasses import replace

import numpy as np

from standbook.analysis.findings.causes import CAUSE_NOT_KNOWN, CSTAR_MOVED, EXPONENT_MOVED, ULLAGE_LEAK
from standbook.analysis.report.content.foresight import band_words, foresight, quantity_words, what_moved
from standbook.analysis.report.terminal_summary import terminal_summary
from standbook.analysis.results.results import Comparison
from standbook.analysis.signal.band_comparison import compare, ranked
from tests.analysis import report_fixture as fixture

OUT = {
    "thrust": Comparison(0.93, 1.03, 11.0, False),
    "tank pressure/oxidiser": Comparison(0.0, 1.54, 1.6, False),
    "chamber pressure": Comparison(1.0, 0.9, 4.0, True),
    "tank pressure/fuel": Comparison(0.59, 1.31, 1.9, True),
}
MOVED = EXPONENT_MOVED["oxidiser"].at(
    "oxidiser",
    decided_by="weigh",
    place=1,
    considered=6,
    standing="clearly before the next",
    what="the oxidiser ullage exponent came out at 1.73 ± 0.03, the plan had 1.45 ± 0.12",
    decide="weigh",
)
SECOND = CSTAR_MOVED.at(
    None,
    decided_by="weigh",
    place=2,
    considered=6,
    standing="explains it nearly as well",
    what="c* came out low",
    decide="weigh",
)


def run_with(comparison, *findings, kind="static fire", prediction="locked"):
    return replace(fixture.firing(), comparison=comparison, findings=findings, kind=kind, prediction=prediction)


def test_quantities_are_ranked_farthest_first():
    assert [name for name, _ in ranked(OUT)] == [
        "tank pressure/oxidiser",
        "tank pressure/fuel",
        "thrust",
        "chamber pressure",
    ]


def test_three_sentences_say_coverage_departures_and_what_moved():
    kept, far, moved = foresight(run_with(OUT, MOVED, SECOND))
    assert "locked before T-0" in kept
    assert "2 of 4 quantities stayed inside" in kept
    assert far.split(": ", 1)[1].split("; ")[0] == (
        "oxidiser tank pressure 1.54 below at T+1.6 s, 0 % of the burn inside"
    )
    assert "fuel tank pressure 1.31 above" in far
    assert "chamber" not in far
    assert moved == (
        "Assumption that best explains the deviation, most likely first: the oxidiser ullage exponent came out at "
        "1.73 ± 0.03, the plan had 1.45 ± 0.12 (clearly before the next); c* came out low (explains it nearly as "
        "well). To decide: weigh."
    )


def test_where_nothing_was_ranked_that_is_said_only_if_something_left_its_band():
    assert "does not tell which assumption" in foresight(run_with(OUT))[-1]
    inside = foresight(run_with({"thrust": Comparison(1.0, 0.7, 2.0, True)}))
    assert len(inside) == 2
    assert "1 of 1 quantity stayed inside" in inside[0]
    assert "thrust 0.70 above" in inside[1]


def test_a_cold_flow_names_its_likely_cause():
    cause = ULLAGE_LEAK.at(
        "fuel",
        decided_by="shut in and watch",
        rank=1,
        share_percent=64.0,
        what="gas leaks from the ullage",
        evidence="it fell before the opening",
        decide="shut in",
    )
    kept, _, moved = foresight(run_with(OUT, cause, kind="water flow", prediction="postdiction"))
    assert "not locked before T-0" in kept
    assert "of the flow" in kept
    assert moved == "Cause: gas leaks from the ullage, 64 %. To decide: shut in and watch."


def test_a_flow_that_no_cause_explains_says_so():
    unknown = CAUSE_NOT_KNOWN.at("fuel", decided_by="a repeat", causes=16, seen="x", nearest="y")
    assert what_moved(run_with(OUT, unknown)) == "No single known cause explains it: a repeat."


def test_causes_of_an_older_analysis_that_kept_no_values_are_not_read_back_from_their_sentences():
    old = replace(MOVED, values={})
    assert what_moved(run_with(OUT, old)) == "The ranked assumptions stand among the findings. To decide: weigh."


def test_the_quick_look_carries_the_sentences_and_no_comparison_no_sentence():
    results = run_with(OUT, MOVED)
    assert set(foresight(results)) <= set(terminal_summary(results))
    assert foresight(replace(results, comparison={})) == ()


def test_results_of_before_the_side_was_kept_are_still_said():
    (_, far, *_) = foresight(run_with({"thrust": Comparison(0.5, 1.4, 3.0)}))
    assert "thrust 1.40 at T+3.0 s" in far


def test_the_side_of_the_worst_departure_is_kept():
    time = np.linspace(0.0, 10.0, 1001)
    flat = np.full_like(time, 10.0)
    for sign in (1.0, -1.0):
        value = flat + sign * np.where(time > 7.0, 2.0, 0.1)
        found = compare(
            time, value, predicted_time=time, nominal=flat, low=flat - 1.0, high=flat + 1.0, start=0.0, end=10.0
        )
        assert found is not None
        assert found.above is (sign > 0.0)


def test_words_of_a_quantity():
    assert quantity_words("tank pressure/fuel") == "fuel tank pressure"
    assert quantity_words("thrust") == "thrust"


def test_a_caption_tells_how_a_curve_stood_against_its_band():
    assert band_words(run_with(OUT), "tank pressure/oxidiser") == (
        "inside the predicted 95 % band for 0 % of the burn, farthest 1.54 half-widths below the prediction at T+1.6 s"
    )
    old = run_with({"thrust": Comparison(0.5, 1.4, 3.0)})
    assert "farthest 1.40 half-widths from the prediction at T+3.0 s" in band_words(old, "thrust")
    assert band_words(run_with({}), "thrust") == "no prediction stands beside it"
