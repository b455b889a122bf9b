r"""Other routes to the total impulse than the load cell: chamber pressure through the planned nozzle, and mass.

SI, absolute pressures; times in seconds after T-0. A route is compared with the cell over settled burning, where
neither valves nor ringing decide; its total is the cell's, times what the two differ by there.

.. math:: F = A_t (P_c\,\eta_F C_{F,vac} - \varepsilon P_a), \qquad
          I = \Delta m\, \eta_c c^*(r)\, \eta_F C_{F,vac} - \varepsilon A_t P_a t

with throat area, coefficients and efficiencies as planned. Source: [Sutton] ch. 3.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.budget.shared_masses import ratio_of
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.physics.performance import (
    exit_force,
    scaled,
    throat_in_burn,
    total_over_reading,
    unstated_share,
)
from standbook.analysis.results.quantities import Measured
from standbook.analysis.thrust.both_flow import BothFlow
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.chamber_pressure import bridged_integral
from standbook.analysis.thrust.tank_flows import TankFlow
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.config import measurands
from standbook.daq.config.plan import Engine

CHAMBER, MASS = measurands.CHAMBER_PRESSURE, "expelled mass"  # names of the routes
WHOLE_U = 0.03  # of the impulse: what left unburned where only whole masses are known; firings of the second world
MODEL_U = 0.003  # of the impulse: what one nozzle coefficient for all chamber pressures leaves out; simulated firings


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """One other way to the impulse, over a part of the burn."""

    name: str
    start: float  # of the part that was compared [s]
    end: float
    impulse: Measured  # by this route, over that part [N*s]
    cell: float  # by the cell, over the same part [N*s]
    coefficient_u: float  # of the planned thrust coefficient, relative standard uncertainty
    unstated: float = 0.0  # most by which it reads low for facts that the plan does not state, relative
    unsaid: tuple[str, ...] = ()  # those facts

    @property
    def apart(self) -> float:
        """By how much this route reads more than the cell, relative. [-]."""
        return self.impulse.value / self.cell - 1.0

    @property
    def relative_u(self) -> float:
        """Relative standard uncertainty of the route alone."""
        return self.impulse.u / abs(self.impulse.value)

    def sigma(self, cell_u: float) -> float:
        """How far the cell lies below the route, in standard uncertainties of both; ``cell_u`` is relative."""
        return math.log(self.impulse.value / self.cell) / math.hypot(self.relative_u, cell_u)


def chamber_route(
    dataset: Dataset, record: ThrustRecord, chamber: Channel | None, start: float, end: float
) -> Route | None:
    """Return the impulse that the planned nozzle makes of the chamber's pressure; ``None`` where that is not known."""
    engine = dataset.plan.engine
    if engine is None or chamber is None or end <= start:
        return None
    pressure = bridged_integral(dataset, chamber, start, end)
    cell = record.record().between(start, end)
    if pressure is None or cell <= 0.0:
        return None
    throat, coefficient = throat_in_burn(engine, dataset.throat_after), _vacuum_coefficient(engine)
    pressure = scaled(pressure, total_over_reading(engine))
    vacuum = throat.value * coefficient.value * pressure.value
    outside = _outside(dataset, engine, end - start)
    value = vacuum - outside.value
    if value <= 0.0:
        return None
    # The throat scales both parts alike; what is outside of the nozzle is known far better than what is in it.
    parts = (
        value * throat.u / throat.value,
        vacuum * coefficient.u / coefficient.value,
        vacuum * pressure.u / pressure.value,
        MODEL_U * value,
    )
    impulse = Measured(float(value), float(math.hypot(*parts)), "N*s")
    known = math.hypot(coefficient.u / coefficient.value, MODEL_U)
    return Route(
        name=CHAMBER,
        start=start,
        end=end,
        impulse=impulse,
        cell=cell,
        coefficient_u=known,
        unstated=unstated_share(engine),
        unsaid=unsaid_facts(engine),
    )


def unsaid_facts(engine: Engine) -> tuple[str, ...]:
    """Name the facts for which the chamber's pressure may read low, as the plan does not state them."""
    facts = {
        "contraction ratio": engine.contraction_ratio,
        "pressure tap": engine.chamber_tap,
        "throat material": engine.throat_material,
    }
    return tuple(name for name, stated in facts.items() if stated is None)


def mass_route(dataset: Dataset, record: ThrustRecord, both: BothFlow | None) -> Route | None:
    """Return the impulse that the planned engine makes of the weighed liquids; it needs no clock.

    The mean of c* over the interval is that at its mixture ratio.
    """
    engine = dataset.plan.engine
    if engine is None or both is None or both.total is None:
        return None
    cell = record.record().between(both.start, both.end)
    if cell <= 0.0:
        return None
    mass, coefficient, speed = both.total, _vacuum_coefficient(engine), planned_cstar(engine, both)
    if speed is None:
        return None
    vacuum = mass.value * speed.value * coefficient.value
    outside = _outside(dataset, engine, both.length)
    value = vacuum - outside.value
    if value <= 0.0:
        return None
    parts = (
        vacuum * mass.u / mass.value,
        vacuum * speed.u / speed.value,
        vacuum * coefficient.u / coefficient.value,
        outside.u,
        MODEL_U * value,
    )
    impulse = Measured(value, math.hypot(*parts), "N*s")
    return Route(
        name=MASS,
        start=both.start,
        end=both.end,
        impulse=impulse,
        cell=cell,
        coefficient_u=coefficient.u / coefficient.value,
    )


def whole_mass_route(dataset: Dataset, record: ThrustRecord, burn: Burn, flows: Mapping[str, TankFlow]) -> Route | None:
    """Return the same over the whole burn, where no chamber pressure tells when which mass left.

    Of each side counts what left while it burned, by length; what that leaves out may have burned too.
    """
    engine = dataset.plan.engine
    if burn.start is None or burn.stop is None:
        return None
    length = burn.stop.time - burn.start.time
    masses = {name: mass for name, flow in flows.items() if (mass := _while_burning(flow, length)) is not None}
    if engine is None or not {"oxidiser", "fuel"} <= masses.keys():
        return None
    whole = BothFlow(start=burn.start.time, end=burn.stop.time, masses=masses)
    found = mass_route(dataset, record, whole)
    if found is None:
        return None
    cell = record.record().between(burn.window.start, burn.window.end)
    u = math.hypot(found.impulse.u, WHOLE_U * found.impulse.value)
    return replace(found, impulse=Measured(found.impulse.value, u, "N*s"), cell=cell)


def _while_burning(flow: TankFlow, length: float) -> Measured | None:
    """Return a side's mass that left in the burn's length [s], with what that may be off by. [kg]."""
    flowed = flow.end.time - flow.opening.time
    if flow.expelled is None or not flow.complete or flowed <= 0.0:
        return None
    share = min(length / flowed, 1.0)
    value = share * flow.expelled.value
    return Measured(
        value, math.hypot(share * flow.expelled.u, (1.0 - share) * flow.expelled.value / math.sqrt(3.0)), "kg"
    )


def _vacuum_coefficient(engine: Engine) -> Measured:
    """Return the planned thrust coefficient in vacuum, efficiency included. [-]."""
    ideal, efficiency = engine.vacuum_thrust_coefficient, engine.thrust_coefficient_efficiency
    value = ideal.value * efficiency.value
    return Measured(value, value * math.hypot(ideal.relative_u, efficiency.relative_u), "1")


def planned_cstar(engine: Engine, both: BothFlow) -> Measured | None:
    """Return the planned characteristic velocity at the interval's mixture ratio [m/s]; ``None`` beyond its table."""
    ratios, speeds = zip(*engine.cstar_table, strict=True)
    table = np.array([speed.value for speed in speeds])
    ratio = mixture_ratio(both)
    if not ratios[0] <= ratio.value <= ratios[-1]:
        return None
    ideal = float(np.interp(ratio.value, ratios, table))
    ends = np.interp([ratio.value - ratio.u, ratio.value + ratio.u], ratios, table)
    slope = float(ends[1] - ends[0]) / 2.0
    efficiency = engine.cstar_efficiency
    value = efficiency.value * ideal
    return Measured(value, value * math.hypot(efficiency.relative_u, slope / ideal), "m/s")


def mixture_ratio(both: BothFlow) -> Measured:
    """Return the mixture ratio of what left while both flowed. [-]."""
    return ratio_of(both.shared["oxidiser"], both.shared["fuel"])


def _outside(dataset: Dataset, engine: Engine, length: float) -> Measured:
    """Return what ambient pressure takes from the impulse. [N*s]."""
    ambient = dataset.plan.site.ambient_pressure
    force = exit_force(engine, Measured(ambient.value, ambient.u, "Pa"))
    return Measured(force.value * length, force.u * length, "N*s")
