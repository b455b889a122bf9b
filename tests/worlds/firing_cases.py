"""Frozen records of firings: truth, counts, notes. SI, absolute pressures, seconds after T-0, the command edge."""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from tests.worlds.cases import Noted, TankNote, tank_note
from tests.worlds.channels import ChannelNote, counts, felt
from tests.worlds.draws import noted
from tests.worlds.engine import Chamber
from tests.worlds.firing_course import firing_course
from tests.worlds.firing_draws import LIQUID, FiringSetup, draw_firing
from tests.worlds.flow_course import liquid_end
from tests.worlds.noise import lagged, pink
from tests.worlds.sampling import stamped, taken
from tests.worlds.stand import cell_force
from tests.worlds.tank import GRAVITY

BLOW_DOWN = 3.0  # recorded gas after the last liquid where nobody shuts the valves [s]
FINE = 2.5e-4  # step of thrust and chamber pressure before the sensors [s]


@dataclass(frozen=True, slots=True)
class SideTruth:
    """What was true of one tank of a firing."""

    cda: float
    chord: float
    opened: float
    ended: float
    end: str  # "closed" | "run out"
    out: float  # [kg]
    start_pressure: float


@dataclass(frozen=True, slots=True)
class Burnt:
    """What was true of a stretch of burning."""

    cstar: float  # [m/s]
    isp: float  # [s]
    thrust_coefficient: float
    mixture_ratio: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Integrals:
    """What had been pushed, held and let out by each instant, roughness included; arrays of equal length."""

    time: np.ndarray  # [s]
    impulse: np.ndarray  # [N*s]
    pressure: np.ndarray  # of the chamber [Pa s]
    out: Mapping[str, np.ndarray]  # liquid, by tank [kg]
    throat_area: float  # [m2]

    def between(self, begin, end):
        """Return what was true between two instants."""

        def gained(column):
            return float(np.diff(np.interp([begin, end], self.time, column))[0])

        force, pressure = gained(self.impulse), gained(self.pressure)
        out = {name: gained(column) for name, column in self.out.items()}
        total = sum(out.values())
        return Burnt(
            cstar=self.throat_area * pressure / total,
            isp=force / total / GRAVITY,
            thrust_coefficient=force / self.throat_area / pressure,
            mixture_ratio=out["oxidiser"] / out["fuel"],
        )


@dataclass(frozen=True, slots=True)
class FiringTruth:
    """What was true of a firing."""

    impulse: float  # of true thrust, whole record [N*s]
    impulse_vacuum: float  # with the ambient pressure's share of the exit while thrust lasts [N*s]
    interval: tuple[float, float]  # inside which both liquids flow and burn [s]
    burnt: Burnt  # over the interval
    integrals: Integrals
    isp_delivered: float  # whole impulse over all liquid that left [s]
    mixture_ratio_all: float
    sides: Mapping[str, SideTruth]
    weight: tuple[np.ndarray, np.ndarray]  # times, liquid and gas aboard of both tanks [kg]


@dataclass(frozen=True, slots=True, kw_only=True)
class FiringNotes:
    """What the crew wrote down of a firing."""

    tanks: tuple[TankNote, TankNote]
    left: Mapping[str, Noted]  # weighed after the run [kg]
    ambient: Noted
    throat_diameter: Noted
    expansion: Noted
    chamber: Chamber | None  # noted width and tap
    cstar_efficiency: Noted
    coefficient_efficiency: Noted
    nozzle: str
    modes: tuple[float, ...]
    moving_mass: float
    factor: Noted
    line_load: Noted  # [N/Pa]
    alignment: float
    limit: float  # of the class [N*s]
    mains: float
    clock_tolerance: float
    edges: tuple[tuple[str, int, float], ...]


@dataclass(frozen=True, slots=True, eq=False)
class FiringCase:
    """One firing."""

    seed: int
    stratum: str
    setup: FiringSetup
    truth: FiringTruth
    notes: FiringNotes
    channels: tuple[ChannelNote, ...]
    times: np.ndarray
    stamps: np.ndarray
    counts: Mapping[str, np.ndarray]
    fault: str = ""


def firing_case(seed, *, stratum=None, orientation=None):
    """Make one healthy firing by its seed."""
    return record_firing(draw_firing(seed, stratum, orientation))


def record_firing(setup):
    """Burn, record and note one firing."""
    random = np.random.default_rng([setup.seed, 20512])
    setup, course, end = run_as_named(setup)
    times = taken(setup.sampling, -setup.crew.hold, end)
    kept, stamps = stamped(setup.sampling, random, times)
    fine = np.arange(times[0] - 0.4, times[-1] + 2e-3, FINE)
    rough, chamber = roughness(setup, random, fine, course)
    truth = firing_truth(setup, course, rough, fine)
    clean = clean_readings(setup, course, fine, rough, chamber)
    recorded = {
        s.note.tag: counts(s, random, times, felt(s, times, fine, c)) for s, c in zip(setup.sensors, clean, strict=True)
    }
    return FiringCase(
        seed=setup.seed,
        stratum=setup.stratum,
        setup=setup,
        truth=truth,
        notes=firing_notes(setup, truth, random),
        channels=tuple(s.note for s in setup.sensors),
        times=times[kept],
        stamps=stamps,
        counts={tag: values[kept] for tag, values in recorded.items()},
    )


def run_as_named(setup):
    """Run a firing; where the wrong tank ran dry first, the other is loaded fuller and it runs again."""
    wanted = {"oxidiser_on": 0, "fuel_on": 1}.get(setup.stratum)
    for _ in range(5):
        ran, course, end = run_firing(setup)
        ends = [side_truth(tank, course).ended for tank in ran.tanks]
        if wanted is None or ends[wanted] > ends[1 - wanted] + 0.2:
            break
        tanks = tuple(fuller(tank, 1.15) if k == wanted else tank for k, tank in enumerate(setup.tanks))
        setup = dataclasses.replace(setup, tanks=tanks)
    return ran, course, end


def fuller(tank, times):
    """Return a larger tank with a larger load, filled to the same share."""
    masses = {name: times * getattr(tank, name) for name in ("load", "residual", "film", "volume")}
    return dataclasses.replace(tank, diameter=tank.diameter * times ** (1.0 / 3.0), **masses)


def run_firing(setup):
    """Return the setup with the crew's movements, the course, and the instant at which the record ends."""
    crew, stops = setup.crew, []
    first, second = setup.tanks
    stay = [t.residual + setup.leaves * (t.load - t.film - t.residual) for t in setup.tanks]

    def closings(t, liquids, dry):
        if setup.stratum == "closed":
            if all(liquid > kept for liquid, kept in zip(liquids, stay, strict=True)):
                return None
            return (t + 0.02, t + 0.02 + 0.3 * abs(crew.apart))
        if setup.stratum == "gas_through":
            return (math.inf, math.inf) if max(dry) < math.inf else None
        early = dry[1] if setup.stratum == "oxidiser_on" else dry[0]
        return (early + setup.flows_on,) * 2 if early < math.inf else None

    def story(t, liquids, dry):
        closes = closings(t, liquids, dry)
        if closes is None:
            return None
        shut = max(closes) + max(first.valve.closing.seconds, second.valve.closing.seconds)
        last = shut if math.isfinite(shut) else t + BLOW_DOWN
        stops.append(last + crew.after)
        vents = stops[0] - crew.vent_before_end if crew.vent_before_end else math.inf
        moved = tuple(
            dataclasses.replace(
                tank, valve=dataclasses.replace(tank.valve, closes=when), vents=vents, vent_area=2.0 * tank.cda
            )
            for tank, when in zip((first, second), closes, strict=True)
        )
        return moved, stops[0] + 0.3

    tanks, course = firing_course(setup.tanks, setup.engine, setup.ambient, -crew.hold - 0.5, story)
    return dataclasses.replace(setup, tanks=tanks), course, stops[0]


def roughness(setup, random, fine, course):
    """Return relative roughness of chamber pressure and thrust, and the smooth chamber pressure, on the fine grid."""
    chamber = course.at(fine, course.chamber)
    made = lagged(random.standard_normal(fine.size), FINE, 1.5e-3)
    made = made - lagged(made, FINE, 8e-3)
    made = made / np.std(made) + 0.3 * pink(random, fine.size)
    burning = np.clip((chamber - 1.5 * setup.ambient) / (3.0 * setup.ambient), 0.0, 1.0)
    return setup.roughness * made * burning, chamber


def true_thrust(setup, course, rough, fine):
    """Return the true thrust on the fine grid, roughness included. [N]."""
    return course.at(fine, course.thrust) * (1.0 + rough)


def clean_readings(setup, course, fine, rough, chamber):
    """Return what the sensors meet, in SI, in their order: cell, both tanks, chamber."""
    pressures = [course.at(fine, course.tanks[t.name].pressure) for t in setup.tanks]
    tanks = [course.tanks[t.name] for t in setup.tanks]
    aboard = sum(course.at(fine, own.liquid) + course.at(fine, own.gas) for own in tanks)
    opened = np.array([course.at(fine, course.tanks[t.name].open_share) for t in setup.tanks])
    line = np.maximum(np.max(opened * np.array(pressures), axis=0) - setup.ambient, 0.0)
    cell = cell_force(setup.stand, FINE, true_thrust(setup, course, rough, fine), aboard, line)
    flowing = np.clip(chamber / setup.ambient - 1.0, 0.0, 1.0)  # gas that stands still has one pressure
    face, static = setup.chamber.shares()
    tapped = 1.0 + ((face if setup.chamber.tap == "injector face" else static) - 1.0) * flowing
    return (cell, *pressures, chamber * (1.0 + rough) * tapped)


def side_truth(tank, course):
    """Return the truth of one tank."""
    own = course.tanks[tank.name]
    first, ended = liquid_end(tank, own)
    ran_out = math.isfinite(first) and first < tank.valve.closes
    last = first if ran_out else tank.valve.closes + tank.valve.closing.seconds
    p, v = (course.at(np.array([tank.valve.opens, last]), column) for column in (own.pressure, own.ullage))
    return SideTruth(
        cda=tank.cda,
        chord=float(np.log(p[0] / p[1]) / np.log(v[1] / v[0])),
        opened=tank.valve.opened,
        ended=ended if ran_out else tank.valve.closed,
        end="run out" if ran_out else "closed",
        out=float(own.out[-1]),
        start_pressure=float(p[0]),
    )


def firing_truth(setup, course, rough, fine):
    """Read the truth off a course."""
    sides = {tank.name: side_truth(tank, course) for tank in setup.tanks}
    begin = max(s.opened for s in sides.values())
    end = min(
        s.ended - 1.5 * t.knee.seconds * (s.end == "run out") for s, t in zip(sides.values(), setup.tanks, strict=True)
    )
    a, b = begin + 0.3 + 0.05 * (end - begin), end - max(0.1, 0.03 * (end - begin))
    thrust = true_thrust(setup, course, rough, fine)
    chamber = course.at(fine, course.chamber) * (1.0 + rough)
    integrals = Integrals(
        time=fine,
        impulse=summed(thrust, fine),
        pressure=summed(chamber, fine),
        out={name: np.interp(fine, own.time, own.out) for name, own in course.tanks.items()},
        throat_area=setup.engine.throat_area,
    )
    area, impulse = setup.engine.throat_area, float(integrals.impulse[-1])
    lasting = float(np.sum(course.at(fine, course.thrust) > 0.02 * course.thrust.max()) * FINE)
    left = sum(s.out for s in sides.values())
    return FiringTruth(
        impulse=impulse,
        impulse_vacuum=impulse + setup.engine.expansion * area * setup.ambient * lasting,
        interval=(a, b),
        burnt=integrals.between(a, b),
        integrals=integrals,
        isp_delivered=impulse / left / GRAVITY,
        mixture_ratio_all=sides["oxidiser"].out / sides["fuel"].out,
        sides=sides,
        weight=(course.time, sum(c.liquid + c.gas for c in course.tanks.values())),
    )


def summed(value, time):
    """Return the integral of a column up to each instant."""
    return np.concatenate(([0.0], np.cumsum(np.diff(time) * (value[1:] + value[:-1]) / 2.0)))


def firing_notes(setup, truth, random):
    """Write down what the crew knows, each in error as it claims."""
    claims, cell, engine, stand = setup.claims, setup.cell_claims, setup.engine, setup.stand

    def about(true, u):
        return Noted(noted(random, true, u), u)

    left = {}
    for tank in setup.tanks:
        u = 0.5 * claims.caught * tank.load
        left[tank.name] = Noted(max(noted(random, tank.load - truth.sides[tank.name].out, u), 0.0), u)
    cold = engine.throat_area / (1.0 + setup.chamber.growth)
    diameter = 2.0 * math.sqrt(cold / math.pi)
    closes = [t.valve.closes for t in setup.tanks if math.isfinite(t.valve.closes)]
    return FiringNotes(
        tanks=tuple(tank_note(random, t, claims, truth.sides[t.name], LIQUID[t.name]) for t in setup.tanks),
        left=left,
        ambient=about(setup.ambient, claims.ambient),
        throat_diameter=about(diameter, cell.throat * diameter),
        expansion=about(engine.expansion, cell.expansion * engine.expansion),
        chamber=setup.chamber if setup.chamber.noted else None,
        cstar_efficiency=about(engine.cstar_efficiency, cell.cstar),
        coefficient_efficiency=about(engine.coefficient_efficiency, cell.coefficient),
        nozzle=stand.nozzle,
        modes=(stand.modes[0] * float(random.uniform(0.98, 1.02)),),
        moving_mass=stand.dry_mass + sum(t.load for t in setup.tanks),
        factor=about(stand.factor, cell.factor),
        line_load=Noted(0.0, cell.line_load),
        alignment=cell.alignment,
        limit=truth.impulse / setup.limit_share,
        mains=setup.sensors[0].noise.mains,
        clock_tolerance=claims.clock,
        edges=(("fire", 1, 0.0), *((("fire", 0, min(closes) - 0.05),) if closes else ())),
    )
