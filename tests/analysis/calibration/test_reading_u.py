"""The uncertainty of a later reading: degrees of freedom, the shape of the loop, what drops out with the zero."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t

from standbook.analysis.calibration.level_fit import fit_levels, zeros_taken_off
from standbook.analysis.calibration.reading_u import ReadingU, Sources, UTerm, reading_u
from tests.analysis.calibration.sheet_fixture import Drawn, drawn_sheet


def fitted(runs=3, seed=1):
    levels, zeros = zeros_taken_off(drawn_sheet(np.random.default_rng(seed), Drawn(), lambda x: 0.0 * x, runs=runs))
    return fit_levels(levels, zeros=zeros)


def term(found, source):
    return {one.source: one.u for one in found.terms}.get(source, 0.0)


# Welch and Satterthwaite in closed form: equal terms of 2 and many degrees of freedom leave 8. [GUM] G.4.1
def test_degrees_of_freedom_and_their_factor():
    two = ReadingU(reading=1.0, terms=(UTerm(source="a", u=1.0, dof=2.0), UTerm(source="b", u=1.0)))
    assert two.u == pytest.approx(math.sqrt(2.0))
    assert two.dof == pytest.approx(8.0)
    assert two.coverage_factor == pytest.approx(t.ppf(0.975, 8.0), rel=1e-9)
    assert ReadingU(reading=1.0, terms=(UTerm(source="a", u=1.0),)).coverage_factor == pytest.approx(1.96, abs=1e-3)


def test_a_single_run_is_worth_two_degrees_of_freedom():
    found = reading_u(fitted(runs=1), Sources(reference=(), tared=True), 1.0)
    assert term(found, "from run to run") == pytest.approx(4e-4 * math.sqrt(2.0), rel=1e-3)
    assert 2.0 <= found.dof < 3.0
    assert found.coverage_factor > 3.0


def test_a_loop_is_closed_at_both_ends_and_widest_in_the_middle():
    sources = Sources(reference=(), tared=True, loop=1e-3)
    middle, quarter, end = (term(reading_u(fitted(), sources, x), "hysteresis") for x in (0.5, 0.25, 1.0))
    assert middle == pytest.approx(0.5e-3 / math.sqrt(3.0))
    assert quarter == pytest.approx(0.75 * middle)
    assert end == 0.0


def test_what_moves_zero_drops_out_where_zero_is_taken_off():
    common = {"reference": (), "zero": 1e-3, "offset": 1e-3, "temperature": 1e-3, "creep": 1e-3, "resolution": 1e-3}
    kept = {one.source for one in reading_u(fitted(), Sources(tared=False, **common), 0.5).terms}
    left = {one.source for one in reading_u(fitted(), Sources(tared=True, **common), 0.5).terms}
    assert kept - left == {
        "zero drift since then",
        "column and barometer",
        "zero by temperature",
        "zero from run to run",
    }


@settings(max_examples=30, deadline=None)
@given(st.floats(0.05, 1.0), st.floats(0.0, 1e-2))
def test_one_more_source_never_makes_a_reading_surer(share, creep):
    fit = fitted()
    bare = reading_u(fit, Sources(reference=(), tared=True), share)
    more = reading_u(fit, Sources(reference=(), tared=True, creep=creep), share)
    assert more.u >= bare.u
    assert more.u**2 - bare.u**2 == pytest.approx(creep**2 / 3.0, rel=1e-6, abs=1e-15)
