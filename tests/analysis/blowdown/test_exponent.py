"""The exponent from pressure against volume, on records whose truth is the fitted law itself.

Biases compared with: derived in simulations of the same reference case (gas volume ratio 1.5, 35 bar abs, water, 10 s,
nitrogen), printed digits.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.analysis.blowdown.direct_cda import direct_cda
from standbook.analysis.blowdown.discharge_findings import exponent_findings
from standbook.analysis.blowdown.exponent import exponent_from_pv
from standbook.analysis.blowdown.record import NoteUncertainties
from standbook.analysis.results.quantities import Measured
from standbook.daq.errors import DataError
from tests.analysis.law_record import AMBIENT, CDA, EXACT, MASS_ONLY, NO_NOTES, TRUTH, make


def test_the_exponent_of_a_noise_free_record_is_its_truth():
    record = make()
    got = exponent_from_pv(record, sensor=EXACT, notes=NO_NOTES)
    L_end = np.log1p(record.expelled_mass / 998.2 / 0.02)
    assert got.end_log_ratio == pytest.approx(L_end, rel=1e-12)
    # truth is the fitted law: what is left is the quadrature over 500 means
    assert got.start.value == pytest.approx(1.48, abs=2e-4)
    assert got.drift.value == pytest.approx(-0.31, abs=6e-4)
    assert got.chord.value == pytest.approx(1.48 - 0.31 * L_end, abs=2e-4)
    assert exponent_findings(got, isentropic_exponent=1.459, channel=None) == []


def test_a_constant_exponent_shows_no_drift():
    got = exponent_from_pv(make(replace(TRUTH, exponent=1.3, exponent_drift=0.0)), sensor=EXACT, notes=NO_NOTES)
    assert got.drift.value == pytest.approx(0.0, abs=6e-4)
    assert got.start.value == pytest.approx(1.3, abs=2e-4)


def test_a_known_cda_stands_in_for_the_weighing():
    record = replace(make(), expelled_mass=None)
    got = exponent_from_pv(record, sensor=EXACT, notes=NO_NOTES, cda=Measured(CDA, 0.01 * CDA, "m2"))
    assert got.start.value == pytest.approx(1.48, abs=3e-4)
    by_cda = {t.source: t.u for t in got.budget}["CdA"]
    # mass +1 % moves n by -0.011 (constant n, this case); a known CdA 1 % high expels 1 % more
    assert by_cda == pytest.approx(0.011, abs=0.003)


@pytest.mark.parametrize(
    ("change", "expected", "printed_to"),
    [
        # ΔCdA in %, Δn of a constant-n fit with mass, from simulations of this case
        ({"ullage_volume": 0.0204}, 0.022, 0.003),
        ({"zero": 12.5e3}, -0.006, 0.001),
        ({"gain": 0.005}, 0.0, 0.001),
        ({"mass": 1.01}, -0.011, 0.003),
        ({"zero": 150e3}, -0.064, 0.012),
    ],
)
def test_one_wrong_input_moves_the_exponent_by_the_known_amount(change, expected, printed_to):
    base = make(replace(TRUTH, exponent=1.4, exponent_drift=0.0), duration=9.9)
    wrong = replace(
        base,
        pressure=base.pressure * (1 + change.get("gain", 0.0)) + change.get("zero", 0.0),
        ullage_volume=change.get("ullage_volume", 0.02),
        expelled_mass=base.expelled_mass * change.get("mass", 1.0),
    )
    before, after = (exponent_from_pv(r, sensor=EXACT, notes=NO_NOTES) for r in (base, wrong))
    assert after.chord.value - before.chord.value == pytest.approx(expected, abs=printed_to)


def test_an_exponent_without_volume_or_amount_is_refused():
    with pytest.raises(DataError, match="weigh the fill"):
        exponent_from_pv(replace(make(), ullage_volume=None), sensor=EXACT, notes=NO_NOTES)
    with pytest.raises(DataError, match="amount that left"):
        exponent_from_pv(replace(make(), expelled_mass=None), sensor=EXACT, notes=NO_NOTES)


def test_a_valve_never_fully_open_yields_no_exponent():
    with pytest.raises(DataError, match="too short for an exponent"):
        exponent_from_pv(replace(make(duration=0.6), stroke=0.3), sensor=EXACT, notes=NO_NOTES)


def test_the_correlation_with_the_ullage_volume_is_signed_and_at_most_one():
    alone = exponent_from_pv(make(), sensor=EXACT, notes=NoteUncertainties(ullage_volume_u=2e-4))
    assert alone.correlation_with_ullage_volume == pytest.approx(1.0, abs=0.02)
    mixed = exponent_from_pv(make(), sensor=EXACT, notes=NoteUncertainties(ullage_volume_u=5e-5, mass_u=0.05))
    assert 0.0 < mixed.correlation_with_ullage_volume < 0.7
    assert exponent_from_pv(make(), sensor=EXACT, notes=MASS_ONLY).correlation_with_ullage_volume is None


@settings(max_examples=15, deadline=None)
@given(scale=st.floats(0.3, 3.0))
def test_scaling_all_pressures_keeps_the_exponent(scale):
    base = make(rate=200.0)
    head = exponent_from_pv(base, sensor=EXACT, notes=NO_NOTES)
    scaled = replace(base, pressure=base.pressure * scale, back_pressure=AMBIENT * scale)
    got = exponent_from_pv(scaled, sensor=EXACT, notes=NO_NOTES)
    assert got.start.value == pytest.approx(head.start.value, abs=1e-9)
    assert got.chord.value == pytest.approx(head.chord.value, abs=1e-9)
    cda = [direct_cda(r, sensor=EXACT, notes=NO_NOTES).cda for r in (base, scaled)]
    assert cda[1] == pytest.approx(cda[0] / np.sqrt(scale), rel=1e-9)


@settings(max_examples=15, deadline=None)
@given(shift=st.floats(-1e4, 1e4))
def test_shifting_time_keeps_exponent_and_cda(shift):
    base = make(rate=200.0)
    later = replace(base, time=base.time + shift, opening_time=shift, end_time=9.0 + shift)
    # a sample can fall in or out of a window's edge when its instant is rounded: one in 1800
    assert direct_cda(later, sensor=EXACT, notes=NO_NOTES).cda == pytest.approx(
        direct_cda(base, sensor=EXACT, notes=NO_NOTES).cda, rel=1e-6
    )
    got, had = (exponent_from_pv(r, sensor=EXACT, notes=NO_NOTES).chord.value for r in (later, base))
    assert got == pytest.approx(had, abs=1e-4)


@settings(max_examples=15, deadline=None)
@given(cut=st.floats(1.0, 8.0))
def test_the_drive_integrals_of_two_parts_of_a_flow_add(cut):
    base = make(rate=1000.0)
    whole, first, second = (
        direct_cda(r, sensor=EXACT, notes=NO_NOTES).drive_integral
        for r in (base, replace(base, end_time=cut), replace(base, opening_time=cut))
    )
    assert first + second == pytest.approx(whole, rel=2e-6)
