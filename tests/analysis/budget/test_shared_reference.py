"""One standard, or one barometer, under several readings moves them together: differences keep only their own share."""

import dataclasses
import math

import numpy as np
import pytest

from standbook.analysis.blowdown.record import NoteUncertainties, SensorUncertainties
from standbook.analysis.blowdown.shifted_flows import BY_LEVEL, changes, ranked
from standbook.analysis.dataset.channel import pair_u
from standbook.daq.quantity import parse_quantity
from tests.analysis.budget.steady_flow import steady_flow
from tests.analysis.dataset.test_supply import calibration, channel

AIR = parse_quantity("1.0 bar(a)", "pressure")
STANDARD = 0.002


def gauged(tag="PT-1", serial="TG-0117", unit="bar(g)"):
    """A sensor without any doubt but its standard's, and the barometer's where it is a gauge."""
    made = calibration(tag=tag, reading_unit=unit, reference_uncertainty="0.2 %", reference_serial=serial)
    return dataclasses.replace(channel(tag, supply="", supply_u=0.0), calibration=made)


def drop_u(one, other, ambient=AIR):
    return pair_u(one, 31e5, other, 16e5, ambient).of(1.0, -1.0)


def test_a_drop_between_two_sensors_of_one_standard_has_its_own_share_of_it():
    assert drop_u(gauged(), gauged("PT-2")) == pytest.approx(STANDARD * 15e5, rel=1e-6)
    apart = STANDARD * math.hypot(30e5, 15e5)
    assert drop_u(gauged(), gauged("PT-2", serial="TG-0118")) == pytest.approx(apart, rel=1e-6)


def test_a_standard_that_nobody_named_is_shared_with_nothing():
    unnamed = gauged("PT-1", serial=""), gauged("PT-2", serial="")
    assert drop_u(*unnamed) == pytest.approx(STANDARD * math.hypot(30e5, 15e5), rel=1e-6)


def test_two_readings_alone_are_as_uncertain_as_before():
    one, other = gauged(), gauged("PT-2")
    pair = pair_u(one, 31e5, other, 16e5, AIR)
    assert pair.of(1.0, 0.0) == pytest.approx(one.reading_u(31e5, AIR), rel=1e-12)
    assert pair.of(0.0, 1.0) == pytest.approx(other.reading_u(16e5, AIR), rel=1e-12)


def test_the_barometer_drops_out_of_the_difference_of_two_gauges_and_of_no_other():
    coarse = parse_quantity("1.0 +/- 0.1 bar(a)", "pressure")
    for unit, left in (("bar(g)", 0.0), ("bar(a)", 0.1e5)):
        one, other = gauged(), gauged("PT-2", unit=unit)
        calm = drop_u(one, other, ambient=AIR)
        assert drop_u(one, other, ambient=coarse) == pytest.approx(math.hypot(calm, left), rel=1e-6)


def cda_shares(serial):
    sensor = SensorUncertainties(gain_u=STANDARD, reference="reference TG", reference_u=STANDARD, reads_zero_at=1e5)
    notes = NoteUncertainties(
        back=SensorUncertainties(
            gain_u=STANDARD, reference=f"reference {serial}", reference_u=STANDARD, reads_zero_at=1e5
        )
    )
    found = changes(lambda of: np.array([of.cda()]), steady_flow(4e5), sensor, notes)
    return {source: float(change[0]) / steady_flow(4e5).cda() for source, change in found.items()}


def test_cda_feels_half_of_a_standard_under_both_sides_and_more_of_two():
    # CdA goes as the drop to the power of -1/2; the drop is 10 - 4 bar(a), the gauges read 9 and 3 bar(g): by hand
    assert cda_shares("TG") == {"reference standard": pytest.approx(-0.5 * STANDARD, rel=5e-3)}
    apart = cda_shares("another")
    assert apart["pressure gain"] == pytest.approx(-0.5 * STANDARD * 9.0 / 6.0, rel=5e-3)
    assert apart["back pressure gain"] == pytest.approx(0.5 * STANDARD * 4.0 / 6.0, rel=5e-3)  # of absolute zero
    assert "reference standard" not in apart


def test_what_is_a_sensor_s_own_stays_its_own():
    sensor = SensorUncertainties(gain_u=0.005, reference="reference TG", reference_u=0.003, reads_zero_at=1e5)
    notes = NoteUncertainties(back=SensorUncertainties(gain_u=0.005, reference="reference TG", reference_u=0.003))
    found = changes(lambda of: np.array([of.cda()]), steady_flow(4e5), sensor, notes)
    cda = steady_flow(4e5).cda()
    assert float(found["pressure gain"][0]) / cda == pytest.approx(-0.5 * 0.004 * 1.5, rel=1e-2)  # 5, 4, 3
    assert float(found["back pressure gain"][0]) / cda == pytest.approx(0.5 * 0.004 * 4.0 / 6.0, rel=1e-2)


# --- a standard whose class is a share of its span ------------------------------------------------------------------

SPAN_U = 0.0025 * 60.0 / math.sqrt(3.0)  # bar: class 0.25 of 60 bar as limits, EN 837-1 confirmed


def of_span(tag="PT-1", serial="TG-0117"):
    """A sensor of 60 bar calibrated on a gauge of which only the class is known."""
    split = {"of_reading": "0 %", "of_span": f"{100 * SPAN_U / 60.0} %", "serial": serial}
    made = calibration(tag=tag, reference_serial=serial, reference_u=split)
    return dataclasses.replace(channel(tag, supply="", supply_u=0.0), calibration=made)


def test_a_class_counts_the_same_at_every_pressure():
    for pressure in (9e5, 31e5, 60e5):
        assert of_span().reading_u(pressure, AIR) == pytest.approx(1e5 * SPAN_U, rel=1e-6)


def test_redundant_sensors_of_one_gauge_do_not_average_its_class():
    pair = pair_u(of_span(), 31e5, of_span("PT-2"), 31e5, AIR)
    assert pair.of(0.5, 0.5) == pytest.approx(1e5 * SPAN_U, rel=1e-6)
    assert pair.of(1.0, -1.0) == pytest.approx(0.0, abs=1.0)
    apart = pair_u(of_span(), 31e5, of_span("PT-2", serial="TG-0118"), 31e5, AIR)
    assert apart.of(0.5, 0.5) == pytest.approx(1e5 * SPAN_U / math.sqrt(2.0), rel=1e-6)


def test_a_drop_sees_what_a_gauge_is_off_by_from_level_to_level():
    found = pair_u(of_span(), 31e5, of_span("PT-2"), 16e5, AIR).of(1.0, -1.0)
    alike = math.exp(-0.5 * (15.0 / 24.0) ** 2)  # 40 % of 60 bar
    # three waves stand for all of them: to 0.2 % here
    assert found == pytest.approx(1e5 * SPAN_U * math.sqrt(2.0 * (1.0 - alike)), rel=3e-3)
    assert found > 1e5 * SPAN_U * 15.0 / 60.0  # were all of it gain


def test_cda_sees_of_a_class_what_the_drop_sees_and_no_more():
    # the drop is 10 - 4 bar(a); CdA goes as its root: by hand
    level = of_span().level_error
    sensor = SensorUncertainties(zero_u=level.u, reference="reference TG", level_error=level, reads_zero_at=1e5)
    alike = math.exp(-0.5 * (6.0 / 24.0) ** 2)
    for serial, left in (("TG", math.sqrt(2.0 * (1.0 - alike))), ("another", math.sqrt(2.0))):
        notes = NoteUncertainties(back=dataclasses.replace(sensor, reference=f"reference {serial}"))
        found = changes(lambda of: np.array([of.cda()]), steady_flow(4e5), sensor, notes)
        shares = {source: abs(float(change[0])) / steady_flow(4e5).cda() for source, change in found.items()}
        whole = math.hypot(*shares.values())
        assert whole == pytest.approx(0.5 * left * 1e5 * SPAN_U / 6e5, rel=1e-2)  # of second order: 1 % of 1 %
        named = {BY_LEVEL} if serial == "TG" else {"pressure zero", "back pressure"}
        assert {term.source for term in ranked(shares)} == named
        assert math.hypot(*(term.u for term in ranked(shares))) == pytest.approx(whole, rel=1e-12)
