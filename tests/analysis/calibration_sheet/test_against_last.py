"""As found against the last revision: false alarms and shifts seen, with the same reference and with another."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from standbook.analysis.calibration.level_fit import fit_levels, zeros_taken_off
from standbook.analysis.calibration_sheet.against_last import SAME_U, against_last, sheet_u
from standbook.daq.config.calibration import Calibration
from tests.analysis.calibration.sheet_fixture import Drawn, drawn_sheet

PAIRS = 400
GAUGE = 1.44e-3  # of span, standard: class 0.25 as limits


def calibration_of(levels, fit, **more):
    return Calibration.model_validate(
        {
            "tag": "PT-9",
            "revision": "r01",
            "sensor": "drawn",
            "sensor_serial": "1",
            "date": dt.date(2031, 6, 2),
            "valid_until": dt.date(2032, 6, 1),
            "reference_serial": "G-1",
            "signal_unit": "V/V",
            "reading_unit": "bar(d)",
            "lowest": 0.0,
            "highest": 1.0,
            "pivot": fit.pivot,
            "coefficients": fit.coefficients.tolist(),
            "covariance": fit.covariance.tolist(),
            "zero_uncertainty": 0.02,
            "found": {"runs": levels.runs, "run_span": f"{100 * fit.run_scatter} %"},
            **more,
        }
    )


def compared(random, drawn, *, errors=(0.0, 0.0), shift=0.0, serial="G-1", reference=0.0):
    """Compare two drawn sheets of one sensor, whose references read too much by shares of the level."""
    sheets = []
    for error in errors:
        sheets.append(zeros_taken_off(drawn_sheet(random, drawn, lambda level, error=error: error * level)))
    (first, zeros), (second, later) = sheets
    fit = fit_levels(first, zeros=zeros)
    last = calibration_of(
        first, fit, reference_u={"of_reading": "0 %", "of_span": f"{100 * reference} %", "serial": "G-1"}
    )
    moved = second.signal.mean() + (second.signal - second.signal.mean()) * (1.0 + shift)
    second = replace(second, signal=moved)
    again = fit_levels(second, zeros=later)
    return against_last(last, second, second.signal, again, tared=True, serial=serial, reference=reference)


@pytest.mark.slow
def test_the_same_reference_hides_its_own_error_and_shows_the_sensors():
    random, drawn = np.random.default_rng(11), Drawn()
    quiet = [compared(random, drawn, errors=(2e-3, 2e-3)) for _ in range(PAIRS)]
    moved = [compared(random, drawn, errors=(2e-3, 2e-3), shift=2e-3) for _ in range(PAIRS)]
    assert np.mean([one.differs for one in quiet]) <= 0.01
    assert np.mean([one.differs for one in moved]) >= 0.95
    assert moved[0].span_shift == pytest.approx(2e-3, abs=6e-4)


@pytest.mark.slow
def test_another_reference_never_claims_less_than_its_u():
    random, drawn = np.random.default_rng(12), Drawn()
    found = []
    for _ in range(PAIRS):
        errors = tuple(GAUGE * random.standard_normal(2))
        found.append(compared(random, drawn, errors=errors, serial="G-2", reference=GAUGE))
    assert min(one.span_u for one in found) >= np.sqrt(2.0) * GAUGE
    assert np.mean([one.differs for one in found]) <= 0.01
    assert np.std([one.span_shift / one.span_u for one in found]) == pytest.approx(1.0, abs=0.15)


# Derived: 3 and 4.645 standard uncertainties of sqrt(2) 0.03 %.
def test_limit_and_what_is_surely_seen():
    found = compared(np.random.default_rng(13), Drawn(run=0.0, repeat=1e-6))
    assert found.span_u == pytest.approx(2.0**0.5 * SAME_U)
    assert found.limit == pytest.approx(0.13e-2, abs=5e-5)
    assert found.surely_seen == pytest.approx(0.20e-2, abs=5e-5)
    assert sheet_u(4e-4, 1) == 4e-4
