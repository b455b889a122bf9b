"""Results go to JSON and come back the same; the exit code follows the worse verdict."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.results.json_codec import from_json, to_json
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import (
    BudgetTerm,
    Comparison,
    EngineResult,
    EventResult,
    ExponentResult,
    Gap,
    ImpulseResult,
    RecordHealth,
    Results,
    TankResult,
    Tare,
    ThrustResult,
    TZero,
    Verdict,
    WeightCorrection,
    Window,
)
from standbook.daq.findings.finding import Finding

numbers = st.floats(allow_nan=False, allow_infinity=False)


measured = st.builds(Measured, numbers, numbers, st.just("N"))
verdicts = st.builds(
    Verdict,
    outcome=st.sampled_from(["within", "exceeds", "not shown"]),
    limit=numbers,
    limit_name=st.text(),
    guard_share=numbers,
    upper_bound=st.none() | numbers,
    lower_bound=st.none() | numbers,
    probability_within=st.none() | numbers,
    reason=st.text(),
)
budget = st.lists(st.builds(BudgetTerm, st.text(), numbers), max_size=3).map(tuple)
impulses = st.builds(
    ImpulseResult,
    value=numbers,
    u=numbers,
    unit=st.just("N*s"),
    expanded=numbers,
    coverage_factor=numbers,
    lower_bound_only=st.booleans(),
    unseen=numbers,
    budget=budget,
)
tanks = st.builds(
    TankResult,
    cda=st.none() | measured,
    cda_joint=st.none() | measured,
    cda_budget=budget,
    exponent=st.none() | st.builds(ExponentResult, measured, measured, measured, st.none() | numbers),
    correlation=st.dictionaries(st.text(), numbers, max_size=2),
    window=st.none() | st.tuples(numbers, numbers),
    residual_rms=st.none() | numbers,
    expelled_mass=st.none() | measured,
    start_pressure=st.none() | measured,
    end_pressure=st.none() | measured,
    facts=st.dictionaries(st.text(), st.booleans(), max_size=2),
)
findings = st.builds(
    Finding,
    code=st.text(),
    severity=st.sampled_from(["note", "caution", "serious"]),
    channel=st.none() | st.text(),
    time=st.none() | numbers,
    text=st.text(),
)
results = st.builds(
    Results,
    run=st.text(),
    kind=st.just("static fire"),
    article=st.text(),
    stand=st.text(),
    rehearsal=st.booleans(),
    plan_sha256=st.text(),
    prediction=st.sampled_from(["locked", "postdiction"]),
    software=st.text(),
    revision=st.just("A"),
    t_zero=st.none() | st.builds(TZero, st.text(), st.text(), numbers),
    window=st.none() | st.builds(Window, numbers, numbers),
    events=st.lists(st.builds(EventResult, st.text(), numbers, numbers, st.text()), max_size=2).map(tuple),
    record=st.dictionaries(
        st.text(),
        st.builds(
            RecordHealth,
            rows=st.integers(),
            lost_rows=st.integers(),
            gaps=st.lists(st.builds(Gap, numbers, numbers, numbers, st.integers()), max_size=2).map(tuple),
            boots=st.integers(),
            clock_ppm=st.none() | measured,
            damaged_frames=st.integers(),
            filled_rows=st.integers(),
        ),
        max_size=2,
    ),
    tare=st.dictionaries(st.text(), st.builds(Tare, measured, st.none() | measured, st.none() | numbers), max_size=1),
    weight_correction=st.none()
    | st.builds(WeightCorrection, st.booleans(), st.integers(-1, 1), st.none() | measured, numbers),
    impulse=st.none() | impulses,
    impulse_vacuum=st.none() | impulses,
    thrust=st.none()
    | st.builds(
        ThrustResult,
        peak=st.none() | measured,
        mean=st.none() | measured,
        at_start=st.none() | measured,
        at_end=st.none() | measured,
        definition=st.text(),
    ),
    burn_time=st.none() | measured,
    verdicts=st.dictionaries(st.sampled_from(["site", "vacuum"]), verdicts, max_size=2),
    tanks=st.dictionaries(st.text(), tanks, max_size=2),
    engine=st.none()
    | st.builds(
        EngineResult,
        cstar=st.none() | measured,
        isp=st.none() | measured,
        thrust_coefficient=st.none() | measured,
        mixture_ratio=st.none() | measured,
        chamber_pressure=st.none() | measured,
        injector_stiffness=st.dictionaries(st.text(), measured, max_size=2),
    ),
    comparison=st.dictionaries(st.text(), st.builds(Comparison, numbers, numbers, numbers), max_size=2),
    findings=st.lists(findings, max_size=3).map(tuple),
)


@pytest.mark.slow
@given(results)
def test_results_survive_json_to_the_last_digit(found):
    assert from_json(to_json(found)) == found


@pytest.mark.slow
@given(results)
def test_results_from_before_gaps_could_be_filled_are_read(found):
    old = json.loads(to_json(found))
    for health in old["record"].values():
        del health["filled_rows"]
    read = from_json(json.dumps(old))
    assert {health.filled_rows for health in read.record.values()} <= {0}
    assert read.record.keys() == found.record.keys()


@pytest.mark.slow
@given(results)
def test_the_worst_verdict_rules(found):
    outcomes = {verdict.outcome for verdict in found.verdicts.values()}
    expected = next((o for o in ("exceeds", "not shown", "within") if o in outcomes), None)
    assert found.worst_outcome == expected
    if expected in ("exceeds", "not shown"):
        assert found.needs_review


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"run": 3}', json.dumps({"run": "x", "impulse": 3})])
def test_what_is_not_a_results_file_is_refused(text):
    with pytest.raises(ValueError):  # noqa: PT011 - the JSON error and ours are both value errors
        from_json(text)
