"""The joint fit, on records whose truth is the fitted law itself. A richer truth is in test_fit_recovery.py."""

from dataclasses import replace

import numpy as np
import pytest

from standbook.analysis.blowdown.direct_cda import direct_cda
from standbook.analysis.blowdown.joint_fit import FITTED, joint_fit
from standbook.analysis.blowdown.record import NoteUncertainties, SensorUncertainties, thinned
from standbook.analysis.physics.blowdown import Head
from standbook.daq.errors import DataError
from tests.analysis.law_record import AMBIENT, CDA, EXACT, MASS_ONLY, NO_NOTES, TRUTH, make


def test_the_joint_fit_of_a_noise_free_record_is_its_truth():
    record = replace(make(replace(TRUTH, head=Head(0.8, 0.03))), opening_time=0.01)
    got = joint_fit(record, sensor=EXACT, notes=MASS_ONLY)
    assert got.exponent.value == pytest.approx(1.48, abs=1e-5)
    assert got.drift.value == pytest.approx(-0.31, abs=1e-4)
    assert got.cda.value == pytest.approx(CDA, rel=1e-5)
    assert got.opening.value == pytest.approx(0.0, abs=1e-5)
    assert got.facts["converged"]
    assert got.facts["covariance usable"]
    assert got.facts["inside its bounds"]


@pytest.mark.slow
def test_the_joint_fit_recovers_truth_within_its_uncertainty_and_agrees_with_the_direct_value():
    pulls = []
    for k in range(30):
        record = make(noise=5e3, seed=k)
        rng = np.random.default_rng(1000 + k)
        record = replace(record, expelled_mass=record.expelled_mass + 0.02 * rng.standard_normal())
        got = joint_fit(record, sensor=EXACT, notes=MASS_ONLY)
        assert all(got.facts.values()), got.facts
        pulls.append(
            [
                (got.exponent.value - 1.48) / got.exponent.u,
                (got.cda.value - CDA) / got.cda.u,
                (got.opening.value) / got.opening.u,
            ]
        )
    spread = np.std(pulls, axis=0)
    # CdA is the mass here: its spread must be 1 (30 runs: 13 %). Exponent and opening also carry what the law
    # leaves on a real gas, absent in this truth, so they may only be narrower.
    assert 0.65 < spread[1] < 1.35
    assert (spread[[0, 2]] < 1.35).all()


def test_covariance_and_correlation_belong_together():
    got = joint_fit(
        make(noise=5e3),
        sensor=SensorUncertainties(gain_u=0.003, zero_u=7e3),
        notes=NoteUncertainties(mass_u=0.02, ullage_volume_u=5e-5),
    )
    np.testing.assert_allclose(
        np.sqrt(np.diag(got.covariance)), [got.exponent.u, got.drift.u, got.cda.u, got.opening.u]
    )
    np.testing.assert_allclose(np.diag(got.correlation), 1.0)
    assert (np.linalg.eigvalsh(got.correlation) > 0).all()
    assert set(got.budget) == {*FITTED, "chord"}
    for name, u in zip(FITTED, (got.exponent.u, got.drift.u, got.cda.u, got.opening.u), strict=True):
        assert np.sqrt(sum(t.u**2 for t in got.budget[name])) == pytest.approx(u)


def test_a_shift_in_the_joint_fit_is_what_a_refit_of_shifted_data_finds():
    record = make(noise=5e3)
    sensor = SensorUncertainties(zero_u=7e3)
    got = joint_fit(record, sensor=sensor, notes=MASS_ONLY)
    moved = joint_fit(replace(record, pressure=record.pressure + 7e3), sensor=sensor, notes=MASS_ONLY)
    shares = {t.source: t.u for t in got.budget["exponent"]}
    # the weights of the second fit differ a little, hence 3 %
    assert abs(moved.exponent.value - got.exponent.value) == pytest.approx(shares["pressure zero"], rel=0.03)


def test_correlated_noise_is_seen_and_counted():
    from scipy.signal import lfilter

    record = make()
    rho = np.exp(-1 / 50.0)
    noise = lfilter(
        [1.0], [1.0, -rho], 5e3 * np.sqrt(1 - rho**2) * np.random.default_rng(4).standard_normal(record.time.size)
    )
    got = joint_fit(replace(record, pressure=record.pressure + noise), sensor=EXACT, notes=MASS_ONLY)
    assert got.correlation_time == pytest.approx((1 + rho) / (1 - rho), rel=0.5)
    white = joint_fit(make(noise=5e3), sensor=EXACT, notes=MASS_ONLY)
    assert white.correlation_time < 1.5


def test_pressure_alone_is_refused():
    record = replace(make(noise=5e3), expelled_mass=None)
    with pytest.raises(DataError, match="cannot both be had from a pressure trace alone"):
        joint_fit(record, sensor=EXACT, notes=MASS_ONLY)
    with pytest.raises(DataError, match="with its uncertainty"):
        joint_fit(make(), sensor=EXACT, notes=NO_NOTES)
    with pytest.raises(DataError, match="CdA needs an amount"):
        direct_cda(record, sensor=EXACT, notes=MASS_ONLY)


def test_pressure_alone_would_be_nearly_degenerate_in_exponent_and_cda():
    """Derived elsewhere: corr(n, ln CdA) = -0.999 for a constant-n fit with P0 given."""
    from standbook.analysis.physics.blowdown import PARAMETERS, discharge_sensitivity

    time = np.linspace(0.1, 9.9, 400)
    _, _, by = discharge_sensitivity(time, replace(TRUTH, exponent=1.4, exponent_drift=0.0))
    J = by.pressure[:, [PARAMETERS.index(name) for name in ("exponent", "log_cda", "opening_time")]]
    covariance = np.linalg.inv(J.T @ J)
    assert covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]) == pytest.approx(-0.999, abs=1.5e-3)


def test_a_static_reading_below_the_back_pressure_is_refused():
    record = make()
    dead = np.where(record.time < 0.0, 5e4, record.pressure)
    with pytest.raises(DataError, match="static pressure does not stand above the back pressure"):
        joint_fit(replace(record, pressure=dead), sensor=EXACT, notes=MASS_ONLY)


def test_a_record_of_a_million_samples_is_thinned_without_moving_the_result():
    base = make(noise=5e3, rate=50e3)
    assert thinned(base).time.size < base.time.size / 10
    assert thinned(make()).time.size == make().time.size
    long = joint_fit(base, sensor=EXACT, notes=MASS_ONLY)
    assert long.cda.value == pytest.approx(CDA, rel=2e-4)
    assert long.exponent.value == pytest.approx(1.48, abs=2e-3)
    varying = replace(base, back_pressure=np.full(base.time.size, AMBIENT))
    assert direct_cda(varying, sensor=EXACT, notes=NO_NOTES).cda == pytest.approx(CDA, rel=2e-4)
