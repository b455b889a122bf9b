"""A sheet worked out: what the reference leaves open of gauges, absolute sensors and cells."""

import datetime as dt
import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.analysis.calibration.readings_sheet import ReadingsSheet
from standbook.analysis.calibration_sheet.calibrate import calibrate_sheet, run_that_differs
from standbook.analysis.calibration_sheet.calibration_text import calibration_text
from standbook.analysis.calibration_sheet.sheet_sentences import sentences
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.toml_document import parse_document
from standbook.daq.errors import ConfigError
from tests.readings_sheets import GAUGE, cell_sheet, pressure_sheet

DAY = dt.date(2031, 6, 2)
RANGE = ('signal_unit = "V/V"', 'signal_unit = "V/V", range = ["0 bar(g)", "60 bar(g)"]')
ABSOLUTE = (
    'signal_unit = "V/V"',
    'signal_unit = "V/V", reading_unit = "bar(a)", range = ["0 bar(a)", "62 bar(a)"]',
)
BAROMETER = ('height = "40 m"', 'height = "40 m", barometer = "97.8 +/- 0.15 kPa(a)"')


def worked_out(*changes, text=None, last=None):
    text = text or pressure_sheet()
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return calibrate_sheet(parse_document(text, ReadingsSheet, "sheet"), DAY, last, "sheet")


def written(c, revision="r01"):
    return parse_document(calibration_text(c, revision, "readings/PT-11_2031-06-02.toml"), Calibration, "written")


def test_the_first_calibration_of_a_sensor_needs_no_older_one():
    c = worked_out(RANGE)
    assert c.comparison is None
    assert "No earlier revision" in sentences(c, "r01").comparison
    found = written(c)
    assert found.supersedes is None
    assert found.valid_until == DAY + dt.timedelta(days=365)


def test_an_absolute_sensor_keeps_its_zeros():
    c = worked_out(ABSOLUTE, BAROMETER)
    assert not c.zeroed
    assert written(c).fit.estimator.startswith("equal weights")
    assert "zeros" not in written(c).fit.estimator
    assert c.levels.signal == pytest.approx(c.raw)
    assert {term.source for term in c.reading_u(31.0).terms} >= {"reference", "column and barometer"}


def test_a_certificate_is_a_share_of_reading_and_a_part_beside_it():
    certificate = GAUGE.replace(
        'class = "0.25 % of 60 bar(g)"', 'certificate_u = "0.12 %", certificate_level_u = "0.04 bar(g)"'
    )
    found = written(worked_out(RANGE, (GAUGE, certificate)))
    assert found.reference_uncertainty.value == pytest.approx(1.2e-3)
    assert found.reference_span_u() == pytest.approx(0.04, rel=1e-4)
    assert found.reference_u.levels_alike.value == pytest.approx(0.4)


# Worked: class 0.25 gauge of 60 bar, three runs: 0.088 bar at 31 bar, still 0.087 bar at 9 bar. Derived.
def test_the_file_claims_a_class_at_every_pressure():
    found = written(worked_out(RANGE))
    for pressure in (9.0, 31.0):
        u = math.hypot(found.slope_u() * pressure, found.zero_u())
        assert u == pytest.approx(0.087, abs=0.003)


@pytest.mark.parametrize("pressure", [6.0, 9.0, 31.0, 50.0])
def test_the_file_claims_no_less_than_the_curve_leaves_open_inside_the_range(pressure):
    c = worked_out(RANGE)
    found = written(c)
    assert math.hypot(found.slope_u() * pressure, found.zero_u()) >= c.reading_u(pressure).u * 0.99


def test_a_cell_claims_the_largest_share_of_its_readings():
    cell = ('signal_unit = "mV/V"', 'signal_unit = "mV/V", range = ["0 N", "5000 N"]')
    c = worked_out(cell, text=cell_sheet())
    found = written(c)
    assert c.sources.tared
    for share in (0.25, 0.5, 1.0):
        load = share * 1960.945
        assert found.slope_u() * load >= c.reading_u(load).terms[0].u * 0.999


def test_a_run_apart_is_named():
    text = pressure_sheet(repeat=1e-6)
    head, *runs = text.split("[[run]]")
    moved = re.sub(r'"(0\.\d+) V/V"', lambda m: f'"{0.1 + (float(m[1]) - 0.1) * 1.004:.6f} V/V"', runs[1])
    c = worked_out(RANGE, text="[[run]]".join([head, runs[0], moved, runs[2]]))
    assert run_that_differs(c) == 2
    assert any(sentence.startswith("Run 2 has another span") for sentence in sentences(c, "r01").review)
    assert run_that_differs(worked_out(RANGE)) is None


@pytest.mark.parametrize(("allowed", "enough"), [("1 bar(g)", True), ("0.1 bar(g)", False)])
def test_a_calibration_may_take_half_of_what_the_objective_allows(allowed, enough):
    c = worked_out(RANGE, ('by = "DAQ"', f'good_for = {{ at = "31 bar(g)", allowed = "{allowed}" }}'))
    said = sentences(c, "r01")
    assert any("the objective allows" in sentence for sentence in said.review) != enough
    assert written(c).good_for.at == "31 bar(g)"


def test_the_curve_does_not_depend_on_what_the_reference_claims():
    one, other = worked_out(RANGE), worked_out(RANGE, ("0.25 %", "1 %"))
    assert np.array_equal(one.fit.coefficients, other.fit.coefficients)
    assert other.reading_u(31.0).u > 3.0 * one.reading_u(31.0).u


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_any_number_in_a_sheet_is_refused_or_comes_back(data):
    text = pressure_sheet(runs=1).replace(*RANGE)
    places = list(re.finditer(r"\d+\.?\d*", text))
    place = places[data.draw(st.integers(0, len(places) - 1))]
    new = data.draw(st.sampled_from(["0", "-1", "1e300", "1e-300", "7", "0.5", "99999999999999999999", "1e9"]))
    try:
        c = worked_out(text=text[: place.start()] + new + text[place.end() :])
    except ConfigError:
        return
    assert written(c).coefficients == pytest.approx(tuple(c.fit.coefficients))
    assert sentences(c, "r01").result


def test_the_file_says_how_much_more_the_curve_leaves_open_at_its_ends():
    claim = 'certificate_u = "0.12 %", certificate_level_u = "0.04 bar(g)"'
    for reference in (GAUGE, GAUGE.replace('class = "0.25 % of 60 bar(g)"', claim)):
        text = calibration_text(worked_out(RANGE, (GAUGE, reference)), "r01", "readings/PT-11_2031-06-02.toml")
        more = float(re.search(r"the curve leaves up to (\S+) of it", text)[1])
        assert 1.0 <= more < 1.25
