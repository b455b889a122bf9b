"""Drawing of one firing by its seed. SI, absolute pressures. The two liquids are the starter campaign's."""

import math
from dataclasses import dataclass

import numpy as np

from tests.worlds.channels import ChannelNote, Sensor
from tests.worlds.crew import Crew, draw_crew
from tests.worlds.draws import (
    BAR,
    Claims,
    draw_claims,
    draw_heat,
    draw_knee,
    draw_noise,
    draw_pressure_sensor,
    draw_stroke,
    log_even,
)
from tests.worlds.engine import Chamber, Engine, ideal_cstar
from tests.worlds.gas import gas_named
from tests.worlds.sampling import Sampling
from tests.worlds.stand import SIGNS, StandLaw
from tests.worlds.tank import GRAVITY, Tank
from tests.worlds.valve import Valve

FIRING_STRATA = ("closed", "oxidiser_on", "fuel_on", "gas_through")
ORIENTATIONS = tuple(SIGNS)
DENSITY = {"oxidiser": 1139.0, "fuel": 858.0}  # [kg/m3]
LIQUID = {"oxidiser": "liquid oxygen", "fuel": "isopropanol 70 % by mass in water"}


@dataclass(frozen=True, slots=True)
class CellClaims:
    """Standard uncertainties that the notes of cell, stand and engine claim, relative unless said otherwise."""

    factor: float
    line_load: float  # [N/Pa]
    alignment: float
    throat: float  # of the diameter
    expansion: float
    cstar: float  # of the efficiency, absolute
    coefficient: float  # of the efficiency, absolute


@dataclass(frozen=True, slots=True)
class FiringSetup:
    """Everything true of one firing before it burns."""

    seed: int
    stratum: str
    tanks: tuple[Tank, Tank]
    engine: Engine
    chamber: Chamber
    stand: StandLaw
    ambient: float
    crew: Crew
    burn: float  # seconds that it was made for
    leaves: float  # share of the scarcer load aboard when both valves are closed together
    flows_on: float  # until the crew shuts the other side [s]
    roughness: float  # of the chamber pressure, rms share
    sampling: Sampling
    sensors: tuple[Sensor, ...]  # LC-1, PT-11, PT-21, PT-31
    claims: Claims
    cell_claims: CellClaims
    limit_share: float  # true impulse over the class limit


def draw_mixture(random, stratum):
    """Return the burnt mixture ratio and the loads' ratio over it: who runs out first."""
    ratio = float(random.uniform(1.2, 1.7))
    spare = {
        "closed": (0.95, 1.05),
        "gas_through": (0.95, 1.05),
        "oxidiser_on": (1.12, 1.3),
        "fuel_on": (0.77, 0.89),
    }[stratum]
    return ratio, float(random.uniform(*spare))


@dataclass(frozen=True, slots=True)
class Wanted:
    """What one tank has to give."""

    name: str
    flow: float  # at the start [kg/s]
    load: float  # [kg]
    pressure: float  # at the start [Pa]
    chamber: float  # pressure that it flows against at the start [Pa]


def draw_firing_tank(random, wanted, valve, burn):
    """Draw one tank that gives what is wanted."""
    name, load, pressure = wanted.name, wanted.load, wanted.pressure
    cold = name == "oxidiser"
    gas = gas_named(str(random.choice(["helium", "nitrogen"])) if cold else "nitrogen", float(random.uniform(0.2, 1.0)))
    density = DENSITY[name]
    volume = load / density / float(random.uniform(0.35, 0.58))
    gas_temperature = float(random.uniform(210.0, 280.0)) if cold else 291.0 + float(random.normal(0.0, 1.5))
    residual = float(random.uniform(0.004, 0.02)) * load
    return Tank(
        name=name,
        gas=gas,
        volume=volume,
        diameter=(4.0 * volume / (math.pi * float(random.uniform(1.5, 4.0)))) ** (1.0 / 3.0),
        liquid_density=density,
        load=load,
        residual=residual,
        film=float(random.choice([0.0, 0.0, 1.0])) * float(random.uniform(0.0, 0.004)) * load,
        film_time=log_even(random, 0.2, 2.0),
        outlet_below_floor=float(random.uniform(0.1, 0.4)),
        start_pressure=pressure,
        gas_temperature=gas_temperature,
        wall_temperature=gas_temperature - float(random.uniform(0.0, 20.0)) if cold else 291.0,
        cda=wanted.flow / math.sqrt(2.0 * density * (pressure - wanted.chamber)),
        gas_contraction=float(random.uniform(1.0, 1.15)),
        knee=draw_knee(random, str(random.choice(["sharp", "soft", "soft"])), burn, gas),
        valve=valve,
        heat=draw_heat(random, gas),
        dissolved=0.0,
    )


def draw_engine(random, pressure):
    """Draw a chamber without its throat, and the chamber pressure that it shall begin with."""
    chamber = pressure * float(random.uniform(0.5, 0.7))
    shape = {
        "expansion": float(random.uniform(2.8, 3.8)),
        "cstar_efficiency": float(random.uniform(0.86, 0.97)),
        "vacuum_coefficient": 1.595,
        "coefficient_efficiency": float(random.uniform(0.93, 0.98)),
        "fill_time": log_even(random, 6e-3, 25e-3),
        "ignition": float(random.uniform(0.01, 0.12)),
    }
    return chamber, shape


def draw_stand(random, orientation, mass, claims):
    """Draw the stand; what its notes claim to bound lies within."""
    first = log_even(random, 25.0, 90.0)
    return StandLaw(
        nozzle=orientation,
        dry_mass=float(random.uniform(0.8, 2.5)) * mass + 10.0,
        modes=(first, first * float(random.uniform(2.2, 3.6))),
        damping=float(random.uniform(0.02, 0.07)),
        second=float(random.uniform(0.05, 0.3)),
        factor=float(random.uniform(0.99, 1.02)),
        shunting=0.7 * claims.factor * float(random.standard_normal()),
        line_load=claims.line_load * float(random.standard_normal()),
        hysteresis=float(random.uniform(0.0, 2e-4)),
        creep=float(random.uniform(-2e-4, 2e-4)),
        creep_time=log_even(random, 5.0, 60.0),
    )


def draw_cell(random, greatest, least):
    """Draw the load cell, which holds the greatest and the least force."""
    span = greatest - least
    full, lowest = greatest + 0.5 * span, least - 0.2 * span
    bits = int(random.integers(16, 25))
    gain_u, zero_u = log_even(random, 1e-3, 4e-3), log_even(random, 2e-4, 1e-3) * full
    note = ChannelNote(
        tag="LC-1",
        measures="thrust",
        tank="",
        unit="N",
        scale=1.0,
        bits=bits,
        lowest=lowest,
        step=(full - lowest) / 2**bits,
        highest=full,
        gain_u=gain_u,
        zero_u=zero_u,
        hysteresis_u=2e-4,
        latency=0.0,
    )
    zero = zero_u * float(random.standard_normal())
    drift = 0.2 * zero_u * float(random.standard_normal())
    return Sensor(note, gain_u * float(random.standard_normal()), zero, drift, 1e-3, draw_noise(random), 0.0)


def draw_chamber(random):
    """Draw tap, width and hot throat of a chamber; half of the crews have noted the first two."""
    return Chamber(
        width=log_even(random, 3.0, 10.0),
        tap=str(random.choice(["injector face", "before the nozzle"])),
        growth=float(random.uniform(0.0, 0.01)),
        noted=bool(random.uniform() < 0.5),
    )


def draw_cell_claims(random):
    """Draw what the notes of cell, stand and engine claim."""
    return CellClaims(
        factor=log_even(random, 1e-3, 4e-3),
        line_load=log_even(random, 0.02, 0.1) / BAR,
        alignment=1e-3,
        throat=log_even(random, 5e-4, 2e-3),
        expansion=0.01,
        cstar=float(random.uniform(0.01, 0.02)),
        coefficient=float(random.uniform(0.008, 0.015)),
    )


def draw_firing_sampling(random, seconds, clock):
    """Draw rate and stamps of a firing: mostly even."""
    fits = [rate for rate in (333.0, 500.0, 800.0, 1000.0, 2000.0) if rate * seconds <= 5e4]
    kind = str(random.choice(["even", "jitter", "host", "lost rows"], p=[0.7, 0.12, 0.12, 0.06]))
    scatter = float(random.uniform(0.02, 0.3))
    lost = 1e-3 if kind == "lost rows" else 0.0
    return Sampling(float(random.choice(fits)), kind, scatter, lost, clock * float(random.uniform(-1.0, 1.0)))


def draw_tanks(random, flows, loads, pressure, chamber, crew_and_burn):
    """Draw both tanks; their start pressures are a few percent apart, their valves as the crew has them."""
    crew, burn = crew_and_burn
    opens = {"oxidiser": crew.late_start + max(0.0, -crew.apart), "fuel": crew.late_start + max(0.0, crew.apart)}
    tanks = []
    for name in ("oxidiser", "fuel"):
        wanted = Wanted(name, flows[name], loads[name], pressure * float(random.uniform(0.97, 1.03)), chamber)
        valve = Valve(opens[name], draw_stroke(random), math.inf, draw_stroke(random))
        tanks.append(draw_firing_tank(random, wanted, valve, burn))
    return tuple(tanks)


def draw_sensors(random, stand, loads, thrust, pressure, chamber_and_ambient):
    """Draw the four channels: cell, both tanks, chamber."""
    chamber, ambient = chamber_and_ambient
    weight = SIGNS[stand.nozzle] * GRAVITY * (loads + stand.dry_mass)
    return (
        draw_cell(random, max(0.0, weight) + 1.25 * thrust, min(0.0, weight)),
        draw_pressure_sensor(random, "PT-11", "oxidiser", 1.05 * pressure, ambient),
        draw_pressure_sensor(random, "PT-21", "fuel", 1.05 * pressure, ambient),
        draw_pressure_sensor(random, "PT-31", "", 1.2 * chamber, ambient, measures="chamber pressure"),
    )


def sized(thrust, ratio, spare, burn, engine_and_chamber, ambient):
    """Return throat area, flows and loads by side for a thrust [N], a mixture and a burn time."""
    shape, chamber = engine_and_chamber
    cstar = shape["cstar_efficiency"] * ideal_cstar(ratio)
    coefficient = shape["coefficient_efficiency"] * 1.595 - shape["expansion"] * ambient / chamber
    flow = thrust / coefficient / cstar
    flows = {"oxidiser": flow * ratio / (1.0 + ratio), "fuel": flow / (1.0 + ratio)}
    loads = {name: 0.78 * burn * own for name, own in flows.items()}  # the mean flow is less than the first
    loads["oxidiser" if spare > 1.0 else "fuel"] *= max(spare, 1.0 / spare)
    return flow * cstar / chamber, flows, loads


def draw_firing(seed, stratum=None, orientation=None):
    """Draw one firing."""
    random = np.random.default_rng([seed, 20511])
    stratum = stratum or str(random.choice(FIRING_STRATA, p=[0.3, 0.2, 0.2, 0.3]))
    orientation = orientation or str(random.choice(ORIENTATIONS))
    crew, claims, cell_claims = draw_crew(random, firing=True), draw_claims(random), draw_cell_claims(random)
    burn, ambient = log_even(random, 3.0, 20.0), float(random.uniform(92e3, 102.5e3))
    pressure = log_even(random, 22e5, 48e5)
    chamber, shape = draw_engine(random, pressure)
    ratio, spare = draw_mixture(random, stratum)
    thrust = log_even(random, 400.0, 4000.0)
    area, flows, loads = sized(thrust, ratio, spare, burn, (shape, chamber), ambient)
    tanks = draw_tanks(random, flows, loads, pressure, chamber, (crew, burn))
    stand = draw_stand(random, orientation, sum(loads.values()), cell_claims)
    shape_of = draw_chamber(np.random.default_rng([seed, 20513]))
    return FiringSetup(
        seed=seed,
        stratum=stratum,
        tanks=tanks,
        engine=Engine(throat_area=area, face=shape_of.shares()[0], **shape),
        chamber=shape_of,
        stand=stand,
        ambient=ambient,
        crew=crew,
        burn=burn,
        sensors=draw_sensors(random, stand, sum(loads.values()), thrust, pressure, (chamber, ambient)),
        leaves=float(random.uniform(0.08, 0.25)),
        flows_on=float(random.uniform(0.5, 3.0)),
        roughness=log_even(random, 0.003, 0.025),
        sampling=draw_firing_sampling(random, 2.0 * burn + 15.0, claims.clock),
        claims=claims,
        cell_claims=cell_claims,
        limit_share=float(random.uniform(0.85, 1.08)),
    )
