"""Why a pressure shows no flow that could be analysed although the crew opened the valve: causes from what is left.

SI, absolute pressures; times in seconds after T-0. Without a blowdown there is no exponent to compare; what remains is
the reading before and after, the sensor's own range, and what was caught.
"""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.channel_checks.channel_health import saturated
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.diagnosis.ranking import Diagnosis, Signature, diagnose
from standbook.analysis.findings.causes import CAUSE_SENSOR_CLIPPED, SUPPLY_OPEN, VALVE_NOT_OPENED
from standbook.daq.config import measurands
from standbook.daq.config.plan import DETECTED_OPENING, Tank
from standbook.daq.findings.finding import Finding

NEAR = 1.0  # s averaged before the command, and before the flow's end
TOP_SHARE = 0.02  # of the samples near the command; as many on one top code are no chance
EXPONENTS = (0.95, 1.6)  # what a gas that no supply feeds may have over a flow
U_FALL = 0.02  # of the fall's logarithm, beyond the sensor's own: gas that settles
CAUGHT_NOTHING = 0.02  # of the load


@dataclass(frozen=True, slots=True)
class _Fall:
    """Pressure before and at the end of what should have been a flow."""

    channel: Channel
    before: float  # absolute [Pa]
    after: float  # absolute [Pa]
    end: float  # s


def no_flow_causes(dataset: Dataset, tank: Tank) -> list[Finding]:
    """Name what may have hidden a flow, or that there was none."""
    end = _end(dataset)
    if end is None:
        return []
    for channel in dataset.measuring(measurands.TANK_PRESSURE, tank.name):
        clipped = _clipped(channel, tank, end)
        if clipped is not None:
            return [clipped]
    sensors = dataset.measuring(measurands.TANK_PRESSURE, tank.name)
    falls = [fall for sensor in sensors if (fall := _fall(sensor, end)) is not None]
    return _of_fall(dataset, tank, falls[0]) if falls else []


def _end(dataset: Dataset) -> float | None:
    """Return when the valve was commanded shut, ``None`` where times do not count from its opening."""
    named = dataset.plan.test.t_zero_edge
    if dataset.t_zero is None or dataset.plan.test.t_zero == DETECTED_OPENING:
        return None
    if named is not None:
        back = [e.time for e in dataset.edges if e.line == named.line and e.level != int(named.rising) and e.time > 0.0]
        if back:
            return min(back)
    stated = dataset.plan.flow.close_after
    return stated.value if stated is not None else None


def _clipped(channel: Channel, tank: Tank, end: float) -> Finding | None:
    near = (channel.time >= -NEAR) & (channel.time <= end)
    if near.sum() < 8:
        return None
    marked = saturated(channel) & near
    share = float(np.mean(marked[near]))
    if share < TOP_SHARE:
        return None
    top = float(np.nanmax(channel.reading[marked]))
    last = float(channel.time[marked][-1])
    decide = "read the pressure on a mechanical gauge, give the channel a wider range, and repeat"
    return CAUSE_SENSOR_CLIPPED.at(
        tank.name,
        last,
        decided_by=decide,
        tag=channel.tag,
        samples=int(marked.sum()),
        top_bar=top / 1e5,
        decide=decide,
    )


def _fall(channel: Channel, end: float) -> _Fall | None:
    levels = []
    for last in (0.0, end):
        inside = (channel.time >= last - NEAR) & (channel.time <= last) & np.isfinite(channel.reading)
        if inside.sum() < 8:
            return None
        levels.append(float(np.mean(channel.reading[inside])))
    return _Fall(channel, levels[0], levels[1], end) if min(levels) > 0.0 else None


def _of_fall(dataset: Dataset, tank: Tank, fall: _Fall) -> list[Finding]:
    """Hold the fall against the liquid that was caught, with a supply that feeds the gas and with a valve kept shut."""
    weighing = dataset.weighings.get(tank.name)
    caught = (weighing.caught or weighing.expelled) if weighing is not None else None
    if caught is None:
        return []
    grown = math.log1p(max(caught.value, 0.0) / tank.liquid_density.value / tank.ullage_volume)
    fallen = math.log(fall.before / fall.after)
    u = math.hypot(fall.channel.zero_u / fall.before, U_FALL)
    observed = np.array([fallen, caught.value / tank.liquid_load.value])
    covariance = np.diag([u**2, (caught.u / tank.liquid_load.value) ** 2 + CAUGHT_NOTHING**2])
    share = observed[1]
    healthy = np.array([[n * grown, max(share, 0.1)] for n in EXPONENTS])
    weight = np.full(2, 0.5)
    sizes = np.linspace(0.6, 1.0, 5)
    held = (1.0 - sizes)[:, None, None] * np.array([[n * grown, 0.0] for n in EXPONENTS])
    held[..., 1] = max(share, 0.1)
    shut = np.zeros((2, 2, 2))
    told = diagnose(
        observed,
        covariance,
        healthy,
        weight,
        [
            Signature(name=SUPPLY_OPEN.code, sizes=sizes, predicted=held, healthy=healthy, state_weight=weight),
            Signature(
                name=VALVE_NOT_OPENED.code,
                sizes=np.array([0.0, 1.0]),
                predicted=shut,
                healthy=healthy,
                state_weight=weight,
            ),
        ],
    )
    return _named(tank, fall, told, caught.value, grown) if told.alarm else []


def _named(tank: Tank, fall: _Fall, told: Diagnosis, caught: float, grown: float) -> list[Finding]:
    by_gas = 100.0 * (1.0 - math.exp(-1.3 * grown))
    seen = (
        f"{fall.channel.tag} fell by {100.0 * (1.0 - fall.after / fall.before):.1f} % of {fall.before / 1e5:.2f} "
        f"bar(a) from T-0 to T{fall.end:+.1f} s, {by_gas:.0f} % expected of gas that made room for the "
        f"{caught:.2f} kg caught"
    )
    words = {
        SUPPLY_OPEN.code: (
            SUPPLY_OPEN,
            "the supply or regulator was left open and fed the tank during the flow",
            "read the regulator's outlet and the supply valve's position, vent the supply line and repeat",
        ),
        VALVE_NOT_OPENED.code: (
            VALVE_NOT_OPENED,
            "the valve did not open",
            "look at the valve's stem and its actuator's supply, and weigh the tank",
        ),
    }
    said = []
    for rank, cause in enumerate((c for c in told.causes if c.share >= 0.05), start=1):
        kind, what, decide = words[cause.name]
        said.append(
            kind.at(
                tank.name,
                decided_by=decide,
                rank=rank,
                share_percent=100.0 * min(cause.share, 0.99),
                what=what,
                evidence=seen,
                decide=decide,
            )
        )
    return said
