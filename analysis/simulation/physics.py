"""Simulate one test from hold to venting: the true course of every quantity. SI, absolute pressures.

Time is seconds after T-0, the instant of the command. The system is stiff while valves move and while the
chamber fills, so each stretch between two events is solved on its own with error control.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import PchipInterpolator

from standbook.analysis.simulation.chamber import AIR_ENERGY, Chamber, ChamberState
from standbook.analysis.simulation.chamber import STATES as CHAMBER_STATES
from standbook.analysis.simulation.gas import opening_flow
from standbook.analysis.simulation.ullage import STATES, Tank, TankState
from standbook.analysis.simulation.world import World
from standbook.daq.arrays import Array

RELATIVE_TOLERANCE = 1e-8
HALF_GAS_TIME = 0.12  # s, from the first gas at the outlet to half gas: fitting of breakthrough in cold flows
FINE, COARSE = 5e-4, 2e-2  # s, spacing of solution nodes after an event and later
FINE_FOR = 0.6  # s
EMPTYING = 0.4  # s, after which a chamber without inflow is at ambient pressure
LONGEST_FLOW = 300.0  # s


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """Times of a test's phases besides the flow itself, seconds."""

    hold: float = 5.0  # tanks pressurised before T-0
    after: float = 8.0  # recorded after the last valve closed
    vent_after: float | None = 5.0  # tanks vented this long after closing; None: not in the record
    vented_before: float = 1.0  # at ambient when the record begins
    pressurising: float = 2.0  # each tank takes half of it, one after the other

    @property
    def before(self) -> float:
        """Length of the record before T-0. [s]."""
        return self.hold + self.pressurising + self.vented_before


USUAL = Timeline()


@dataclass(frozen=True, slots=True, kw_only=True)
class TankCourse:
    """True course of one tank; arrays over the course's time."""

    pressure: Array  # absolute [Pa]
    outlet_pressure: Array  # with the head of liquid, absolute [Pa]
    gas_volume: Array  # [m³]
    gas_temperature: Array  # [K]
    liquid_mass: Array  # [kg]
    gas_mass: Array  # [kg]
    liquid_flow: Array  # [kg/s]
    gas_flow: Array  # through the feed system [kg/s]
    heat: Array  # taken up by the gas since the hold began [J]
    opening: Array  # of the valve, 0 to 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """True course of a test at the solver's own nodes, before noise of any kind."""

    time: Array  # (N,) [s] after T-0; from the beginning of the hold
    tanks: Mapping[str, TankCourse]
    chamber_pressure: Array  # absolute [Pa]; back pressure in a cold flow
    oxidiser_flow: Array  # into the chamber, liquid [kg/s]
    fuel_flow: Array
    nozzle_flow: Array  # out of the chamber [kg/s]
    events: Mapping[str, float]  # [s] after T-0

    def at(self, time: Array, values: Array) -> Array:
        """Interpolate an array of the course, monotone between nodes; constant beyond both ends."""
        inside = np.clip(time, self.time[0], self.time[-1])
        result: Array = PchipInterpolator(self.time, values)(inside)
        return result


def simulate(world: World, timeline: Timeline = USUAL) -> Course:
    """Simulate one test.

    The gas mass is chosen so that each tank has its ``start_pressure`` at T-0, after the decay of the hold.

    Raises
    ------
    ValueError
        The flow does not end.
    """
    solver = _Solver(world, timeline)
    solver.hold()
    solver.flow()
    solver.rest()
    return solver.course()


def step(x: float) -> float:
    """Compute the smooth step 3 x² - 2 x³ between 0 and 1, symmetric about its middle."""
    x = min(1.0, max(0.0, x))
    return x * x * (3.0 - 2.0 * x)


@dataclass(frozen=True, slots=True)
class _Moment:
    """Everything that follows from the states at one time."""

    tanks: list[TankState]
    flows: list[tuple[float, float]]
    chamber: ChamberState | None


class _Solver:
    """Carries the states from one event to the next; thrown away after one test."""

    def __init__(self, world: World, timeline: Timeline) -> None:
        self.world, self.timeline = world, timeline
        self.tanks = [Tank(tank) for tank in world.tanks]
        self.chamber = Chamber(world.engine, world.ambient_pressure) if world.engine else None
        self.oxidiser = next((k for k, tank in enumerate(world.tanks) if tank.name == "oxidiser"), 0)
        self.reserve = [0.0] * len(self.tanks)
        self.closing = math.inf  # valves begin to close
        self.venting = math.inf
        self.ignition = math.inf
        self.asleep = math.inf  # the chamber is back at ambient pressure
        self.events: dict[str, float] = {}
        self.time, self.states = -timeline.hold, np.empty(0)
        self.times: list[Array] = []
        self.courses: list[Array] = []
        self.reserves: list[list[float]] = []

    # --- the equations ---------------------------------------------------------------------------------

    def opening(self, k: int, time: float) -> float:
        """Return the opening of one main valve, 0 to 1."""
        w = self.tanks[k].world
        opened = step((time - w.valve_delay) / w.valve_stroke)
        if w.valve_creep:
            opened *= max(0.0, 1.0 + w.valve_creep * max(0.0, time - w.valve_delay - w.valve_stroke))
        return opened * (1.0 - step((time - self.closing) / w.valve_stroke))

    def awake(self, time: float) -> bool:
        """Tell whether the chamber's balance is solved; at ambient pressure it would only stall the solver."""
        return min(tank.world.valve_delay for tank in self.tanks) <= time < self.asleep

    def burning(self, time: float) -> float:
        """Return the progress of ignition, 0 to 1."""
        return step((time - self.ignition) / self.world.engine.ignition_time) if self.world.engine else 0.0

    def moment(self, time: float, y: Sequence[float], reserve: list[float]) -> _Moment:
        """Evaluate tanks, chamber and flows."""
        gravity = self.world.gravity
        tanks = [tank.state(y[k * STATES : (k + 1) * STATES], gravity) for k, tank in enumerate(self.tanks)]
        chamber, downstream = None, self.world.back_pressure
        if self.chamber is not None:
            chamber = ChamberState(self.world.ambient_pressure, 0.0, 1.0)
            if self.awake(time):
                chamber = self.chamber.state(y[-CHAMBER_STATES:], self.burning(time), self._bystander(reserve))
            downstream = chamber.pressure
        flows = [
            tank.outflow(y[k * STATES : (k + 1) * STATES], tanks[k], downstream, self.opening(k, time), reserve[k])
            for k, tank in enumerate(self.tanks)
        ]
        return _Moment(tanks, flows, chamber)

    def _bystander(self, reserve: list[float]) -> float:
        """R T of the chamber gas that does not burn: air at first, then the lightest pressurant that came through."""
        through = [t.gas.specific_constant * 290.0 for t, r in zip(self.tanks, reserve, strict=True) if r > 0.0]
        return max(through, default=AIR_ENERGY)

    def rates(self, time: float, states: Array) -> list[float]:
        """Return the right-hand side."""
        y = states.tolist()
        now = self.moment(time, y, self.reserve)
        rates: list[float] = []
        for k, tank in enumerate(self.tanks):
            liquid, gas = now.flows[k]
            own = y[k * STATES : (k + 1) * STATES]
            lost = gas + self._vent(tank, own, now.tanks[k], time)
            lost += tank.leak(now.tanks[k], own[2], self.world.ambient_pressure)
            fed = tank.supply(now.tanks[k], self.world.ambient_temperature)
            rates += tank.rates(own, now.tanks[k], liquid, lost, *fed)
        if now.chamber is not None and not self.awake(time):
            rates += [0.0] * CHAMBER_STATES
        elif now.chamber is not None:
            ox, fuel = now.flows[self.oxidiser], now.flows[1 - self.oxidiser]
            rates += Chamber.rates(y[-CHAMBER_STATES:], now.chamber, (ox[0], fuel[0], ox[1] + fuel[1]))
        return rates

    def _vent(self, tank: Tank, y: Sequence[float], state: TankState, time: float) -> float:
        if time < self.venting:
            return 0.0
        gas, w = tank.gas, tank.world
        energy = gas.specific_constant * y[2]
        # Sized so that choked flow would empty the ullage with the stated time constant.
        area = state.gas_volume / (w.vent_time * 0.68 * math.sqrt(gas.specific_constant * w.gas_temperature))
        opened = step((time - self.venting) / 0.3)
        return opened * opening_flow(area, state.pressure, self.world.ambient_pressure, energy, gas.heat_capacity_ratio)

    # --- from event to event ---------------------------------------------------------------------------

    def advance(self, until: float, event: Callable[[float, Array], float] | None = None) -> bool:
        """Solve up to a time, or to the event; tell whether the event came first."""
        if until <= self.time:
            return False
        fine = np.arange(self.time, min(until, self.time + FINE_FOR), FINE)
        nodes = np.append(np.append(fine, np.arange(fine[-1] + COARSE, until, COARSE)), until)
        if nodes[-2] > until - 1e-9:
            nodes = np.delete(nodes, -2)
        solution = solve_ivp(
            self.rates,
            (self.time, until),
            self.states,
            method="LSODA",
            t_eval=nodes,
            events=_falling(event),
            rtol=RELATIVE_TOLERANCE,
            atol=self._absolute_tolerance(),
            first_step=1e-5,
            max_step=0.25,
        )
        if not solution.success:
            raise ValueError(f"the simulated stand's equations failed at t = {self.time:.3f} s: {solution.message}")
        times, courses = solution.t, solution.y.T
        hit = solution.status == 1
        if hit and solution.t_events is not None and solution.y_events is not None:
            self.time, self.states = float(solution.t_events[0][0]), solution.y_events[0][0]
            times, courses = np.append(times, self.time), np.vstack([courses, self.states])
        else:
            self.time, self.states = until, solution.y[:, -1]
        self.times.append(times[:-1])
        self.courses.append(courses[:-1])
        self.reserves += [list(self.reserve)] * (times.size - 1)
        return hit

    def _absolute_tolerance(self) -> Array:
        per_tank = [1e-8, 1e-10, 1e-6, 1e-6, 1e-4]
        return np.array(per_tank * len(self.tanks) + ([1e-10] * CHAMBER_STATES if self.chamber else []))

    def hold(self) -> None:
        """From the end of pressurising to T-0, with gas masses that end the hold at the start pressures."""
        masses = [tank.gas_mass_at(tank.world.start_pressure) for tank in self.tanks]
        for _ in range(5):
            self.time, self.times, self.courses, self.reserves = -self.timeline.hold, [], [], []
            start = [value for tank, mass in zip(self.tanks, masses, strict=True) for value in tank.start(mass)]
            self.states = np.array(start + (self.chamber.start() if self.chamber else []))
            self.advance(0.0)
            now = self.moment(0.0, self.states.tolist(), self.reserve)
            masses = [
                mass * tank.world.start_pressure / state.pressure
                for mass, tank, state in zip(masses, self.tanks, now.tanks, strict=True)
            ]

    def flow(self) -> None:
        """From T-0 through opening, flow, depletion or closing, to the last valve closed."""
        middles = []
        for tank in self.tanks:
            w = tank.world
            middles.append(w.valve_delay + 0.5 * w.valve_stroke)
            self.events[f"opening/{w.name}"] = middles[-1]
            self.events[f"open/{w.name}"] = w.valve_delay + w.valve_stroke
        if self.world.engine:
            self.ignition = max(middles) + self.world.engine.ignition_delay
            self.events["ignition"] = self.ignition
        knots = {t.world.valve_delay for t in self.tanks} | {self.events[f"open/{t.world.name}"] for t in self.tanks}
        if self.world.engine:
            knots |= {self.ignition, self.ignition + self.world.engine.ignition_time}
        for knot in sorted(knots):
            self.advance(knot)
        self._until_closing()
        longest = max(tank.world.valve_stroke for tank in self.tanks)
        self.advance(self.closing)
        self.events["closing"] = self.closing
        self.advance(self.closing + longest)
        self.events["closed"] = self.time

    def _until_closing(self) -> None:
        if self.world.closes_early:
            w = self.tanks[0].world
            least = max(self.world.close_at_share * w.load, 2.0 * w.residual)
            if self.world.close_after is None:
                if not self.advance(self.time + LONGEST_FLOW, lambda _, y: float(y[0]) - least):
                    raise ValueError(f"tank {w.name} does not empty within {LONGEST_FLOW:.0f} s")
                self.closing = self.time
                return
            self.closing = self.events[f"opening/{w.name}"] + self.world.close_after
            if self.advance(self.closing, self._least_reserve):
                self._deplete(0)  # the stopwatch runs longer than the tank lasts: gas comes through first
            return
        if not self.advance(self.time + LONGEST_FLOW, self._least_reserve):
            raise ValueError(f"no tank runs out within {LONGEST_FLOW:.0f} s")
        first = int(np.argmin(self._reserves_left(self.states)))
        self._deplete(first)
        self.closing = self.time + self.world.close_delay
        # The other side may run out too before the valves are closed.
        if len(self.tanks) == 2 and self.advance(self.closing, self._least_reserve):
            self._deplete(1 - first)

    def _deplete(self, k: int) -> None:
        now = self.moment(self.time, self.states.tolist(), self.reserve)
        self.reserve[k] = now.flows[k][0] * HALF_GAS_TIME / math.log(2.0)
        self.events[f"depletion/{self.tanks[k].world.name}"] = self.time

    def _reserves_left(self, states: Array) -> list[float]:
        """Liquid above residual less what the breakthrough takes; tanks already drawing gas do not count."""
        y = states.tolist()
        now = self.moment(self.time, y, self.reserve)
        return [
            math.inf
            if self.reserve[k] > 0.0
            else y[k * STATES] - tank.world.residual - now.flows[k][0] * HALF_GAS_TIME / math.log(2.0)
            for k, tank in enumerate(self.tanks)
        ]

    def _least_reserve(self, _: float, states: Array) -> float:
        return min(self._reserves_left(states))

    def rest(self) -> None:
        """From the last valve closed to the end of the record."""
        end = self.time + self.timeline.after
        if self.chamber:
            self.advance(self.time + EMPTYING)
            self.asleep = self.time
        if self.timeline.vent_after is not None and self.timeline.vent_after < self.timeline.after:
            self.venting = max(self.time, end - self.timeline.after + self.timeline.vent_after)
            self.advance(self.venting)
            self.events["venting"] = self.venting
        self.advance(end)
        self.times.append(np.array([self.time]))
        self.courses.append(self.states[np.newaxis, :])
        self.reserves.append(list(self.reserve))

    # --- the course ------------------------------------------------------------------------------------

    def course(self) -> Course:
        """Evaluate everything at the nodes."""
        time, states = np.concatenate(self.times), np.concatenate(self.courses)
        moments = [
            self.moment(t, y, reserve)
            for t, y, reserve in zip(time.tolist(), states.tolist(), self.reserves, strict=True)
        ]
        tanks = {tank.world.name: self._tank_course(k, time, states, moments) for k, tank in enumerate(self.tanks)}
        names = [tank.world.name for tank in self.tanks]
        still = np.zeros(time.size)
        flow = {name: tanks[name].liquid_flow for name in names} if self.chamber else {}
        return Course(
            time=time,
            tanks=tanks,
            chamber_pressure=np.array([m.chamber.pressure if m.chamber else self.world.back_pressure for m in moments]),
            oxidiser_flow=flow.get("oxidiser", still),
            fuel_flow=flow.get("fuel", still),
            nozzle_flow=np.array([m.chamber.outflow if m.chamber else 0.0 for m in moments]),
            events=dict(sorted(self.events.items(), key=lambda item: item[1])),
        )

    def _tank_course(self, k: int, time: Array, states: Array, moments: list[_Moment]) -> TankCourse:
        own = states[:, k * STATES : (k + 1) * STATES]
        return TankCourse(
            pressure=np.array([m.tanks[k].pressure for m in moments]),
            outlet_pressure=np.array([m.tanks[k].outlet_pressure for m in moments]),
            gas_volume=np.array([m.tanks[k].gas_volume for m in moments]),
            gas_temperature=own[:, 2],
            liquid_mass=own[:, 0],
            gas_mass=own[:, 1],
            liquid_flow=np.array([m.flows[k][0] for m in moments]),
            gas_flow=np.array([m.flows[k][1] for m in moments]),
            heat=own[:, 4],
            opening=np.array([self.opening(k, t) for t in time.tolist()]),
        )


def _falling(event: Callable[[float, Array], float] | None) -> Callable[[float, Array], float] | None:
    if event is None:
        return None

    def stop(time: float, states: Array) -> float:
        return event(time, states)

    stop.terminal = True  # type: ignore[attr-defined]
    stop.direction = -1.0  # type: ignore[attr-defined]
    return stop
