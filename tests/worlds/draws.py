"""Ranges of the second world and the drawing of one cold flow by its seed. SI, absolute pressures."""

import math
from dataclasses import dataclass

import numpy as np

from tests.worlds.channels import ChannelNote, Sensor
from tests.worlds.crew import Crew, draw_crew
from tests.worlds.discharge import Knee
from tests.worlds.gas import GASES, gas_named
from tests.worlds.noise import Noise
from tests.worlds.sampling import KINDS, RATES, Sampling
from tests.worlds.tank import GRAVITY, Heat, Tank
from tests.worlds.valve import Stroke, Valve

STRATA = ("closed", "sharp", "soft", "record_end")
ROOM = 291.15  # [K]
WATER = 998.6  # at 18 degC [kg/m3]
BAR = 1e5
LEAST_END_PRESSURE = 3.5e5  # [Pa]; below it nothing would flow as planned


def log_even(random, low, high):
    """Draw between two values, even in their logarithm."""
    return float(math.exp(random.uniform(math.log(low), math.log(high))))


def noted(random, true, u):
    """Return what is noted of a true value: off by a normal error of the standard uncertainty that is claimed."""
    return float(true - u * random.standard_normal())


@dataclass(frozen=True, slots=True)
class Claims:
    """Relative standard uncertainties that the notes claim."""

    volume: float
    load: float
    caught: float  # of the mass that came out
    density: float
    ambient: float  # [Pa]
    cda: float
    exponent: float  # absolute
    start: float
    clock: float  # half-width


@dataclass(frozen=True, slots=True)
class FlowSetup:
    """Everything true of one cold flow before it runs."""

    seed: int
    stratum: str
    tank: Tank
    ambient: float
    crew: Crew
    duration: float  # that the area was made for [s]
    stops_at: float  # record ends so far into the flow, as share of ``duration``; infinite: after the flow
    sampling: Sampling
    sensor: Sensor
    claims: Claims
    ring: tuple[float, float, float]  # hammer at closing: share of pressure, frequency [Hz], decay [s]
    leaves: float  # usable share of the load aboard when the valve closes


def draw_heat(random, gas):
    """Draw a heat law: the rate reaches from a fifth to five times the middle one."""
    kind = str(random.choice(["none", "lumped", "lumped", "layer", "layer"]))
    middle = 110.0 if gas.name == "helium" else 35.0  # [W/m2/K], natural convection at some tens of bar: judgement
    return Heat(
        kind,
        middle * log_even(random, 0.2, 5.0),
        float(random.uniform(0.0, 2.0)),
        log_even(random, 3e3, 3e4),
        log_even(random, 1.0, 20.0),
    )


def draw_stroke(random):
    """Draw how a valve moves one way."""
    return Stroke(
        log_even(random, 0.04, 0.5), str(random.choice(["exponential", "exponential", "s"])), log_even(random, 5, 50)
    )


def draw_knee(random, stratum, duration, gas):
    """Draw how gas comes to the outlet; a knee as long as the flow would have no end to name.

    Beside a core helium leaves so fast that a long knee would empty the tank of gas before its liquid: it is shorter.
    """
    if stratum == "sharp":
        return Knee("sharp", log_even(random, 0.02, 0.06), float(random.uniform(0.5, 1.0)))
    kind = str(random.choice(["mixture", "vortex", "slugs"]))
    low, share = (0.02, 0.005) if gas.name == "helium" and kind != "mixture" else (0.06, 0.045)
    return Knee(
        kind,
        log_even(random, low, min(1.0, share * duration) + 1.5 * low),
        float(random.uniform(0.5, 2.5)),
        float(random.uniform(4.0, 9.0)),
        float(random.uniform(0.3, 0.9)),
    )


def draw_noise(random):
    """Draw one channel's noise: white, pink and telegraph together stay below about 0.4 % of full scale."""
    return Noise(
        white=log_even(random, 1e-4, 1.5e-3),
        pink=float(random.choice([0.0, 1.0, 1.0])) * float(random.uniform(0.0, 2.0)),
        telegraph=float(random.choice([0.0, 0.0, 1.0])) * float(random.uniform(0.2, 1.0)),
        dwell=log_even(random, 0.2, 3.0),
        hum=float(random.choice([0.0, 1.0])) * log_even(random, 1e-4, 2e-3),
        mains=float(random.choice([50.0, 60.0])),
        harmonics=(0.4 * random.random(), 0.5 * random.random(), 0.0, 0.3 * random.random()),
        phase=float(random.uniform(0.0, 2.0 * math.pi)),
    )


def draw_sampling(random, seconds, clock):
    """Draw rate and stamps; long records are not taken at the highest rates."""
    fits = [rate for rate in RATES if rate * seconds <= 6e4] or [RATES[0]]
    rate = float(random.choice(fits))
    kind = str(random.choice(KINDS, p=[0.5, 0.15, 0.1, 0.15, 0.1]))
    if kind == "whole ms" and rate > 1000.0:
        kind = "even"
    return Sampling(
        rate=rate,
        kind=kind,
        scatter=float(random.uniform(0.02, 0.5 if kind == "jitter" else 0.3)),
        lost=log_even(random, 5e-4, 1e-2) if kind == "lost rows" else 0.0,
        clock_error=clock * float(random.uniform(-1.0, 1.0)),
    )


def draw_pressure_sensor(random, tag, tank, greatest, ambient, *, measures="tank pressure"):
    """Draw a pressure channel that holds ``greatest`` [Pa] at 40 to 85 % of its range; half are gauges."""
    gauge = bool(random.integers(2))
    full = greatest / float(random.uniform(0.4, 0.85)) / BAR
    bits = int(random.integers(12, 25))
    gain_u, zero_u = log_even(random, 1e-3, 3e-3), log_even(random, 4e-4, 1.5e-3) * full
    lag = log_even(random, 1e-3, 25e-3)
    note = ChannelNote(
        tag=tag,
        measures=measures,
        tank=tank,
        unit="bar(g)" if gauge else "bar(a)",
        scale=BAR,
        bits=bits,
        lowest=-0.05 * full,
        step=1.1 * full / 2**bits,
        highest=full,
        gain_u=gain_u,
        zero_u=zero_u,
        hysteresis_u=2e-4,
        latency=lag * float(random.uniform(0.8, 1.2)) if random.integers(2) else 0.0,
    )
    return Sensor(
        note,
        gain_u * float(random.standard_normal()),
        zero_u * float(random.standard_normal()),
        0.1 * zero_u * float(random.standard_normal()),
        lag,
        draw_noise(random),
        ambient / BAR if gauge else 0.0,
    )


def emptying_area(start, ullage, out, density, duration):
    """Return the flow area that lets this volume out in this time, by a middling gas law. [m2]."""
    gas = np.linspace(ullage, ullage + out, 200)
    drive = np.maximum(start * (ullage / gas) ** 1.25 - BAR, 2e4)
    return float(np.trapezoid(1.0 / np.sqrt(2.0 * drive / density), gas)) / duration


def draw_claims(random):
    """Draw how well the crew says it knows things."""
    return Claims(
        volume=log_even(random, 1.5e-3, 5e-3),
        load=log_even(random, 1e-3, 4e-3),
        caught=log_even(random, 1e-3, 5e-3),
        density=log_even(random, 2e-4, 1e-3),
        ambient=log_even(random, 50.0, 300.0),
        cda=float(random.uniform(0.02, 0.05)),
        exponent=float(random.uniform(0.05, 0.1)),
        start=float(random.uniform(0.003, 0.01)),
        clock=float(random.choice([50e-6, 50e-6, 1e-3])),
    )


def draw_size(random):
    """Draw volume, start pressure and filled share that leave pressure at the end."""
    while True:
        volume, start = log_even(random, 4e-3, 80e-3), log_even(random, 8e5, 60e5)
        fill = float(random.uniform(0.3, 0.8))
        if start * (1.0 - fill) ** 1.35 > LEAST_END_PRESSURE:
            return volume, start, fill


def draw_tank(random, stratum, duration, crew):
    """Draw a tank of water and the share of its usable load that stays aboard."""
    volume, start, fill = draw_size(random)
    gas = gas_named(str(random.choice(GASES)), float(random.uniform(0.2, 1.0)))
    density = WATER
    load = fill * volume * density
    leaves = float(random.uniform(0.06, 0.4)) if stratum in ("closed", "record_end") else 0.0
    runs_dry = stratum in ("sharp", "soft")
    residual = float(random.uniform(0.002, 0.01)) * load
    film = float(random.uniform(0.0, 0.005)) * load if runs_dry and random.random() < 0.4 else 0.0
    out = (load - residual) * (1.0 - leaves) / density
    tank = Tank(
        name="tank",
        gas=gas,
        volume=volume,
        diameter=(4.0 * volume / (math.pi * float(random.uniform(1.5, 5.0)))) ** (1.0 / 3.0),
        liquid_density=density,
        load=load,
        residual=residual,
        film=film,
        film_time=log_even(random, 0.2, 2.0),
        outlet_below_floor=float(random.uniform(0.05, 0.5)),
        start_pressure=start,
        gas_temperature=ROOM + float(random.normal(0.0, 1.5)),
        wall_temperature=ROOM,
        cda=emptying_area(start, volume - load / density, out, density, duration),
        gas_contraction=float(random.uniform(1.0, 1.15)),
        knee=draw_knee(random, stratum, duration, gas),
        valve=Valve(crew.late_start, draw_stroke(random), math.inf, draw_stroke(random)),
        heat=draw_heat(random, gas),
        dissolved=float(random.choice([0.0, 0.0, 1.0])) * float(random.uniform(0.0, 0.004)),
    )
    return tank, leaves


def draw_flow(seed, stratum=None):
    """Draw one cold flow."""
    random = np.random.default_rng([seed, 20501])
    stratum = stratum or STRATA[int(random.choice(4, p=[0.42, 0.2, 0.3, 0.08]))]
    crew = draw_crew(random)
    duration = log_even(random, 2.0, 50.0)
    ambient = float(random.uniform(92e3, 102.5e3))
    claims = draw_claims(random)
    tank, leaves = draw_tank(random, stratum, duration, crew)
    greatest = tank.start_pressure + tank.liquid_density * GRAVITY
    return FlowSetup(
        seed=seed,
        stratum=stratum,
        tank=tank,
        ambient=ambient,
        crew=crew,
        duration=duration,
        stops_at=float(random.uniform(0.5, 0.9)) if stratum == "record_end" else math.inf,
        sampling=draw_sampling(random, duration + 15.0, claims.clock),
        sensor=draw_pressure_sensor(random, "PT-1", "tank", greatest, ambient),
        claims=claims,
        ring=(
            float(random.choice([0.0, 1.0])) * log_even(random, 0.002, 0.02),
            log_even(random, 6.0, 40.0),
            log_even(random, 0.03, 0.2),
        ),
        leaves=leaves,
    )
