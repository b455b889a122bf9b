"""Frozen records of the second world: truth, what was recorded, what the crew noted. SI, absolute pressures.

Times in seconds after T-0, the command edge. ``flow_case(seed)`` is the way in.
"""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tests.worlds.channels import ChannelNote, counts, felt
from tests.worlds.draws import FlowSetup, draw_flow, noted
from tests.worlds.flow_course import flow_course, liquid_end
from tests.worlds.noise import hammer
from tests.worlds.sampling import stamped, taken

LONGEST_BLOW_DOWN = 6.0  # recorded gas after the liquid where nobody shuts the valve [s]


@dataclass(frozen=True, slots=True)
class Noted:
    """One value as noted."""

    value: float
    u: float


@dataclass(frozen=True, slots=True)
class TankNote:
    """What the plan says of a tank."""

    name: str
    liquid: str
    pressurant: str
    volume: Noted
    load: Noted
    density: Noted
    residual: Noted
    diameter: float
    outlet_below_floor: float
    start_pressure: Noted
    cda: Noted
    exponent: Noted
    gas_temperature: Noted


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowNotes:
    """What the crew wrote down of a cold flow."""

    tank: TankNote
    ambient: Noted
    caught: Noted | None
    left: Noted | None
    runs_dry: bool
    close_after: float | None
    mains: float
    clock_tolerance: float
    edges: tuple[tuple[str, int, float], ...]  # line, level, time


@dataclass(frozen=True, slots=True)
class FlowTruth:
    """What was true of a cold flow."""

    cda: float  # of the liquid's orifice [m2]
    chord: float  # ln(P0/P1) / ln(V1/V0) over the liquid flow, up to first gas [-]
    opened: float  # as of a sudden opening [s]
    ended: float  # as of a sudden end [s]
    first_gas: float  # not a number where none came [s]
    end: str  # "closed" | "sharp" | "soft" | "record end"
    out: float  # liquid that came out, until the valve was shut [kg]
    load: float  # [kg]
    start_pressure: float  # when the valve began to move [Pa]
    film: float  # of ``out``, dripped after gas came [kg]


@dataclass(frozen=True, slots=True, eq=False)
class FlowCase:
    """One cold flow."""

    seed: int
    stratum: str
    setup: FlowSetup
    truth: FlowTruth
    notes: FlowNotes
    channels: tuple[ChannelNote, ...]
    times: np.ndarray  # when rows were truly taken (N,) [s]
    stamps: np.ndarray  # what clock they carry (N,) [s]
    counts: Mapping[str, np.ndarray]  # by tag, each (N,)
    fault: str = ""


def flow_case(seed, *, stratum=None):
    """Make one healthy cold flow by its seed."""
    return record_flow(draw_flow(seed, stratum))


def record_flow(setup):
    """Run, record and note one cold flow."""
    random = np.random.default_rng([setup.seed, 20502])
    setup, course, end = run_flow(setup)
    truth = flow_truth(setup, course)
    times = taken(setup.sampling, -setup.crew.hold, end)
    kept, stamps = stamped(setup.sampling, random, times)
    reading = counts(setup.sensor, random, times, pressure_reading(setup, course, times))
    note = setup.sensor.note
    return FlowCase(
        seed=setup.seed,
        stratum=setup.stratum,
        setup=setup,
        truth=truth,
        notes=flow_notes(setup, truth, random),
        channels=(note,),
        times=times[kept],
        stamps=stamps,
        counts={note.tag: reading[kept]},
    )


def run_flow(setup):
    """Return the setup with the crew's movements, the course, and the instant at which the record ends."""
    tank, crew, valve_of = setup.tank, setup.crew, setup.tank.valve
    stays = tank.residual + setup.leaves * (tank.load - tank.film - tank.residual)
    stops = []
    coarse = min(max(setup.duration / 500.0, 0.01), 0.06)

    def closing(t, liquid, dry):
        if setup.stratum in ("closed", "record_end"):
            closes = t if liquid <= stays else None
        elif math.isinf(dry):
            closes = None
        else:
            closes = dry + crew.late_closing
        if closes is None:
            return None
        stops.append(record_stop(setup, closes, dry))
        again = closes + valve_of.closing.seconds + crew.reopens_after
        valve = dataclasses.replace(valve_of, closes=closes, reopens=again)
        end = max(stops[0], closes + valve_of.closing.seconds if math.isfinite(closes) else 0.0)
        soon = crew.vent_before_end and math.isfinite(closes)
        vents = stops[0] - crew.vent_before_end if soon else math.inf
        return dataclasses.replace(tank, valve=valve, vents=vents, vent_area=2.0 * tank.cda), end + 0.3

    tank_then, course = flow_course(tank, setup.ambient, -crew.hold - 0.5, closing, coarse=coarse)
    return dataclasses.replace(setup, tank=tank_then), course, stops[0]


def record_stop(setup, closes, dry):
    """Return when the record ends. [s]."""
    if math.isfinite(setup.stops_at):
        return setup.crew.late_start + setup.stops_at * (closes - setup.crew.late_start)
    if math.isinf(closes):
        return dry + LONGEST_BLOW_DOWN
    return closes + setup.tank.valve.closing.seconds + setup.crew.after


def flow_truth(setup, course):
    """Read the truth off a course."""
    tank = setup.tank
    first, ended = liquid_end(tank, course)
    gas_came = math.isfinite(first) and first < tank.valve.closes
    opened = tank.valve.opened
    ended = ended if gas_came else tank.valve.closed
    last = first if gas_came else tank.valve.closes + tank.valve.closing.seconds
    p, v = (course.at(np.array([tank.valve.opens, last]), column) for column in (course.pressure, course.ullage))
    return FlowTruth(
        cda=tank.cda,
        chord=float(np.log(p[0] / p[1]) / np.log(v[1] / v[0])),
        opened=opened,
        ended=ended,
        first_gas=first,
        end=setup.stratum.replace("_", " "),
        out=float(course.out[-1]),
        load=tank.load,
        start_pressure=float(p[0]),
        film=tank.film - float(course.film[-1]),
    )


def pressure_reading(setup, course, times):
    """Return the clean reading of the tank's sensor. (N,)."""
    step = min(1e-3, 1.0 / setup.sampling.rate)
    fine = np.arange(times[0] - 0.4, times[-1] + 2.0 * step, step)
    pressure = course.at(fine, course.pressure)
    share, frequency, decay = setup.ring
    valve = setup.tank.valve
    if share and math.isfinite(valve.closes) and setup.stratum == "closed":
        at = valve.closes + 0.7 * valve.closing.seconds
        pressure = pressure + hammer(fine, at, share * float(course.at(at, course.pressure)), frequency, decay)
    return felt(setup.sensor, times, fine, pressure)


def flow_notes(setup, truth, random):
    """Write down what the crew knows, each in error as it claims."""
    tank, claims, valve = setup.tank, setup.claims, setup.tank.valve
    runs_dry = setup.stratum in ("sharp", "soft")
    aboard = tank.load - truth.out
    u_caught, u_left = claims.caught * truth.out, claims.caught * tank.load
    edges = [("valve", 1, 0.0)]
    if math.isfinite(valve.closes):
        edges.append(("valve", 0, valve.closes - float(random.uniform(0.02, 0.1))))
    wants_left = bool(random.random() < 0.3)
    usual = aboard if runs_dry and math.isinf(valve.closes) else tank.residual  # as this tank always leaves
    return FlowNotes(
        tank=tank_note(random, dataclasses.replace(tank, residual=usual), claims, truth),
        ambient=Noted(noted(random, setup.ambient, claims.ambient), claims.ambient),
        caught=None if wants_left else Noted(noted(random, truth.out, u_caught), u_caught),
        left=Noted(noted(random, aboard, u_left), u_left) if wants_left else None,
        runs_dry=runs_dry,
        close_after=None if runs_dry else valve.closes - valve.opens,
        mains=setup.sensor.noise.mains,
        clock_tolerance=claims.clock,
        edges=tuple(edges),
    )


def tank_note(random, tank, claims, truth, liquid="water"):
    """Write down one tank; ``truth`` has its chord exponent and start pressure."""
    residual = max(tank.residual, 1e-3 * tank.load)

    def about(true, u):
        return Noted(noted(random, true, u), u)

    return TankNote(
        name=tank.name,
        liquid=liquid,
        pressurant=tank.gas.name,
        volume=about(tank.volume, claims.volume * tank.volume),
        load=about(tank.load, claims.load * tank.load),
        density=about(tank.liquid_density, claims.density * tank.liquid_density),
        residual=Noted(abs(noted(random, residual, 0.1 * residual)), 0.1 * residual),
        diameter=tank.diameter,
        outlet_below_floor=tank.outlet_below_floor,
        start_pressure=about(truth.start_pressure, claims.start * truth.start_pressure),
        cda=about(tank.cda, claims.cda * tank.cda),
        exponent=about(truth.chord, claims.exponent),
        gas_temperature=about(tank.gas_temperature, 1.5),
    )
