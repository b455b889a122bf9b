"""The study of independent checks: its lines say what its rows hold, and firings of both worlds come through."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.dataset.dataset import RawStream
from standbook.analysis.results.firing_results import ImpulseRoute, IndependentChecks
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Verdict
from tests.studies import independent_checks
from tests.studies.independent_checks import (
    CLOCK,
    Row,
    against,
    altered,
    analysed,
    course_line,
    held_to,
    outcome,
    report,
    route_lines,
    rows_of,
    second_firing,
    shipped_firing,
    verdict_line,
)


def verdict(upper, lower, *, limit=100.0, outcome="not shown", withheld=""):
    return Verdict(
        outcome=outcome,
        limit=limit,
        limit_name="test",
        guard_share=0.95,
        upper_bound=upper,
        lower_bound=lower,
        probability_within=None,
        reason="",
        withheld=withheld,
    )


def route(sigma, name="chamber pressure"):
    return ImpulseRoute(
        name=name,
        impulse=Measured(1.0, 0.1, "N*s"),
        apart=0.0,
        sigma=sigma,
        seen_surely=0.05,
        unstated=0.0,
        start=0.0,
        end=1.0,
    )


def checks(departure, *sigmas):
    return IndependentChecks(
        routes=tuple(route(s) for s in sigmas),
        course_departure=departure,
        course_window=None,
        gain_proven=False,
        clock_proven=False,
    )


@pytest.mark.parametrize(
    ("upper", "lower", "withheld", "said"),
    [
        (99.0, 95.0, "", "within"),
        (100.0, 95.0, "", "within"),
        (101.0, 95.0, "", "not shown"),
        (110.0, 100.0, "", "exceeds"),
        (None, 100.0, "", "exceeds"),
        (None, 95.0, "", "not shown"),
        (99.0, 95.0, "routes disagree", "not shown"),
        (120.0, 110.0, "routes disagree", "not shown"),
    ],
)
def test_a_verdict_is_judged_again_from_its_bounds(upper, lower, withheld, said):
    assert against(verdict(upper, lower, withheld=withheld), 100.0) == said


def test_a_firing_that_was_refused_is_not_shown():
    assert against(None, 100.0) == "not shown"
    assert outcome(Row(0, 100.0)) == "not shown"


def test_lines_count_outcomes_spreads_and_departures():
    assert "n   4  within  50.0 %  not shown  25.0 %  exceeds  25.0 %" in verdict_line(
        "all", ["within", "within", "not shown", "exceeds"]
    )
    rows = [Row(0, 1.0, None, checks(departure, sigma)) for departure, sigma in ((0.01, 1.0), (-0.018, -3.5))]
    (line,) = route_lines(rows)
    assert f"sd of sigma {np.std([1.0, -3.5], ddof=1):.2f}" in line
    assert "worst -3.50  beyond 3 1" in line
    assert "100 % 1.80 %  above 1.7 %: 1  above 2.0 %: 0" in course_line(rows)


def test_a_report_judges_every_limit_and_owns_up_to_verdicts_that_its_bounds_do_not_explain():
    right = Row(0, 100.0, verdict(104.0, 96.0), checks(0.001, 0.2))
    lines = report([{"healthy": right, "cell -5 %": dataclasses.replace(right, verdict=verdict(90.0, 85.0))}])
    text = "\n".join(lines)
    assert "true 95 % of limit" in text
    assert any(line.startswith("cell -5 %, true 103 % of limit") and "within 100.0 %" in line for line in lines)
    assert "verdicts: 2, judged again from their bounds and found otherwise: 1" in text  # 90 was called not shown


def test_the_shipped_worlds_faults_scale_counts_or_times_and_nothing_else():
    whole = RawStream(np.array([0.0, 10.0]), {"LC-1": np.array([0, 1000]), "PT-11": np.array([5, 6])}, {})
    low = altered("cell -5 %")(whole)
    assert low.counts["LC-1"].tolist() == [0, 950]
    assert low.counts["PT-11"] is whole.counts["PT-11"]
    slow = altered(CLOCK)(whole)
    assert slow.time.tolist() == [0.0, 9.5]
    assert slow.counts is whole.counts


@pytest.mark.slow
def test_a_firing_comes_through_and_is_judged_again_as_it_is_analysed(monkeypatch):
    monkeypatch.setattr(independent_checks, "FAULTS", ("cell -20 %",))
    monkeypatch.setattr(independent_checks, "PROVEN_FAULTS", ())
    fired = second_firing(14)
    found = rows_of(fired, proven=True)
    assert set(found) == {"healthy", "cell -20 %", "healthy, proven"}
    assert found["healthy"].gain == pytest.approx(1.0, abs=0.02)
    assert found["cell -20 %"].gain == pytest.approx(0.8 * found["healthy"].gain, rel=1e-3)
    assert found["healthy, proven"].checks.gain_proven
    assert found["healthy, proven"].checks.clock_proven
    for share in (0.90, 1.00):
        again = analysed(fired, held_to(fired.dataset(""), fired.truth / share))
        assert again.verdict.outcome == against(found["healthy"].verdict, fired.truth / share)


@pytest.mark.slow
def test_a_firing_of_the_shipped_world_comes_through_with_a_fault_of_the_right_size(hf02_campaign):
    fired = shipped_firing(0, hf02_campaign)
    right, low, slow = (analysed(fired, fired.dataset(fault)) for fault in ("", "cell -5 %", CLOCK))
    assert right.gain == pytest.approx(1.0, abs=0.05)
    assert low.gain == pytest.approx(0.95 * right.gain, rel=1e-3)
    assert slow.gain == pytest.approx(0.95 * right.gain, rel=2e-3)
