"""Predict a cold flow: one tank of water or liquid nitrogen, emptied through its feed line.

SI, absolute pressures. Full flow from the opening; the valve closes when the plan says, or the liquid runs out.
What the gas does after that is not predicted.
"""

import numpy as np

from standbook.analysis.findings.prediction import CLOSING_AFTER_RUN_OUT, CLOSING_NOT_STATED
from standbook.analysis.physics.tank_emptying import Emptying, flow_out
from standbook.analysis.prediction import draws, model_findings
from standbook.analysis.prediction.bands import GRID_STEPS, MOST_STEPS, ROUGH_STEPS, Envelope, scalar
from standbook.analysis.results.prediction import Band, Prediction
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.config.plan import Plan, Tank
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding, Severity


class _Run:
    """One set of draws, flowed until the liquid is out or the valve closes."""

    def __init__(self, plan: Plan, draw: draws.Sampler, step: float, most_steps: int, close: float) -> None:
        (tank,) = plan.tank
        self.duration = plan.kind.duration
        side = draws.tank_side(tank, plan.site, draw)
        back = draws.back_pressure(plan, draw)
        emptying, self.observe = flow_out(side, back, step=step, most_steps=most_steps)
        self.start = self.observe(emptying.states[0])
        if not (side.feed_pressure(side.load) > back).any():
            raise DataError(
                f"plan {plan.test.number}: tank {tank.name} starts at {tank.start_pressure.text}, not above the back"
                " pressure; nothing would flow"
            )
        # Unfinished samples stand at the last step; a finding counts them.
        self.unfinished = int(np.isinf(emptying.end_time).sum())
        self.run_out = np.minimum(emptying.end_time, emptying.time[-1])
        self.emptying = _closed(emptying, close)
        self.end = self.observe(self.emptying.end_state)
        self.flow_time = np.minimum(self.run_out, close)

    def scalars(self) -> dict[str, tuple[Array, str]]:
        """Return the run's numbers, (S,), each with its unit."""
        return {
            self.duration: (self.flow_time, "s"),
            "run-out time": (self.run_out, "s"),  # had the valve stayed open
            "expelled mass": (self.start.mass - self.end.mass, "kg"),
            "left aboard": (self.end.mass, "kg"),
            "mass flow at start": (self.start.flow, "kg/s"),
            "mass flow at end": (self.end.flow, "kg/s"),
            "tank pressure at start": (self.start.pressure, "Pa"),
            "tank pressure at end": (self.end.pressure, "Pa"),
        }


def predict_flow(plan: Plan, *, samples: int, seed: int) -> Prediction:
    """Predict a cold flow; see `analysis.kinds.registry.predict`."""
    (tank,) = plan.tank
    close = _closing(plan)
    rough = _Run(plan, draws.nominal, *_rough_step(plan), np.inf)
    if rough.unfinished:
        raise DataError(
            f"plan {plan.test.number}: tank {tank.name} does not run out; its gas expands to the back pressure first."
            " Raise the start pressure or lower the load"
        )
    duration = float(min(rough.run_out[0], close))
    step = duration / GRID_STEPS  # so that the nominal flow ends on the grid, whichever way it ends
    nominal = _Run(plan, draws.nominal, step, MOST_STEPS, close)
    draw = draws.LatinHypercube(samples, seed)
    run = _Run(plan, draw, step, MOST_STEPS, close)
    own, drawn = nominal.scalars(), run.scalars()
    time, quantities = _quantities(tank, nominal, run)
    scalars = {name: scalar(value, drawn[name][0], unit) for name, (value, unit) in own.items()}
    main_number = "expelled mass" if np.isfinite(close) else plan.kind.duration
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
        contributions=draw.contributions(drawn[main_number][0]),
        main_number=main_number,
        class_margin=None,
        lift_off=None,
        findings=(
            *_findings(plan, tank, rough, run),
            *model_findings.common(plan, draw.held, unfinished=run.unfinished),
        ),
    )


def _quantities(tank: Tank, nominal: _Run, run: _Run) -> tuple[Array, dict[str, Band]]:
    envelope = Envelope(nominal.emptying, run.emptying)
    one, many = (side.observe(side.emptying.states) for side in (nominal, run))
    return envelope.time, {
        measurands.of_tank(measurands.TANK_PRESSURE, tank.name): envelope.band(one.pressure, many.pressure, "Pa"),
        f"mass flow/{tank.name}": envelope.band(one.flow, many.flow, "kg/s", after=(0.0, 0.0)),
        measurands.of_tank(measurands.LIQUID_MASS, tank.name): envelope.band(one.mass, many.mass, "kg", after="held"),
    }


def _closing(plan: Plan) -> float:
    """Return when the valve closes, infinite where the tank is to run out. [s]."""
    flow = plan.flow
    return flow.close_after.value if flow.end == "valve closed early" and flow.close_after is not None else np.inf


def _rough_step(plan: Plan) -> tuple[float, int]:
    """Return a step and a number of steps that reach ten times past emptying at the first flow."""
    first = _Run(plan, draws.nominal, 1e-3, 1, np.inf)
    return float(first.start.mass[0] / first.start.flow[0]) / ROUGH_STEPS, 10 * ROUGH_STEPS


def _closed(emptying: Emptying, close: float) -> Emptying:
    """Return the same with the valve closed at ``close`` [s]: all states held from there on."""
    time, late = emptying.time, emptying.end_time > close
    if not late.any() or close > time[-1]:
        return emptying
    before = min(int(np.searchsorted(time, close, side="right")) - 1, time.size - 2)
    weight = (close - time[before]) / (time[before + 1] - time[before])  # nil or one on the nominal run's own grid
    there = (1.0 - weight) * emptying.states[before] + weight * emptying.states[before + 1]
    end_state = np.where(late, there, emptying.end_state)
    end_time = np.where(late, close, emptying.end_time)
    # By rounding the last step may stand a hair past the closing; it is the closing.
    states = np.where(time[:, None, None] > end_time * (1.0 - 1e-12), end_state, emptying.states)
    return Emptying(
        time=time,
        states=states,
        end_time=end_time,
        end_state=end_state,
        first_out=np.where(late, -1, emptying.first_out),
    )


def _findings(plan: Plan, tank: Tank, nominal: _Run, run: _Run) -> tuple[Finding, ...]:
    if plan.flow.end != "valve closed early":
        return ()
    if plan.flow.close_after is None:
        return (CLOSING_NOT_STATED.at(tank.name, run_out=nominal.run_out[0]),)
    close = plan.flow.close_after.value
    share = float(np.mean(run.run_out <= close))
    if share == 0.0:
        return ()
    severity: Severity = "caution" if share > model_findings.TELLING_SHARE else "note"
    return (
        CLOSING_AFTER_RUN_OUT.at(
            tank.name, close, severity=severity, share_percent=100.0 * share, run_out=nominal.run_out[0]
        ),
    )
