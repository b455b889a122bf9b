"""Verdicts with a guard band, and limits at the float boundary."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants

from standbook.analysis.physics.impulse_limits import (
    REGULATORY_LIMITS,
    guard_factor,
    is_met,
    probability_at_most,
    regulatory_limit,
    verdict,
)
from standbook.daq.errors import DataError

LIMIT = 40960.0
NAME = "14 CFR 101.22 Class 2"


def judge(impulse, u, **changes):
    return verdict(impulse, u, **{"limit": LIMIT, "limit_name": NAME, **changes})


# [CFR101] 101.22(b) and [CFR1] 1.1: figures confirmed on copies of the eCFR text.
@pytest.mark.parametrize(("name", "limit"), [(NAME, 40960.0), ("14 CFR 1.1 amateur rocket", 889600.0)])
def test_a_regulatory_limit_is_inside_and_the_next_float_outside(name, limit):
    rule = regulatory_limit(name)
    assert rule is not None
    assert rule.impulse == limit
    assert is_met(limit, rule.impulse)
    assert not is_met(np.nextafter(limit, math.inf), rule.impulse)


def test_printed_pound_force_seconds_are_shown_and_never_compared():
    # 40,960 N*s is 9208.1743 lbf*s, 9,208 lbf*s is 40,959.225 N*s; 200,000 lbf*s is 889,644.32 N*s (computed).
    printed = {rule.name: float(rule.printed.split()[0].replace(",", "")) * constants.lbf for rule in REGULATORY_LIMITS}
    assert printed[NAME] == pytest.approx(40959.22463331868, rel=1e-12)
    assert printed["14 CFR 1.1 amateur rocket"] == pytest.approx(889644.3230520999, rel=1e-12)
    for rule in REGULATORY_LIMITS:
        assert rule.impulse != printed[rule.name]
        assert rule.impulse == pytest.approx(printed[rule.name], rel=1e-4)
    assert "9,208.2 lbf*s" in judge(34000.0, 200.0).reason


def test_an_own_name_has_no_regulatory_limit():
    assert regulatory_limit("club rule 7") is None
    assert regulatory_limit("14  cfr 101.22 class 2") is regulatory_limit(NAME)


# [JCGM106] table of one-sided factors: from memory, recomputed.
@pytest.mark.parametrize(
    ("share", "z"), [(0.80, 0.8416), (0.90, 1.2816), (0.95, 1.6449), (0.99, 2.3263), (0.999, 3.0902)]
)
def test_guard_factors_are_the_one_sided_normal_ones(share, z):
    assert guard_factor(share) == pytest.approx(z, abs=5e-5)  # printed digits


@pytest.mark.parametrize("share", [0.5, 1.0, 0.3, math.nan])
def test_a_guard_share_outside_one_half_to_one_is_a_callers_bug(share):
    with pytest.raises(ValueError, match="guard share"):
        guard_factor(share)


def test_jcgm_106_voltage_conforms_with_probability_0_919():
    # [JCGM106]: reading -5.47 V, u 0.05 V, upper limit -5.40 V: 0.91924; from memory, recomputed.
    assert probability_at_most(-5.40, -5.47, 0.05) == pytest.approx(0.91924, abs=5e-6)


def test_jcgm_106_speed_limit_is_surely_exceeded_from_106_6():
    # [JCGM106]: limit 100 km/h, u 2 % of the reading, probability 0.999: 106.588, printed 107; from memory, recomputed.
    def outcome(speed):
        return judge(speed, 0.02 * speed, limit=100.0, guard_share=0.999).outcome

    assert outcome(106.587) == "not shown"
    assert outcome(106.589) == "exceeds"


def test_jcgm_106_guard_of_two_standard_uncertainties_leaves_2_3_percent_risk():
    # [JCGM106]: g = r U with r 1 and k 2: risk at the acceptance limit 0.02275; rule from memory, figure recomputed.
    assert 1.0 - probability_at_most(LIMIT, LIMIT - 2.0 * 500.0, 500.0) == pytest.approx(0.02275, abs=5e-6)


def test_the_impulse_decision_for_u_500_accepts_up_to_40137_6():
    # Derived figures: accept up to 40,137.573; P(exceed) 0.0274289 at 40,000 and 0.5 at 40,960.
    assert judge(40137.573, 500.0).outcome == "within"
    assert judge(40137.574, 500.0).outcome == "not shown"
    assert 1.0 - judge(40000.0, 500.0).probability_within == pytest.approx(0.0274289, abs=5e-8)
    assert judge(LIMIT, 500.0).probability_within == 0.5


# Relative u; greatest impulse within; least that exceeds; P(true <= limit) at 40,000, 40,500 and 41,200 N*s.
# Computed with z = 1.645 and printed to whole N*s.
TABLE = [
    (0.0031, 40752, 41170, (1.00, 1.00, 0.03)),
    (0.0075, 40461, 41472, (0.999, 0.935, 0.22)),
    (0.0103, 40278, 41666, (0.99, 0.865, 0.29)),
    (0.0200, 39655, 42353, (0.885, 0.715, 0.385)),
]


@pytest.mark.parametrize(("share", "within", "exceeds", "probabilities"), TABLE)
def test_the_verdict_table_holds_at_its_edges(share, within, exceeds, probabilities):
    def outcome(impulse):
        return judge(impulse, share * impulse).outcome

    assert (outcome(within - 1.5), outcome(within + 1.5)) == ("within", "not shown")
    assert (outcome(exceeds - 1.5), outcome(exceeds + 1.5)) == ("not shown", "exceeds")
    for impulse, probability in zip((40000.0, 40500.0, 41200.0), probabilities, strict=True):
        # The table prints steps of half a percent at the coarse end.
        assert judge(impulse, share * impulse).probability_within == pytest.approx(probability, abs=0.006)


def test_the_upper_bound_may_equal_the_limit_and_not_pass_it():
    u = 100.0
    value = LIMIT - guard_factor(0.95) * u
    upper = value + guard_factor(0.95) * u
    assert judge(value, u, limit=upper).outcome == "within"
    assert judge(value, u, limit=np.nextafter(upper, 0.0)).outcome == "not shown"


def test_a_result_on_the_line_is_not_shown_and_told_to_lower_the_load():
    # 40,621 N*s with U 560 N*s (k = 2): bound 41,082 N*s.
    found = judge(40621.0, 280.0)
    assert found.outcome == "not shown"
    assert found.upper_bound == pytest.approx(41081.6, abs=0.1)
    for part in ("40,621 N*s", "41,082 N*s", "40,960 N*s", NAME, "not shown", "lower the load"):
        assert part in found.reason
    assert found.reason.count(". ") == 0


def test_a_value_over_the_limit_but_not_surely_says_so():
    found = judge(41000.0, 280.0)
    assert found.outcome == "not shown"
    assert "the value itself is over it" in found.reason


def test_what_was_hidden_can_never_be_within():
    # The brown-out run: 29.5 kN*s seen, 5.1 kN*s not.
    found = judge(29455.0, 203.0, lower_bound_only=True)
    assert found.outcome == "not shown"
    assert found.upper_bound is None
    assert found.probability_within is None
    assert found.reason.startswith("At least 29,455 N*s")
    assert "no probability" in found.reason
    assert "repeat the run" in found.reason


def test_a_lower_bound_alone_can_still_exceed():
    found = judge(42000.0, 203.0, lower_bound_only=True)
    assert (found.outcome, found.upper_bound, found.probability_within) == ("exceeds", None, None)
    assert found.reason.startswith("At least 42,000 N*s")


def test_short_gaps_raise_the_upper_bound_only():
    clear, gapped = judge(40137.0, 500.0), judge(40137.0, 500.0, unseen=50.0)
    assert (clear.outcome, gapped.outcome) == ("within", "not shown")
    assert gapped.upper_bound == clear.upper_bound + 50.0
    assert gapped.lower_bound == clear.lower_bound
    assert gapped.probability_within < clear.probability_within
    assert "with 50 N*s for gaps" in gapped.reason


def test_the_ambient_pressure_stands_in_the_sentence():
    assert "referred to vacuum" in judge(47752.0, 330.0, ambient="referred to vacuum").reason
    assert judge(47752.0, 330.0, ambient="referred to vacuum").outcome == "exceeds"


@pytest.mark.parametrize("u", [None, 0.0, -1.0, math.nan, math.inf])
def test_there_is_no_verdict_without_an_uncertainty(u):
    with pytest.raises(DataError, match="standard uncertainty"):
        judge(34542.0, u)


@pytest.mark.parametrize("impulse", [-34542.0, 0.0, math.nan, math.inf])
def test_an_impulse_that_is_not_positive_is_refused_not_called_within(impulse):
    with pytest.raises(DataError, match="load cell's sign"):
        judge(impulse, 200.0)


def test_negative_unseen_impulse_is_a_callers_bug():
    with pytest.raises(ValueError, match="unseen"):
        judge(34542.0, 200.0, unseen=-1.0)


@given(
    impulse=st.floats(1e3, 1e5),
    u=st.floats(1.0, 3e3),
    unseen=st.floats(0.0, 500.0),
    share=st.floats(0.6, 0.999),
    scale=st.floats(0.1, 10.0),
)
@settings(deadline=None)
def test_verdicts_agree_with_their_probability_and_ignore_the_unit(impulse, u, unseen, share, scale):
    found = judge(impulse, u, unseen=unseen, guard_share=share)
    margin = 1e-9
    if found.outcome == "within":
        assert found.probability_within >= share - margin
    if found.outcome == "exceeds":
        assert judge(impulse, u, guard_share=share).probability_within <= 1.0 - share + margin
    # Clear of an edge by more than rounding, the outcome does not depend on the unit of impulse.
    edges = (found.upper_bound - LIMIT, found.lower_bound - LIMIT)
    if min(abs(edge) for edge in edges) > 1e-6 * LIMIT:
        scaled = judge(scale * impulse, scale * u, unseen=scale * unseen, guard_share=share, limit=scale * LIMIT)
        assert scaled.outcome == found.outcome


def test_a_run_exactly_on_the_limit_is_called_within_in_one_of_twenty():
    # 10,000 trials with true = limit: 5 % expected, standard deviation 0.22 %.
    u = 300.0
    readings = LIMIT + u * np.random.default_rng(106).standard_normal(10_000)
    share = np.mean([judge(float(reading), u).outcome == "within" for reading in readings])
    assert share == pytest.approx(0.05, abs=0.005)


# t(0.95) one-sided, printed in every table of Student's distribution.
@pytest.mark.parametrize(("dof", "t"), [(2, 2.920), (3, 2.353), (4, 2.132), (8, 1.860), (10, 1.812), (30, 1.697)])
def test_few_degrees_of_freedom_widen_the_guard(dof, t):
    assert guard_factor(0.95, dof) == pytest.approx(t, abs=5e-4)
    found = judge(LIMIT - t * 100.0 - 1.0, 100.0, dof=dof)
    assert found.outcome == "within"
    assert judge(LIMIT - t * 100.0 + 1.0, 100.0, dof=dof).outcome == "not shown"
    assert found.probability_within == pytest.approx(0.95, abs=2e-3)


@pytest.mark.parametrize("dof", [2, 4, 10])
def test_false_within_of_few_readings_is_what_the_guard_says(dof):
    """A true impulse at the limit, u estimated from few readings: one in twenty is called within, not one in eight."""
    random = np.random.default_rng(8)
    number, sigma = 40_000, 100.0
    value = LIMIT + sigma * random.standard_normal(number)
    u = sigma * np.sqrt(random.chisquare(dof, number) / dof)
    by_t, by_z = (
        float(np.mean(value + factor * u <= LIMIT)) for factor in (guard_factor(0.95, dof), guard_factor(0.95))
    )
    assert by_t == pytest.approx(0.05, abs=0.005)
    assert by_z > by_t


def test_what_was_never_measured_raises_the_upper_bound_alone():
    plain, allowed = judge(40_000.0, 100.0), judge(40_000.0, 100.0, allowance=300.0)
    assert allowed.upper_bound == pytest.approx(plain.upper_bound + 300.0)
    assert allowed.lower_bound == plain.lower_bound
    assert "300 N*s for what was never measured" in allowed.reason
    assert allowed.probability_within < plain.probability_within
