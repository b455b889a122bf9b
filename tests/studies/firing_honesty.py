"""Do the numbers of a firing know how wrong they are, on stands nobody tuned the analysis for?

Every few runs are another engine and another stand: a quarter to two and a half times the demonstration's size, 8 to
40 s, other pressures and fills, three nozzle directions, crystal or resonator, white noise or white and correlated,
calibrations and notes half as good to twice as bad but never below what the budget holds for the least (its floors),
with an error drawn for everything that the budget claims: a stated supply, a throat that grows hot. The
physics is the simulated stand's: real gas, heat, valve strokes, a rough chamber, a ringing cell; no port is involved.
Required of 300 pooled runs: the 95 % intervals of impulse, c*, specific impulse, CdA and chord exponent hold 91 to
99 %, the standard deviation of error/u is 0.85 to 1.15. Beside impulse, Isp and c* stands u over the linearised bound
of the errors that no record can take out. Run from the project's folder:

    python -m tests.studies.firing_honesty --runs 300
"""

import argparse
import dataclasses
import math
from collections import Counter
from dataclasses import dataclass

import numpy as np

from standbook.analysis.budget.alignment import misalignment
from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.results.quantities import Measured
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.stage import on_stand, perform
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import noted_plan, world_of
from standbook.daq.quantity import parse_quantity
from tests.rehearsed import dataset_of
from tests.studies.impulse_coverage import campaign_for_study

STANDARD_GRAVITY = 9.80665
RUNS_AN_ENGINE = 5
NEEDED = frozenset({"LC-1", "PT-11", "PT-21", "PT-31", "VS-1"})
ENGINE = ("c*", "Isp", "CF", "O/F", "delivered Isp")
TANKS = ("CdA oxidiser", "CdA fuel", "n oxidiser", "n fuel")
NUMBERS = ("impulse", "impulse in vacuum", *ENGINE, "overall O/F", *TANKS)
JUDGED = ("impulse", *ENGINE, *TANKS)
# What the budget counts for the least, so that no less is drawn: [bar-like readings' span], relative, [m], [Pa].
SENSOR, VOLUME, DENSITY, THROAT, START_PRESSURE, BAROMETER = 1e-3, 5e-4, 1e-3, 1e-5, 3e3, 30.0
# Linear expansion [1/K] and greatest warming [K] of a graphite throat: common practice, no source.
GRAPHITE = (5e-6, 1500.0)
WIDE_CHAMBER = 25.0  # contraction ratio at which static and total pressure are one, as the simulated chamber has it
SUPPLY_LIMITS = 5e-3  # either way, of a supply that is only stated
COVERAGE, SPREAD = (0.91, 0.99), (0.85, 1.15)


@dataclass(frozen=True)
class Spec:
    """What one engine and its stand differ by from the demonstration."""

    seed: int
    size: float
    slower: float  # times the burn
    pressure: float
    fill: float
    doubt: float  # times every uncertainty of calibrations and notes
    noise: float
    correlated: float  # zero for white noise alone
    nozzle: str
    clock: str

    @property
    def thrust(self):
        """Roughly, over the demonstration's."""
        return self.size / self.slower * self.pressure


def draw_spec(seed):
    """Draw one engine whose thrust the demonstration's cell can hold."""
    random = np.random.default_rng([seed, 11])

    def log_even(low, high):
        return float(np.exp(random.uniform(math.log(low), math.log(high))))

    while True:
        spec = Spec(
            seed=seed,
            size=log_even(0.25, 2.5),
            slower=log_even(0.4, 2.0),
            pressure=float(random.uniform(0.75, 1.2)),
            fill=float(random.uniform(0.75, 1.15)),
            doubt=log_even(0.5, 2.0),
            noise=log_even(0.5, 3.0),
            correlated=float(random.integers(2)) * log_even(1.0, 6.0),
            nozzle=str(random.choice(["down", "up", "horizontal"])),
            clock=str(random.choice(["50 ppm", "50 ppm", "5000 ppm"])),
        )
        if 0.25 < spec.thrust < 1.6:
            return spec


def wider(quantity, times, least=0.0):
    """Return a quantity with its uncertainty multiplied, at least the relative ``least``."""
    return dataclasses.replace(quantity, u=max(times * quantity.u, least * abs(quantity.value)))


def scaled(quantity, times, doubt=1.0, *, least=0.0, relative=0.0):
    """Return a quantity multiplied, its relative uncertainty multiplied by ``doubt``, at least a least one."""
    value = times * quantity.value
    return dataclasses.replace(quantity, value=value, u=max(doubt * times * quantity.u, least, relative * abs(value)))


def campaign_of(spec, campaign):
    """Return the demonstration's campaign made over into another engine on another stand."""
    area = spec.size / spec.slower
    tanks = tuple(
        tank.model_copy(
            update={
                "internal_volume": scaled(tank.internal_volume, spec.size, spec.doubt, relative=VOLUME),
                "liquid_load": scaled(tank.liquid_load, spec.size * spec.fill, spec.doubt),
                "greatest_load": None,
                "unusable_residual": scaled(tank.unusable_residual, spec.size),
                "start_pressure": scaled(tank.start_pressure, spec.pressure, least=START_PRESSURE),
                "feed_cda": scaled(tank.feed_cda, area, spec.doubt),
                "liquid_density": wider(tank.liquid_density, spec.doubt, DENSITY),
                "internal_diameter": scaled(tank.internal_diameter, spec.size ** (1 / 3))
                if tank.internal_diameter
                else None,
            }
        )
        for tank in campaign.plan.tank
    )
    engine = campaign.plan.engine
    engine = engine.model_copy(
        update={
            "throat_diameter": scaled(engine.throat_diameter, math.sqrt(area), spec.doubt, least=THROAT),
            "expansion_ratio": wider(engine.expansion_ratio, spec.doubt),
        }
    )
    site = campaign.plan.site
    site = site.model_copy(update={"ambient_pressure": scaled(site.ambient_pressure, 1.0, least=BAROMETER)})
    plan = campaign.plan.model_copy(update={"tank": tanks, "engine": engine, "site": site})
    mass = campaign.stand.moving_mass
    stand = campaign.stand.model_copy(
        update={
            "nozzle": spec.nozzle,
            "moving_mass": scaled(mass, max(1.0, spec.size)),
            "device": tuple(
                device.model_copy(
                    update={
                        "clock_tolerance": dataclasses.replace(
                            device.clock_tolerance, value=1e-6 * float(spec.clock.split()[0]), text=spec.clock
                        )
                    }
                )
                for device in campaign.stand.device
            ),
        }
    )
    calibrations = {tag: doubted(c, spec.doubt) for tag, c in campaign.calibrations.items()}
    return dataclasses.replace(campaign, plan=plan, stand=stand, calibrations=calibrations)


def doubted(calibration, times):
    """Return a calibration with every uncertainty multiplied."""
    path = calibration.stand_interaction
    wide = {"factor": wider(path.factor, times), "line_load": wider(path.line_load, times)}
    if path.angle is not None:
        wide["angle"] = dataclasses.replace(path.angle, value=math.sqrt(times) * path.angle.value)
    path = path.model_copy(update=wide)
    least = SENSOR * (calibration.highest - calibration.lowest) if calibration.dimension == "pressure" else 0.0
    return calibration.model_copy(
        update={
            "reference_uncertainty": scaled(calibration.reference_uncertainty, times),
            "zero_uncertainty": max(times * calibration.zero_uncertainty, least),
            "covariance": tuple(tuple(times**2 * c for c in row) for row in calibration.covariance),
            "stand_interaction": path,
        }
    )


def facts_stated(campaign):
    """Return a campaign whose plan says what the simulated chamber is: wide, a throat of graphite."""
    wide = parse_quantity(f"{WIDE_CHAMBER:g}", "number")
    facts = {"contraction_ratio": wide, "chamber_tap": "before the nozzle", "throat_material": "graphite"}
    engine = campaign.plan.engine.model_copy(update=facts)
    return dataclasses.replace(campaign, plan=campaign.plan.model_copy(update={"engine": engine}))


def as_supplied(campaign, draw):
    """Return the campaign as it truly stands: each supply that is only stated is another within its limits."""

    def true(item):
        if item.supply is None or not item.is_supply_stated:
            return item
        off = SUPPLY_LIMITS * draw.even("supply", item.tag)
        return item.model_copy(update={"supply": f"{parse_quantity(item.supply, 'voltage').value * (1.0 + off):.6f} V"})

    inputs = tuple(true(item) for item in campaign.stand.input)
    return dataclasses.replace(campaign, stand=campaign.stand.model_copy(update={"input": inputs}))


def gauged_cold(plan, draw):
    """Return a plan whose throat, in error as drawn, was gauged cold: hot it is larger, by nothing to the most."""
    expansion, warming = GRAPHITE
    grown = (1.0 + draw.even("throat", "growth")) / 2.0 * ((1.0 + expansion * warming) ** 2 - 1.0)
    throat = plan.engine.throat_diameter
    cold = dataclasses.replace(throat, value=throat.value / math.sqrt(1.0 + grown))
    return plan.model_copy(update={"engine": plan.engine.model_copy(update={"throat_diameter": cold})})


def noted(plan, world, draw):
    """Write the crew's plan: notes of tanks, air, throat and expansion in error as they claim."""
    plan = noted_plan(plan, world, draw)
    throat, ratio = plan.engine.throat_diameter, plan.engine.expansion_ratio
    true = math.sqrt(4.0 * world.engine.throat_area / math.pi)
    engine = plan.engine.model_copy(
        update={
            "throat_diameter": dataclasses.replace(throat, value=true - throat.u * draw.normal("throat")),
            "expansion_ratio": dataclasses.replace(
                ratio, value=world.engine.expansion_ratio - ratio.u * draw.normal("expansion")
            ),
        }
    )
    return plan.model_copy(update={"engine": engine})


def true_numbers(truth, results):
    """Return the truth of every number, over the stretch of time that the analysis names for it."""
    physics = truth.physics
    mass = sum(truth.expelled_mass.values())
    events = {event.name: event.time for event in results.events}
    begin, end = results.engine.window or (events["thrust start"], events["thrust stop"])
    inside = (physics.time >= begin) & (physics.time <= end)
    time = physics.time[inside]
    pressure = float(np.trapezoid(physics.chamber_pressure[inside], time))
    thrust = float(np.trapezoid(physics.thrust[inside], time))
    left = {name: float(np.ptp(mass[inside])) for name, mass in physics.liquid_mass.items()}
    total = sum(left.values())
    area = physics.world.engine.throat_area
    return {
        "impulse": truth.impulse_site,
        "impulse in vacuum": truth.impulse_vacuum,
        "c*": area * pressure / total,
        "Isp": thrust / total / STANDARD_GRAVITY,
        "CF": thrust / area / pressure,
        "O/F": left["oxidiser"] / left["fuel"],
        "delivered Isp": truth.impulse_site / mass / STANDARD_GRAVITY,
        "overall O/F": truth.expelled_mass["oxidiser"] / truth.expelled_mass["fuel"],
        "CdA oxidiser": truth.cda["oxidiser"],
        "CdA fuel": truth.cda["fuel"],
        "n oxidiser": truth.exponent_chord["oxidiser"],
        "n fuel": truth.exponent_chord["fuel"],
    }


def found_numbers(results):
    """Return every number that the analysis gave."""
    engine, site, vacuum = results.engine, results.impulse, results.impulse_vacuum
    found = {
        "impulse": Measured(site.value, site.u, "N*s"),
        "impulse in vacuum": Measured(vacuum.value, vacuum.u, "N*s"),
        "c*": engine.cstar,
        "Isp": engine.isp,
        "CF": engine.thrust_coefficient,
        "O/F": engine.mixture_ratio,
        "delivered Isp": engine.delivered_isp,
        "overall O/F": engine.overall_mixture_ratio,
    }
    for name, tank in results.tanks.items():
        found[f"CdA {name}"] = tank.cda
        found[f"n {name}"] = tank.exponent.chord if tank.exponent else None
    return found


def bounds(campaign, plan, truth):
    """Return the relative u that the drawn errors of gain, clock, notes and scales alone make unavoidable.

    Noise, zeros, hoses, instants and the course of the weight are left out, so u over it is somewhat above one.
    """
    cell, chamber = campaign.calibrations["LC-1"], campaign.calibrations["PT-31"]
    path = cell.stand_interaction
    clock = max(device.clock_tolerance.value for device in campaign.stand.device) / math.sqrt(3.0)
    impulse = math.hypot(cell.slope_u(), path.factor.u / path.factor.value, misalignment(path).u, clock)
    weighed = [quantity for typed in truth.weighings.values() for quantity in typed.values()]
    scales = [parse_quantity(text, "mass").u for text in weighed]
    mass = math.hypot(*(tank.liquid_load.u for tank in plan.tank), *scales) / sum(truth.truth.expelled_mass.values())
    mean = float(np.mean(truth.truth.physics.chamber_pressure[truth.truth.physics.thrust > 0.0]))
    pressure = math.hypot(chamber.slope_u(), chamber.zero_uncertainty * chamber.scale / mean)
    throat = 2.0 * plan.engine.throat_diameter.relative_u
    return {"impulse": impulse, "Isp": math.hypot(impulse, mass), "c*": math.hypot(pressure, throat, mass, clock)}


@dataclass(frozen=True)
class Row:
    """One run: error over u, relative u of each number, its bound, what was said, whether noise was correlated."""

    spec: Spec
    pulls: dict[str, float]
    relative_u: dict[str, float]
    findings: tuple[str, ...]
    bound: dict[str, float] = dataclasses.field(default_factory=dict)


def rows_of(seed, campaign, runs=RUNS_AN_ENGINE):
    """Fire one drawn engine, then read it ``runs`` times with new errors."""
    spec = draw_spec(seed)
    other = facts_stated(campaign_of(spec, campaign))
    errors = dataclasses.replace(Errors(), noise=spec.noise, correlated_noise=spec.correlated)
    physics = perform(world_of(other.plan, other.stand, Draw(seed, errors)), other.stand)
    rows = []
    for k in range(runs):
        draw = Draw(1_000_000 + 100 * seed + k, errors)
        rehearsal = instrument(as_supplied(other, draw), on_stand(physics, other.stand), draw, tags=NEEDED)
        plan = gauged_cold(noted(other.plan, physics.world, draw), draw)
        results = analyse_static_fire(dataset_of(other, rehearsal, plan=plan)).results
        if results.impulse.lower_bound_only or results.burn_time is None:
            rows.append(Row(spec, {}, {}, tuple(f.code for f in results.findings)))
            continue
        true, found = true_numbers(rehearsal.truth, results), found_numbers(results)
        pulls = {name: (m.value - true[name]) / m.u for name, m in found.items() if m is not None}
        relative = {name: m.u / abs(m.value) for name, m in found.items() if m is not None}
        least = bounds(other, plan, rehearsal)
        rows.append(Row(spec, pulls, relative, tuple(f.code for f in results.findings), least))
    return rows


@dataclass(frozen=True)
class Honesty:
    """Pooled pulls of one number."""

    name: str
    runs: int
    coverage: float
    spread: float
    mean: float
    u: float  # median, relative
    over_bound: float | None = None  # median of u over what gain, clock, notes and scales alone make unavoidable

    @property
    def honest(self):
        """Within what is required."""
        return COVERAGE[0] <= self.coverage <= COVERAGE[1] and SPREAD[0] <= self.spread <= SPREAD[1]

    def line(self):
        """Write it out."""
        word = ("yes" if self.honest else "NO") if self.name in JUDGED else ("(yes)" if self.honest else "(no)")
        over = "" if self.over_bound is None else f"  u/bound {self.over_bound:.2f}"
        return (
            f"{self.name:18s} runs {self.runs:4d}  in 95 % {100 * self.coverage:5.1f} %  sd(error/u) {self.spread:.3f}"
            f"  mean(error/u) {self.mean:+.3f}  median u {100 * self.u:.2f} %  honest {word}{over}"
        )


def honesty(rows, name):
    """Pool one number over all runs; ``None`` where it was hardly ever given."""
    pulls = np.array([row.pulls[name] for row in rows if name in row.pulls])
    if pulls.size < 2:
        return None
    u = np.median([row.relative_u[name] for row in rows if name in row.relative_u])
    over = [row.relative_u[name] / row.bound[name] for row in rows if name in row.relative_u and name in row.bound]
    # the interval is value +- 1.96 u
    inside = float(np.mean(np.abs(pulls) <= 1.959964))
    return Honesty(
        name,
        pulls.size,
        inside,
        float(np.std(pulls, ddof=1)),
        float(np.mean(pulls)),
        float(u),
        float(np.median(over)) if over else None,
    )


def table(rows):
    """Write one line a number."""
    return [found.line() for name in NUMBERS if (found := honesty(rows, name)) is not None]


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    campaign = campaign_for_study()
    rows = []
    for k in range(math.ceil(asked.runs / RUNS_AN_ENGINE)):
        rows += rows_of(asked.seed + k, campaign)
        if k % 10 == 9:
            print(f"{len(rows)} runs", flush=True)
    for title, part in (
        ("all", rows),
        ("white noise", [row for row in rows if row.spec.correlated == 0.0]),
        ("white and correlated noise", [row for row in rows if row.spec.correlated > 0.0]),
    ):
        print(f"--- {title}: {len(part)} runs")
        print("\n".join(table(part)))
    print(f"runs without a whole impulse: {sum(not row.pulls for row in rows)}")
    print(Counter(code for row in rows for code in row.findings).most_common(20))
    found = [honesty(rows, name) for name in JUDGED]
    return 0 if all(one is not None and one.honest for one in found) else 1


if __name__ == "__main__":
    raise SystemExit(main())
