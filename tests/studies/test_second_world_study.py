"""The second world's study: its lines say what its rows hold, and records of each kind come through."""

import numpy as np
import pytest

from tests.studies.second_world import OF_TANKS, Row, cautioned, fault_line, firing_row, flow_row, line, tank_line
from tests.worlds.firing_draws import draw_firing


def row(error, u, findings=()):
    errors = {} if u is None else {"CdA": (error, u)}
    return Row(0, "closed", (), errors, findings, "", (0.0, 0.0))


def test_a_line_counts_numbers_refusals_and_errors_over_u():
    rows = [row(0.01, 0.01), row(-0.01, 0.01), row(0.05, 0.01), row(0.0, None)]
    said = line("closed", rows, "CdA")
    assert "n   4  refused   1" in said
    assert "bias  +1.67 %" in said
    assert f"sd(z) {np.std([1.0, -1.0, 5.0], ddof=1):5.2f}" in said
    assert "2u  67 %  3u  67 %  worst z   +5.0" in said


def test_a_line_of_refusals_alone_holds_no_figures():
    assert line("soft", [row(0.0, None)], "CdA").endswith("n   1  refused   1")


def test_cautions_are_counted_once_a_record():
    said = cautioned("closed", [row(0.0, 0.01, ("caution gap", "caution gap")), row(0.0, 0.01)])
    assert "50 %" in said
    assert "{'caution gap': 1}" in said


def test_a_fault_is_wrong_beyond_three_u_and_silent_without_a_caution():
    rows = [row(0.05, 0.01), row(0.04, 0.01, ("caution gap",)), row(0.02, 0.01), row(0.0, None, ("serious gap",))]
    said = fault_line("dead", rows, "CdA")
    assert "refused   1  serious   1  given beyond 3u   2, without a caution   1  [+5.0 +4.0] %" in said


def test_a_tank_s_fault_is_silent_where_nothing_serious_is_said():
    wrong = Row(2, "closed", (), {"c*": (0.05, 0.01), "O/F": (0.01, 0.01)}, ("caution gap",), "", (0.0, 0.0))
    said = tank_line("dead", [wrong, row(0.0, None, ("serious gap",))])
    assert "beyond 3u   1, at caution or less   1" in said
    assert "[c* +5.0 % at 2]" in said


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fault", "code"),
    [
        ("step -1 %", "step-for-end"),
        ("held 0.2 s", "held-value"),
        ("clip with noise", "falls-after-thrust"),
    ],
)
def test_a_firing_s_tank_at_fault_gives_no_number_of_both_flows(fault, code):
    found = firing_row(10, fault=fault)
    assert not {"c*", "O/F", "Isp", "CdA fuel"} & found.errors.keys()
    assert [word for word in found.findings if word.startswith("serious")] == [f"serious {code}"]
    assert all(abs(error) < 3.0 * u for name, (error, u) in found.errors.items() if name in ("impulse", *OF_TANKS))


@pytest.mark.slow
def test_a_cold_flow_and_a_firing_come_through():
    flow = flow_row(28)
    assert abs(flow.errors["CdA"][0]) < 5.0 * flow.errors["CdA"][1]
    firing = firing_row(14, stratum="closed", orientation="down")
    assert abs(firing.errors["impulse"][0]) < 5.0 * firing.errors["impulse"][1]
    assert draw_firing(14).burn < 5.0
