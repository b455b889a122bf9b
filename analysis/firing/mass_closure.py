"""Expelled mass of a firing by every route that it has, and how they close. SI.

The scales are the reference where they were used. The cell's step between its zeros weighs the sum; the flow areas of
the plan, from a water flow, give each side by the integral of its pressure drop. No route uses another's number.
"""

import math
from collections.abc import Mapping

import numpy as np

from standbook.analysis.budget.shared_masses import SharedMass, ratio_of, sum_of, weighed_alike
from standbook.analysis.dataset.boil_off import greatest_boil_off
from standbook.analysis.dataset.dataset import Dataset, weighed_mass
from standbook.analysis.findings.firing import BOIL_OFF_BOUNDED, BOIL_OFF_UNKNOWN, MASS_NOT_CLOSED
from standbook.analysis.physics.fluids import is_cryogenic
from standbook.analysis.results.firing_results import MassRoute
from standbook.analysis.results.quantities import Measured
from standbook.analysis.thrust.tank_flows import TankFlow
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.arrays import Array
from standbook.daq.findings.finding import Finding

SCALES, CELL, FLOW_AREA = "scales", "step of the load cell", "flow areas of the plan"
AGREE = 3.0  # combined standard uncertainties


def mass_routes(
    dataset: Dataset, record: ThrustRecord, flows: Mapping[str, TankFlow], *, relative_gain_u: float
) -> tuple[MassRoute, ...]:
    """Return every route that the record gives, the scales first."""
    weighed = {tank.name: weighed_mass(dataset, tank) for tank in dataset.plan.tank}
    known = {name: mass for name, mass in weighed.items() if mass is not None}
    scales = weighed_alike(known, dataset.scale_u)
    reference = sum_of(scales.values()) if len(known) == len(weighed) else None
    routes = []
    if reference is not None:
        routes.append(
            MassRoute(
                route=SCALES,
                tanks=known,
                total=reference,
                closure=None,
                mixture_ratio=_mixture(scales),
            )
        )
    cell = cell_mass(record, dataset, relative_gain_u)
    if cell is not None:
        routes.append(
            MassRoute(route=CELL, tanks={}, total=cell, closure=_closure(cell, reference), mixture_ratio=None)
        )
    whole = {name: flow for name, flow in flows.items() if flow.complete and flow.chamber and np.any(flow.rate > 0.0)}
    by_area = {name: flow_area_mass(flow) for name, flow in whole.items()}
    if len(by_area) == len(weighed):
        total = sum_of(by_area.values())
        routes.append(
            MassRoute(
                route=FLOW_AREA,
                tanks={name: one.mass for name, one in by_area.items()},
                total=total,
                closure=_closure(total, reference),
                mixture_ratio=_mixture(by_area),
            )
        )
    return tuple(routes)


def boil_off_findings(dataset: Dataset, flows: Mapping[str, TankFlow]) -> list[Finding]:
    """Say by how much less may have been aboard where a cryogenic load was weighed, and its boil-off is not stated."""
    said = []
    for name, flow in flows.items():
        weighing, load = dataset.weighings.get(name), flow.tank.liquid_load.value
        counted = weighing is not None and weighing.expelled is None and weighing.residual is not None
        if not counted or weighing is None or not is_cryogenic(flow.tank.liquid) or flow.expelled is None:
            continue
        if weighing.boil_off is not None:
            continue
        vented, most = greatest_boil_off(load, weighing)
        kind = BOIL_OFF_UNKNOWN if weighing.vented is None else BOIL_OFF_BOUNDED
        said.append(
            kind.at(
                name,
                liquid=flow.tank.liquid,
                minutes=vented / 60.0,
                most=most,
                share_percent=100.0 * most / flow.expelled.value,
                side="an upper bound" if name == "oxidiser" else "a lower bound",
            )
        )
    return said


def cell_mass(record: ThrustRecord, dataset: Dataset, relative_gain_u: float) -> Measured | None:
    r"""Return what the cell's step between its zeros says left; ``None`` where it does not feel the tanks. [kg].

    Notes
    -----
    :math:`m = f \Delta R / g` with hoses taken off; u holds both zeros, what a zero usually moves by, gain, hoses
    and gravity.
    """
    zero, c = record.zero, record.cell.calibration
    if record.sign == 0 or zero.after is None:
        return None
    gravity = dataset.plan.site.gravity
    force = record.factor * zero.step * record.sign
    hoses = c.stand_interaction.line_load.u * record.hose_pressure_after
    u = math.hypot(
        record.factor * math.hypot(zero.before.u, zero.after.u, c.zero_uncertainty * c.scale, hoses),
        relative_gain_u * force,
        force * gravity.relative_u,
    )
    return Measured(force / gravity.value, u / gravity.value, "kg")


def flow_area_mass(flow: TankFlow) -> SharedMass:
    r"""Return what the plan's flow area says left one tank. [kg].

    Notes
    -----
    :math:`m = C_dA \sqrt{2 \rho} \int \sqrt{P - P_c}\,dt` from opening to end; pressures enter u by shifting them,
    instants by the flow at their end.
    """
    tank = flow.tank
    conductance = tank.feed_cda.value * math.sqrt(2.0 * tank.liquid_density.value)

    def mass(time: Array, rate: Array) -> float:
        return conductance * float(np.sum(np.diff(time) * (rate[1:] + rate[:-1]) / 2.0))

    rate = flow.rate
    value, flowing = mass(flow.channel.time, rate), rate[rate > 0.0]
    moved = {name: change / value for name, change in flow.changes(mass).items()}
    edges = conductance * math.hypot(float(flowing[0]) * flow.opening.u, float(flowing[-1]) * flow.end.u) / value
    u = math.hypot(tank.feed_cda.relative_u, 0.5 * tank.liquid_density.relative_u, edges, *moved.values())
    return SharedMass(Measured(value, u * value, "kg"), moved)


def closure_findings(routes: tuple[MassRoute, ...]) -> list[Finding]:
    """Say which route does not close with the scales."""
    said = []
    for route in routes:
        closure = route.closure
        if closure is None or route.route == CELL or abs(closure.value) <= AGREE * closure.u:
            continue
        said.append(
            MASS_NOT_CLOSED.at(
                None,
                route=route.route,
                total=route.total.value,
                closure_percent=100.0 * closure.value,
                closure_u_percent=100.0 * closure.u,
            )
        )
    return said


def _mixture(masses: Mapping[str, SharedMass]) -> Measured | None:
    if not {"oxidiser", "fuel"} <= masses.keys() or masses["fuel"].mass.value <= 0.0:
        return None
    return ratio_of(masses["oxidiser"], masses["fuel"])


def _closure(total: Measured, reference: Measured | None) -> Measured | None:
    if reference is None or reference.value <= 0.0:
        return None
    return Measured(total.value / reference.value - 1.0, math.hypot(total.u, reference.u) / reference.value, "1")
