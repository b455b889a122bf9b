"""Recovery from a truth richer than anything that is fitted, all claimed errors drawn.

Truth: real nitrogen (reference equation of state) that expands while walls and liquid warm it, Nu = 0.13 Ra^(1/3)
at the wall and 0.14 at the surface (textbook, from memory), valve strokes of 0.15 s, a falling head; gas volume
ratio 1.5, 35 bar abs, water, about 10 s. Required of a flow closed early: CdA bias <= 0.3 %, sd <= 0.5 %; chord
exponent bias <= 0.01, sd <= 0.015; spread of error over u 0.8 to 1.2.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from standbook.analysis.blowdown.direct_cda import direct_cda
from standbook.analysis.blowdown.exponent import exponent_from_pv
from standbook.analysis.blowdown.joint_fit import joint_fit
from standbook.analysis.blowdown.record import DischargeRecord, NoteUncertainties, SensorUncertainties
from standbook.analysis.physics.blowdown import Head
from standbook.analysis.signal.valve_events import closing_time, knee_time, opening_time

AMBIENT = 101325.0
ROOM = 293.15
FULL_SCALE = 50e5
DENSITY = 999.0
TANK, ULLAGE, START = 0.030, 0.020, 35e5
CDA = 1.45e-5
AREA = np.pi * 0.1**2
HEIGHT = 0.6
OPENED, CLOSED, STROKE = 4.0, 13.0, 0.15
STEP = 0.005


@dataclass(frozen=True, slots=True)
class Truth:
    pressure: CubicSpline
    last: float
    mass: float
    end: float  # effective end of the liquid's flow
    chord: float


def simulate(*, run_dry: bool, heat: float) -> Truth:
    import CoolProp

    gas = CoolProp.AbstractState("HEOS", "Nitrogen")
    gas.update(CoolProp.PT_INPUTS, START, ROOM)
    mass, energy = gas.rhomass() * ULLAGE, gas.umass()
    liquid = TANK - ULLAGE

    def rates(time, expelled, energy):
        gas.update(CoolProp.DmassUmass_INPUTS, mass / (ULLAGE + expelled), energy)
        pressure, temperature, rho = gas.p(), gas.T(), gas.rhomass()
        rayleigh = 9.81 * rho**2 * gas.cpmass() * abs(ROOM - temperature) / temperature
        film = heat * gas.conductivity() * (rayleigh / (gas.viscosity() * gas.conductivity())) ** (1 / 3)
        wall = AREA + 2 * np.sqrt(np.pi * AREA) * (ULLAGE + expelled) / AREA
        warming = film * (0.13 * wall + 0.14 * AREA) * (ROOM - temperature)
        opened = np.clip((time - OPENED) / STROKE + 0.5, 0.0, 1.0)
        shut = 0.0 if run_dry else np.clip((time - CLOSED) / STROKE + 0.5, 0.0, 1.0)
        if expelled < liquid:
            drive = pressure - AMBIENT + DENSITY * 9.80665 * (HEIGHT - expelled / AREA)
            flow = opened * (1 - shut) * CDA * np.sqrt(2 * drive / DENSITY)
        else:
            flow = CDA * np.sqrt(2 * (pressure - AMBIENT) / rho) * (1.0 if run_dry else 0.0)
        return flow, (warming - pressure * flow) / mass, pressure

    steps = int(20.0 / STEP)
    table = np.empty((steps, 2))
    expelled = 0.0
    for i in range(steps):
        time = i * STEP
        flow, change, pressure = rates(time, expelled, energy)
        table[i] = pressure, expelled
        middle_flow, middle_change, _ = rates(time + STEP / 2, expelled + flow * STEP / 2, energy + change * STEP / 2)
        expelled += middle_flow * STEP
        energy += middle_change * STEP
    time = np.arange(steps) * STEP
    end = float(time[np.argmax(table[:, 1] >= liquid)]) if run_dry else CLOSED
    settled = end if run_dry else end + STROKE / 2 + STEP
    pressure = CubicSpline(time, table[:, 0])
    gone = min(expelled, liquid)
    chord = np.log(pressure(OPENED - STROKE) / pressure(settled)) / np.log1p(gone / ULLAGE)
    return Truth(pressure, float(time[-1]), DENSITY * gone, end, float(chord))


@pytest.fixture(scope="module")
def closed_early():
    return [simulate(run_dry=False, heat=heat) for heat in (0.3, 1.0, 3.0)]


SENSOR = SensorUncertainties(gain_u=0.005 / np.sqrt(3), zero_u=0.0025 * FULL_SCALE / np.sqrt(3))
MASS_U, VOLUME_U, DENSITY_U, AMBIENT_U, CLOCK_U = 0.0025, 0.0043 / 1.96, 0.3, 500.0, 5e-5


def analyse(truth, rng, *, rate=1000.0, noise=0.001, run_dry=False, errors=True):
    size = 1.0 if errors else 0.0

    def draw(u):
        return size * u * rng.standard_normal()

    time = np.arange(0.0, truth.last, 1.0 / rate)
    pressure = truth.pressure(time) * (1 + draw(SENSOR.gain_u)) + draw(SENSOR.zero_u)
    pressure = pressure + size * noise * FULL_SCALE * rng.standard_normal(time.size)
    code = 1.25 * FULL_SCALE / 2**16
    pressure = np.round(pressure / code) * code
    time = time * (1 + draw(CLOCK_U))
    opening = opening_time(time, pressure)
    find = knee_time if run_dry else closing_time
    end = find(time, pressure, start=opening.time + 1.0)
    notes = NoteUncertainties(
        ullage_volume_u=VOLUME_U * ULLAGE,
        mass_u=MASS_U * truth.mass,
        density_u=DENSITY_U,
        ambient_u=AMBIENT_U,
        clock_u=CLOCK_U,
        opening_u=opening.u,
        end_u=end.u,
    )
    record = DischargeRecord(
        time=time,
        pressure=pressure,
        back_pressure=AMBIENT + draw(AMBIENT_U),
        density=DENSITY + draw(DENSITY_U),
        opening_time=opening.time,
        end_time=end.time,
        ullage_volume=ULLAGE * (1 + draw(VOLUME_U)),
        expelled_mass=truth.mass * (1 + draw(MASS_U)),
        head=Head(HEIGHT, AREA),
        ran_dry=run_dry,
    )
    direct = direct_cda(record, sensor=SENSOR, notes=notes)
    return direct, exponent_from_pv(record, sensor=SENSOR, notes=notes), record, notes


@pytest.mark.parametrize("which", [0, 1, 2])
def test_a_clean_real_gas_flow_gives_its_own_cda_and_chord(closed_early, which):
    truth = closed_early[which]
    direct, exponent, _, _ = analyse(truth, np.random.default_rng(0), errors=False)
    assert direct.cda == pytest.approx(CDA, rel=5e-4)
    # a law of three terms instead of the gas: 0.004 left at the strongest heat transfer
    assert exponent.chord.value == pytest.approx(truth.chord, abs=0.005)
    assert 1.44 < exponent.start.value < 1.50
    assert -0.9 < exponent.drift.value < -0.03


@pytest.mark.slow
def test_a_hundred_drawn_flows_closed_early_meet_the_required_accuracy(closed_early):
    rows = []
    for k in range(100):
        truth = closed_early[k % 3]
        direct, exponent, _, _ = analyse(truth, np.random.default_rng(k))
        rows.append([direct.cda / CDA - 1, direct.u / CDA, exponent.chord.value - truth.chord, exponent.chord.u])
    cda, cda_u, chord, chord_u = np.array(rows).T
    assert abs(cda.mean()) <= 0.003
    assert cda.std() <= 0.005
    assert abs(chord.mean()) <= 0.010
    assert chord.std() <= 0.015
    # the spread of 100 pulls scatters by 7 %
    assert 0.8 < np.std(cda / cda_u) < 1.2
    assert 0.8 < np.std(chord / chord_u) < 1.2
    assert 88 <= np.sum(np.abs(cda / cda_u) < 1.96) <= 100
    assert 88 <= np.sum(np.abs(chord / chord_u) < 1.96) <= 100


@pytest.mark.slow
def test_a_flow_to_the_knee_stays_within_its_stated_bias():
    truth = simulate(run_dry=True, heat=1.0)
    rows = []
    for k in range(12):
        direct, exponent, _, _ = analyse(truth, np.random.default_rng(k), run_dry=True)
        rows.append([direct.cda / CDA - 1, direct.u / CDA, exponent.chord.value - truth.chord])
    cda, u, chord = np.array(rows).T
    assert abs(cda.mean()) <= 0.008
    assert (np.abs(cda) < 2.5 * u).all()
    assert abs(chord.mean()) <= 0.010


def test_the_joint_fit_follows_the_mass_and_not_the_law(closed_early):
    """With ten times less noise ten thousand samples would drag CdA 2 % after a law that is only nearly right."""
    truth = closed_early[1]
    for noise in (0.001, 0.0001):
        _, exponent, record, notes = analyse(truth, np.random.default_rng(5), noise=noise)
        got = joint_fit(record, sensor=SENSOR, notes=notes)
        assert all(got.facts.values()), got.facts
        assert got.cda.value == pytest.approx(CDA, abs=2.5 * got.cda.u)
        assert abs(got.departure) < 1.0
        assert got.chord.value == pytest.approx(exponent.chord.value, abs=0.01)


def test_a_constant_exponent_is_not_a_flow_coefficient(closed_early):
    """Why pressure alone is refused: forced to constant n it fits within noise and is tens of percent wrong."""
    from standbook.analysis.physics.blowdown import Discharge, discharge_sensitivity
    from standbook.analysis.signal.least_squares import nonlinear_least_squares

    time = np.linspace(0.3, 8.7, 200)
    pressure = closed_early[1].pressure(time + OPENED)

    def model(b):
        trial = Discharge(
            start_pressure=START,
            ullage_volume=ULLAGE,
            exponent=b[0],
            cda=CDA * np.exp(b[1]),
            density=DENSITY,
            back_pressure=AMBIENT,
            end_volume=0.06,
            opening_time=b[2],
        )
        return discharge_sensitivity(time, trial)

    found = nonlinear_least_squares(
        lambda b: (model(b)[0] - pressure) / 5e3,
        lambda b: model(b)[2].pressure[:, [0, 2, 3]] / 5e3,
        np.array([1.36, 0.0, 0.0]),
        lower=np.array([0.3, -1.0, -1.0]),
        upper=np.array([2.0, 1.0, 1.0]),
    )
    # derived elsewhere for this case: CdA +68 %, residual 0.07 % rms (sensor noise 0.2 % of reading)
    assert np.exp(found.value[1]) > 1.3
    assert np.std(found.residual) * 5e3 < 1e-3 * pressure.mean()
