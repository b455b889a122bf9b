"""The guide's page about doubtful records: its rules are those of the code, and so are its worked numbers."""

import math

from standbook.analysis.channel_checks import channel_health, mark_checks, record_checks
from standbook.analysis.cold_flow import flow_contradictions
from standbook.analysis.physics import impulse, impulse_limits
from standbook.analysis.record_faults import (
    false_ends,
    fast_rises,
    gaps_at_ends,
    held_values,
    jumps,
    second_falls,
    steps_at_ends,
)
from standbook.analysis.thrust import weight_check
from standbook.daq.live import channel_monitor
from standbook.daq.quantity import factor
from tests.repository import ROOT

PAGE = " ".join((ROOT / "cli/guide/doubtful-records.md").read_text(encoding="utf-8").split())


def on_page(*texts):
    assert [text for text in texts if text not in PAGE] == []


def test_the_rules_are_those_of_the_code():
    on_page(
        f"up to {1e3 * impulse.GAPS_BOUNDED:.0f} ms in all",
        f"|step| > weight / {1.0 / weight_check.UNEXPLAINED_SHARE:.0f}",
        f"{100 * weight_check.RATIO_WITHIN:.0f} % of weight + {weight_check.AGREE:.0f} u",
        f"is {100 * mark_checks.ROSE:.0f} % of its range",
        f"mean over {mark_checks.BLOCK:g} s",
        f"within {mark_checks.WITHIN:.0f} s",
        f"than {mark_checks.SETTLES:g} s after",
        f"> {channel_health.ZERO_AGREE:.0f} u while open",
        f"asks for {channel_health.STUCK:.0f} s without",
        f"and {channel_monitor.FROZEN_IN_FLOW:g} s in a flow, {channel_monitor.FROZEN_AFTER:.0f} s else",
        f"at least {100 * record_checks.MOVED:.0f} % of the signal",
    )
    assert channel_health.FLAT_RUN == 10
    assert channel_health.LIVELY_SHARE == 0.5
    assert channel_monitor.FROZEN_CHANCE == 1e-15
    assert record_checks.LEAST_SENSORS == 2


def test_the_rules_of_a_tank_s_record_are_those_of_the_code():
    on_page(
        f"and {held_values.LEAST_HELD:g} s |",
        f"{held_values.AT_TOP:.0f} times the rows one below, and {held_values.AT_LEAST}; "
        f"noise from {held_values.LIVELY:g} counts on",
        f"{100 * fast_rises.SHARE:g} % of the start pressure within 0.2 s, and {fast_rises.BEYOND_NOISE:.0f} times",
        f"{gaps_at_ends.HIDES:g} s within {gaps_at_ends.BESIDE_END:g} s of an end; "
        f"{100 * gaps_at_ends.SHARE:.0f} % of the flow; {gaps_at_ends.LONG:g} s near it",
        f"{false_ends.LIKE_LIQUID[0]:g} to {false_ends.LIKE_LIQUID[1]:g} of the flow before",
        f"by {steps_at_ends.GAIN:.0f} better than any bend, and {100 * steps_at_ends.SHARE:g} % of the reading",
        f"{jumps.SURE:.0f} u and {100 * jumps.SHARE:g} % of the reading",
        f"{100 * flow_contradictions.START_OFF:.0f} % and {flow_contradictions.SURE:.0f} u off the plan",
    )
    assert fast_rises.SPAN + fast_rises.BLOCK <= 0.2
    assert second_falls.FALLS == 0.25
    rows = math.log(held_values.CHANCE * 10_000 * 0.5) / -math.log(0.5) + held_values.MORE
    on_page(f"half equal to the one before, {rows:.1f} in a row")


def test_worked_thrust_that_nobody_saw():
    lost = 2.11 * 2443.0
    on_page(f"{lost:,.0f} N·s, {100 * lost / 34_370:.1f} % of 34,370 N·s", f"stand for {120.0 * 19.80:,.0f} N")
    on_page(f"misses {(120.0 * 19.80 - 2199.0) * 3.0:.0f} N·s")


def test_worked_check_weight():
    pound = factor("lbf", "force")
    on_page(f"17.24 kg weigh {17.24 * 9.80665:.1f} N", f"38.0 x {pound:.3f} = {38.0 * pound:.1f} N")
    on_page(f"is {17.24 * 9.80665 / 38.0:.2f} times too small", f"1.31 in pounds is {1.31 / pound:.2f}")
    assert abs(38.0 * pound - 17.24 * 9.80665) < weight_check.RATIO_WITHIN * 17.24 * 9.80665


def test_worked_mark_and_gauge():
    on_page(f"3 % of 0 to 60 bar are {mark_checks.ROSE * 60.0:.1f} bar")
    growth = math.log(10.083 / 5.710) / 1.296  # the flow of the analysis page
    wrong = math.log(9.105 / 4.732) / growth
    on_page(f"n = {wrong:.3f}", f"{channel_health.gauge_effect(9.105e5, 4.732e5, wrong, 0.978e5):.3f} too high")


def test_worked_frozen_line():
    equal = math.erf(1.0 / (2.0 * math.sqrt(2.0) * 1.0))
    on_page(f"p = {equal:.3f}", f"so {channel_monitor.rows_needed(1.0)} equal rows")


def test_worked_clock_supply_and_limit():
    on_page(f"after {2**32 / 1e6:,.2f} s, or {2**32 / 6e7:.1f} min", f"read {0.005 * 34_000:.0f} N·s low")
    on_page(f"read {0.96 * (24.0 + 7.5) - 7.5:.2f}")


def test_worked_verdicts_on_the_limit():
    def judged(value, u):
        return impulse_limits.verdict(value, u, limit=40_960.0, limit_name="14 CFR 101.22 Class 2")

    site, vacuum = judged(40_665.0, 209.0), judged(47_902.0, 220.0)
    assert (site.outcome, vacuum.outcome) == ("not shown", "exceeds")
    on_page(f"upper bound {site.upper_bound:,.0f} N·s", f"lower bound {vacuum.lower_bound:,.0f} N·s")
