"""Predict a firing from its plan and stand: every gauge reading, with a 95 % band.

SI, absolute pressures. Quasi-steady from full flow at the opening to the first tank's depletion: no ignition delay, no
tail-off, no gas after the liquid. The band holds the plan's own uncertainties and nothing that the model leaves out.
"""

import numpy as np
from scipy.constants import g as standard_gravity

from standbook.analysis.physics.tank_emptying import Firing, fire
from standbook.analysis.prediction import class_margin, draws, model_findings
from standbook.analysis.prediction.bands import GRID_STEPS, MOST_STEPS, ROUGH_STEPS, Envelope, scalar
from standbook.analysis.results.prediction import Band, Prediction, Scalar
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Stand
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import Quantity

COARSER = 3.0  # times the rough step, where only the impulse is wanted: moves it by less than 1e-5


def impulses_by_load(plan: Plan, shares: Array) -> tuple[Array, Array]:
    """Compute the impulse of firings as planned except for their loads, both multiplied by each of ``shares`` (S,).

    At site ambient and referred to vacuum, each (S,) [N*s]; infinite where nothing runs out.
    """

    def draw(name: str, quantity: Quantity, *, positive: bool = True) -> Array:
        value = draws.nominal(name, quantity, positive=positive)
        return value * shares if name.startswith("liquid load") else np.repeat(value, shares.size)

    step, most = _rough_step(plan)
    run = _Run(plan, draw, COARSER * step, most)
    finished = np.isfinite(run.emptying.end_time)
    return np.where(finished, run.end.impulse, np.inf), np.where(finished, run.vacuum_impulse, np.inf)


def greatest_of_firing(plan: Plan) -> dict[str, float]:
    """Return the greatest thrust [N] and chamber pressure [Pa, absolute] of a firing as planned, by measurand.

    They are those at the opening, as the gas only expands; nothing is emptied, so it takes no time.
    """
    opening = _Run(plan, draws.nominal, 1e-3, 1).start
    return {
        measurands.THRUST: float(opening.thrust[0]),
        measurands.CHAMBER_PRESSURE: float(opening.chamber_pressure[0]),
    }


class _Run:
    """One set of draws, fired."""

    def __init__(self, plan: Plan, draw: draws.Sampler, step: float, most_steps: int, *, full: bool = False) -> None:
        tanks = {name: plan.tank_named(name) for name in ("oxidiser", "fuel")}
        oxidiser, fuel = (
            draws.tank_side(tank, plan.site, draw, load=tank.greatest_load if full else None) for tank in tanks.values()
        )
        self.chamber = draws.chamber(draws.engine_of(plan), plan.site, draw)
        self.emptying, self.observe = fire(oxidiser, fuel, self.chamber, step=step, most_steps=most_steps)
        self.start = self.observe(self.emptying.states[0])
        self.end = self.observe(self.emptying.end_state)
        # Unfinished samples stand at the last step; a finding counts them.
        self.burn_time = np.minimum(self.emptying.end_time, self.emptying.time[-1])

    @property
    def vacuum_impulse(self) -> Array:
        """Total impulse referred to vacuum. [N*s]."""
        return np.asarray(self.end.impulse + self.chamber.ambient_force * self.burn_time)

    def scalars(self) -> dict[str, tuple[Array, str]]:
        """Return the run's numbers, (S,), each with its unit."""
        expelled = [
            getattr(self.start, f"{name}_mass") - getattr(self.end, f"{name}_mass") for name in ("oxidiser", "fuel")
        ]
        found = {
            "impulse": (self.end.impulse, "N*s"),
            "impulse in vacuum": (self.vacuum_impulse, "N*s"),
            "burn time": (self.burn_time, "s"),
            "expelled mass": (expelled[0] + expelled[1], "kg"),
            "specific impulse": (self.end.impulse / (expelled[0] + expelled[1]) / standard_gravity, "s"),
            "mean mixture ratio": (expelled[0] / expelled[1], "1"),
        }
        for when, moment in (("start", self.start), ("end", self.end)):
            found |= {
                f"thrust at {when}": (moment.thrust, "N"),
                f"chamber pressure at {when}": (moment.chamber_pressure, "Pa"),
                f"mass flow at {when}": (moment.oxidiser_flow + moment.fuel_flow, "kg/s"),
                f"mixture ratio at {when}": (_mixture_ratio(moment), "1"),
            }
            for name in ("oxidiser", "fuel"):
                pressure = getattr(moment, f"{name}_pressure")
                found[f"tank pressure at {when}/{name}"] = (pressure, "Pa")
                stiffness = (pressure - moment.chamber_pressure) / moment.chamber_pressure
                found[f"injector stiffness at {when}/{name}"] = (stiffness, "1")
        found |= {f"left aboard/{name}": (getattr(self.end, f"{name}_mass"), "kg") for name in ("oxidiser", "fuel")}
        return found


def predict_firing(plan: Plan, stand: Stand, samples: int, seed: int) -> Prediction:
    """Predict a firing; see `analysis.kinds.registry.predict`."""
    step = _step(plan)
    nominal = _Run(plan, draws.nominal, step, MOST_STEPS)
    draw = draws.LatinHypercube(samples, seed)
    run = _Run(plan, draw, step, MOST_STEPS)
    scalars = _scalars(nominal, run)
    full = _full(plan, step, samples, seed)
    margin = class_margin.class_margin(
        plan,
        nominal=(float(nominal.end.impulse[0]), float(nominal.vacuum_impulse[0])),
        samples=(run.end.impulse, run.vacuum_impulse),
        full=full,
    )
    mass = None if plan.lift_off is None else draw("lift-off mass", plan.lift_off.mass)
    lift_off = class_margin.lift_off_check(plan, nominal.start.thrust, run.start.thrust, mass)
    time, quantities = _quantities(nominal, run)
    findings = (
        *class_margin.findings(plan, margin, lift_off),
        *_findings(plan, stand, nominal, run, scalars),
        *model_findings.common(plan, draw.held, unfinished=int(np.isinf(run.emptying.end_time).sum())),
    )
    return Prediction(
        number=plan.test.number,
        kind=plan.test.kind,
        article=plan.test.article,
        samples=samples,
        seed=seed,
        ambient_pressure=plan.site.ambient_pressure.value,
        time=time,
        quantities=quantities,
        scalars=scalars,
        contributions=draw.contributions(run.end.impulse),
        main_number="impulse",
        class_margin=margin,
        lift_off=lift_off,
        findings=findings,
    )


def _step(plan: Plan) -> float:
    """Return the step by which the nominal run ends on the grid. [s]."""
    rough = _Run(plan, draws.nominal, *_rough_step(plan))
    if not np.isfinite(rough.emptying.end_time[0]):
        raise DataError(
            f"plan {plan.test.number}: no tank runs out within {rough.burn_time[0]:.0f} s; check start pressures, "
            "feed CdA and throat"
        )
    return float(rough.burn_time[0]) / GRID_STEPS


def _scalars(nominal: _Run, run: _Run) -> dict[str, Scalar]:
    sampled = run.scalars()
    return {name: scalar(values, sampled[name][0], unit) for name, (values, unit) in nominal.scalars().items()}


def _rough_step(plan: Plan) -> tuple[float, int]:
    """Return a step and a number of steps that reach ten times past emptying at the first flow."""
    start = _Run(plan, draws.nominal, 1e-3, 1)
    aboard = float((start.start.oxidiser_mass + start.start.fuel_mass)[0])
    flow = float((start.start.oxidiser_flow + start.start.fuel_flow)[0])
    return aboard / flow / ROUGH_STEPS, 10 * ROUGH_STEPS


def _full(plan: Plan, step: float, samples: int, seed: int) -> class_margin.FullLoad | None:
    """Fire the tanks as full as the hardware permits, nominal and sampled; ``None`` where nothing limits one."""
    if any(plan.tank_named(name).greatest_load is None for name in ("oxidiser", "fuel")):
        return None
    nominal = _Run(plan, draws.nominal, step, 4 * MOST_STEPS, full=True)
    run = _Run(plan, draws.LatinHypercube(samples, seed), step, 4 * MOST_STEPS, full=True)
    return class_margin.FullLoad(
        nominal=(float(nominal.end.impulse[0]), float(nominal.vacuum_impulse[0])),
        samples=(run.end.impulse, run.vacuum_impulse),
    )


def _mixture_ratio(moment: Firing) -> Array:
    fuel = moment.fuel_flow
    return np.divide(moment.oxidiser_flow, fuel, out=np.full_like(fuel, np.nan), where=fuel > 0.0)


def _quantities(nominal: _Run, run: _Run) -> tuple[Array, dict[str, Band]]:
    envelope = Envelope(nominal.emptying, run.emptying)
    own, sampled = (side.observe(side.emptying.states) for side in (nominal, run))
    ambient = nominal.chamber.ambient_pressure, run.chamber.ambient_pressure
    bands = {
        measurands.THRUST: envelope.band(own.thrust, sampled.thrust, "N", after=(0.0, 0.0)),
        "cumulative impulse": envelope.band(own.impulse, sampled.impulse, "N*s", after="held"),
        measurands.CHAMBER_PRESSURE: envelope.band(own.chamber_pressure, sampled.chamber_pressure, "Pa", after=ambient),
        "mixture ratio": envelope.band(_mixture_ratio(own), _mixture_ratio(sampled), "1"),
    }
    for name in ("oxidiser", "fuel"):

        def pair(field: str, name: str = name) -> tuple[Array, Array]:
            return getattr(own, f"{name}_{field}"), getattr(sampled, f"{name}_{field}")

        bands[measurands.of_tank(measurands.TANK_PRESSURE, name)] = envelope.band(*pair("pressure"), unit="Pa")
        bands[f"mass flow/{name}"] = envelope.band(*pair("flow"), unit="kg/s", after=(0.0, 0.0))
        bands[measurands.of_tank(measurands.LIQUID_MASS, name)] = envelope.band(*pair("mass"), unit="kg", after="held")
    return envelope.time, bands


def _findings(plan: Plan, stand: Stand, nominal: _Run, run: _Run, scalars: dict[str, Scalar]) -> tuple[Finding, ...]:
    engine = draws.engine_of(plan)
    found = [
        model_findings.mean_below_nominal(scalars),
        model_findings.run_out_order(engine, int(nominal.emptying.first_out[0]), run.emptying.first_out),
        model_findings.stiffness(scalars),
        model_findings.mixture_outside_table(engine, scalars),
        model_findings.unchoked(plan, scalars),
        model_findings.rated_load(stand, scalars),
    ]
    return tuple(finding for finding in found if finding is not None)
