"""CdA from the weighed liquid, on records whose truth is the fitted law itself.

Budgets compared with: derived in simulations of the same reference case, printed digits.
"""

from dataclasses import replace

import numpy as np
import pytest

from standbook.analysis.blowdown.direct_cda import direct_cda
from standbook.analysis.blowdown.joint_fit import joint_fit
from standbook.analysis.blowdown.record import DischargeRecord, NoteUncertainties, SensorUncertainties
from standbook.analysis.physics.blowdown import Head
from standbook.daq.errors import DataError
from tests.analysis.law_record import AMBIENT, CDA, EXACT, MASS_ONLY, NO_NOTES, TRUTH, make


@pytest.mark.parametrize("stroke", [0.0, 0.2, 0.6])
@pytest.mark.parametrize("rate", [100.0, 1000.0])
@pytest.mark.parametrize("head", [None, Head(1.5, 0.03)])
def test_direct_cda_of_a_noise_free_record_is_exact_to_a_twentieth_of_a_percent(stroke, rate, head):
    record = make(replace(TRUTH, head=head), rate=rate, stroke=stroke)
    got = direct_cda(record, sensor=EXACT, notes=NO_NOTES)
    assert got.cda == pytest.approx(CDA, rel=5e-4)  # required
    if rate == 1000.0 and stroke <= 0.2:
        assert got.cda == pytest.approx(CDA, rel=3e-5)  # reached


def test_direct_cda_does_not_depend_on_the_gas():
    for exponent, drift in ((1.0, 0.0), (1.4, 0.0), (1.7, -0.4)):
        record = make(replace(TRUTH, exponent=exponent, exponent_drift=drift))
        got = direct_cda(replace(record, ullage_volume=None), sensor=EXACT, notes=NO_NOTES)
        assert got.cda == pytest.approx(CDA, rel=3e-5)


def test_the_budget_of_cda_is_what_each_input_does_to_it():
    record = make(noise=5e3)
    sensor = SensorUncertainties(gain_u=0.003, zero_u=7e3)
    notes = NoteUncertainties(
        mass_u=0.02, density_u=0.5, ambient_u=500.0, clock_u=1e-3, opening_u=0.01, end_u=0.01, ullage_volume_u=1e-4
    )
    got = direct_cda(record, sensor=sensor, notes=notes)
    share = {term.source: term.u / got.cda for term in got.budget}
    inside = (record.time >= 0.0) & (record.time <= 9.0)
    drive = record.pressure[inside] - AMBIENT
    root = np.sqrt(drive)
    # closed forms of the relative sensitivities: CdA = m / (sqrt(2 rho) integral of root)
    assert share["expelled mass"] == pytest.approx(0.02 / record.expelled_mass, rel=1e-3)
    assert share["density"] == pytest.approx(0.5 * 0.5 / 998.2, rel=1e-3)
    assert share["clock rate"] == pytest.approx(1e-3, rel=2e-3)
    assert share["pressure zero"] == pytest.approx(7e3 / 2 * np.mean(1 / root) / np.mean(root), rel=5e-3)
    assert share["ambient pressure"] == pytest.approx(500 / 2 * np.mean(1 / root) / np.mean(root), rel=5e-3)
    assert share["pressure gain"] == pytest.approx(
        0.003 / 2 * np.mean(record.pressure[inside] / root) / np.mean(root), rel=5e-3
    )
    assert share["opening instant"] == pytest.approx(0.01 * root[:200].mean() / (9.0 * root.mean()), rel=0.02)
    assert share["end instant"] == pytest.approx(0.01 * root[-200:].mean() / (9.0 * root.mean()), rel=0.02)
    assert share["ullage volume"] == 0.0
    assert 0.0 < share["noise"] < 1e-4
    assert got.u == pytest.approx(np.sqrt(sum(term.u**2 for term in got.budget)))
    assert [term.u for term in got.budget] == sorted((term.u for term in got.budget), reverse=True)


def test_a_gauge_sensor_with_a_free_jet_does_not_feel_the_barometer():
    notes = NoteUncertainties(ambient_u=5e3)
    gauge = direct_cda(make(), sensor=SensorUncertainties(reads_zero_at=AMBIENT), notes=notes)
    absolute = direct_cda(make(), sensor=EXACT, notes=notes)
    assert {t.source: t.u for t in gauge.budget}["ambient pressure"] == 0.0
    assert {t.source: t.u for t in absolute.budget}["ambient pressure"] > 0.0


def test_noise_does_not_bias_cda_and_its_share_is_its_scatter():
    got = [direct_cda(make(noise=2e4, seed=k), sensor=EXACT, notes=NO_NOTES) for k in range(40)]
    relative = np.array([g.cda for g in got]) / CDA - 1.0
    u = np.mean([g.u / g.cda for g in got])
    assert abs(relative.mean()) < 4 * u / np.sqrt(40) + 3e-5  # 3e-5: noise-free error above
    assert 0.7 < relative.std() / u < 1.3  # 40 runs: the ratio scatters by 11 %


def test_spikes_do_not_move_cda_and_are_told():
    record = make(noise=5e3)
    rng = np.random.default_rng(3)
    spoilt = record.pressure.copy()
    spoilt[rng.choice(spoilt.size, spoilt.size // 100, replace=False)] += 20e5
    got = direct_cda(replace(record, pressure=spoilt), sensor=EXACT, notes=NO_NOTES, channel="PT-11")
    assert got.cda == pytest.approx(CDA, rel=2e-4)
    assert [(f.code, f.channel) for f in got.findings] == [("pressure-spikes", "PT-11")]


def test_a_flow_run_to_the_knee_says_so_and_widens_u():
    got = direct_cda(replace(make(), ran_dry=True), sensor=EXACT, notes=NO_NOTES)
    assert {t.source: t.u for t in got.budget}["run-out"] == pytest.approx(0.005 * got.cda)
    assert got.findings[0].code == "flow-ran-to-knee"
    assert "0.5 % high" in got.findings[0].text


def test_a_back_pressure_that_varies_enters_sample_by_sample():
    """A firing: chamber pressure falls with the tank's. Truth: constant CdA, flow integrated on a fine grid."""
    time = np.arange(-2.0, 10.0, 1e-3)
    tank = np.where(time > 0, 30e5 * np.exp(-0.06 * np.maximum(time, 0.0)), 30e5)
    chamber = np.where(time > 0, AMBIENT + 20e5 * np.exp(-0.07 * np.maximum(time, 0.0)), AMBIENT)
    flowing = (time >= 0.0) & (time <= 9.0)
    mass = CDA * np.sqrt(2 * 998.2) * np.trapezoid(np.sqrt(tank - chamber)[flowing], time[flowing])
    record = DischargeRecord(
        time=time,
        pressure=tank,
        back_pressure=chamber,
        density=998.2,
        opening_time=0.0,
        end_time=9.0,
        expelled_mass=float(mass),
    )
    notes = NoteUncertainties(
        back_pressure_u=5e3, back=SensorUncertainties(gain_u=0.003), free_jet=False, ambient_u=100.0
    )
    got = direct_cda(record, sensor=EXACT, notes=notes)
    assert got.cda == pytest.approx(CDA, rel=3e-4)
    share = {t.source: t.u / got.cda for t in got.budget}
    assert share["ambient pressure"] == 0.0
    # half of 0.3 % of some 15 bar over some 10 bar of drive
    assert share["back pressure gain"] == pytest.approx(0.5 * 0.003 * 15 / 8, rel=0.3)
    with pytest.raises(DataError, match="needs one back pressure"):
        joint_fit(replace(record, ullage_volume=0.02), sensor=EXACT, notes=MASS_ONLY)


def test_a_flow_window_without_samples_is_refused():
    with pytest.raises(DataError, match=r"flow window 50.000 to 59.000 s holds 0 samples"):
        direct_cda(replace(make(), opening_time=50.0, end_time=59.0), sensor=EXACT, notes=NO_NOTES)


def test_a_tank_below_its_back_pressure_is_refused():
    with pytest.raises(DataError, match="nothing drives the liquid"):
        direct_cda(replace(make(), back_pressure=40e5), sensor=EXACT, notes=NO_NOTES)
