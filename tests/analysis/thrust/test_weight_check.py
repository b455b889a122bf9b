"""The sentences about a weight that does not fit the stand file, the scales or the unit."""

import dataclasses
import re

import numpy as np
import pytest

from standbook.analysis.physics.load_cell import expelled_share, unloaded, zero_of
from standbook.analysis.results.quantities import Measured
from standbook.analysis.thrust.weight_check import weight_findings
from tests.analysis.weight_record import AFTER, BEFORE, END, START, G, firing


def zeros(sign, *, after=AFTER):
    time, _, flow, _, reading = firing(sign)
    return unloaded(
        before=zero_of(time, reading, BEFORE),
        after=zero_of(time, reading, after) if after else None,
        share=expelled_share(time, flow, start=START, end=END),
        line_load=np.zeros(time.size),
        line_load_after=0.0,
        expected_step=Measured(17.2 * G, 1.0, "N"),
    )


def judged(sign_in_file, sign_in_truth, *, mass=17.2):
    weight = Measured(mass * G, 0.04 * G, "N")
    return weight_findings(
        "LC-1", zeros(sign_in_truth), sign=sign_in_file, factor=1.0, weight=weight, relative_gain_u=0.006
    )


def test_a_cell_without_a_zero_after_the_run_says_so():
    said = weight_findings("LC-1", zeros(1, after=None), sign=1, factor=1.0, weight=None, relative_gain_u=0.0)
    assert [f.code for f in said] == ["one-zero"]


@pytest.mark.parametrize("sign", [1, 0, -1])
def test_a_stand_file_that_tells_the_truth_is_met_with_silence(sign):
    assert judged(sign, sign) == []


def test_tanks_on_the_cell_that_the_stand_file_denies_are_asked_about():
    (finding,) = judged(0, 1)
    assert (finding.code, finding.severity) == ("weight-felt", "serious")
    assert "zero moved +169 N; expelled propellant weighs 169 N. Are the tanks on the cell?" in finding.text


def test_tanks_off_the_cell_that_the_stand_file_has_on_it_are_asked_about():
    assert [f.code for f in judged(1, 0)] == ["weight-not-felt"]


def test_a_zero_that_moves_the_wrong_way_is_named():
    assert [f.code for f in judged(1, -1)] == ["weight-sign"]


def test_a_kilogram_that_does_not_add_up_is_a_caution_with_its_size():
    (finding,) = judged(1, 1, mass=16.2)
    assert (finding.code, finding.severity) == ("weight-mismatch", "caution")
    apart = float(re.search(r"That is ([\d.]+) N apart", finding.text)[1])
    assert apart == pytest.approx(1.0 * G, abs=0.2)  # two zeros at 0.06 N each, one printed decimal


def test_a_zero_that_moves_a_little_the_wrong_way_is_no_confused_unit():
    """A cell that moved -38 N where +169 N were expected: 4.4 times too little, but the other way."""
    step = zeros(1)
    wrong = dataclasses.replace(step, step=-17.2 * G / 4.448)
    weight = Measured(17.2 * G, 0.04 * G, "N")
    said = weight_findings("LC-1", wrong, sign=1, factor=1.0, weight=weight, relative_gain_u=0.006)
    assert "weight-unit" not in {finding.code for finding in said}
    right = dataclasses.replace(step, step=17.2 * G / 4.448)
    said = weight_findings("LC-1", right, sign=1, factor=1.0, weight=weight, relative_gain_u=0.006)
    assert [finding.code for finding in said] == ["weight-unit"]


def test_what_is_stated_of_the_hoses_is_in_the_comparison():
    weight = Measured(17.2 * G + 12.0, 0.04 * G, "N")
    plain = weight_findings("LC-1", zeros(1), sign=1, factor=1.0, weight=weight, relative_gain_u=0.006)
    hoses = weight_findings("LC-1", zeros(1), sign=1, factor=1.0, weight=weight, relative_gain_u=0.006, drift_u=5.0)
    assert [finding.code for finding in plain] == ["weight-mismatch"]
    assert hoses == []
