"""The part of a burn in which both liquids flow, what left in it, and what share of all had left at an instant.

SI, absolute pressures; times in seconds after T-0. Valves, ignition and either liquid's end lie outside, so that no
liquid that left unburned is charged to the burn.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from standbook.analysis.blowdown.amounts import FILM
from standbook.analysis.budget.shared_masses import SCALE, SharedMass, sum_of
from standbook.analysis.results.quantities import Measured
from standbook.analysis.thrust.tank_flows import STROKE, TankFlow
from standbook.daq.arrays import Array

SETTLES = 0.15  # s after the later opening, until chamber and stand follow
CLEAR_SHARES = (0.05, 0.03)  # of the time between the later opening and the first end, kept clear after and before
CLEAR_LEAST = 0.1  # s before the first end
SHORTEST = 0.2  # s; over less, noise and ringing decide


@dataclass(frozen=True, slots=True, kw_only=True)
class BothFlow:
    """An interval of settled burning with the masses that left in it."""

    start: float  # [s]
    end: float
    masses: Mapping[str, Measured]  # by tank [kg]; empty where one is not known
    moved: Mapping[str, Mapping[str, float]] = field(default_factory=dict)  # of each, by what moves others too [-]

    @property
    def length(self) -> float:
        """Length of the interval. [s]."""
        return self.end - self.start

    @property
    def total(self) -> Measured | None:
        """Mass of both liquids; ``None`` where one is not known. [kg]."""
        return sum_of(self.shared.values()) if self.masses else None

    @property
    def shared(self) -> dict[str, SharedMass]:
        """Masses with what may move them together."""
        return {name: SharedMass(mass, self.moved.get(name, {})) for name, mass in self.masses.items()}


def both_flow(flows: Mapping[str, TankFlow]) -> BothFlow | None:
    r"""Find the interval in which both liquids flow; ``None`` where it is too short or a side is not known.

    Notes
    -----
    Each side's mass is its expelled mass times the share of its drive integral, :math:`X = \int \sqrt{P - P_c}\,dt`,
    that falls into the interval: constant density and CdA. It ends before the first gas. An end that is not well known
    scales the whole of X, by the drive about it, which grows as a chamber goes out; a chamber pressure that reads low
    does so only while it burns, and moves the share of a liquid that flows on, of both sides together; so does one that
    comes late, of the faster flow before ignition. What drips on after a run-out was weighed with the rest, and left
    outside the interval.
    """
    if len(flows) != 2 or any(not flow.complete for flow in flows.values()):
        return None
    opened = max(flow.opening.time for flow in flows.values())
    first = min(flows.values(), key=lambda flow: flow.end.time)
    length = first.end.time - opened
    start = opened + 0.6 * STROKE + SETTLES + CLEAR_SHARES[0] * length
    end = first.end.time - max(CLEAR_LEAST, CLEAR_SHARES[1] * length) - first.fading - first.end.u
    if end - start < SHORTEST:
        return None
    scale_u = shared_scale_u(flows)
    masses = {name: mass for name, flow in flows.items() if (mass := _mass(flow, start, end, scale_u)) is not None}
    whole = masses if len(masses) == len(flows) else {}
    return BothFlow(
        start=start,
        end=end,
        masses={name: one.mass for name, one in whole.items()},
        moved={name: one.moved for name, one in whole.items()},
    )


def shared_scale_u(flows: Mapping[str, TankFlow]) -> float:
    """Return the relative standard uncertainty that all expelled masses have from one scale, zero where not all do."""
    return min((flow.scale_u for flow in flows.values()), default=0.0)


def _mass(flow: TankFlow, start: float, end: float, scale_u: float) -> SharedMass | None:
    """Return what one side let out in the interval. [kg]; ``None`` where its mass or its drive is not known."""
    if flow.expelled is None or flow.chamber is None or flow.expelled.value <= 0.0:
        return None
    time, rate = flow.channel.time, flow.rate
    share = left_between(time, rate, start, end)
    if not share > 0.0:
        return None
    whole = float(np.sum(np.diff(time) * (rate[1:] + rate[:-1]) / 2.0))
    ends = math.hypot(flow.speed_about(flow.opening) * flow.opening.u, flow.speed_about(flow.end) * flow.end.u)
    late, chamber_late = (flow.cold_excess * c.latency_u for c in (flow.channel, flow.chamber))
    weighed = flow.expelled.u / flow.expelled.value
    film = FILM * flow.tank.liquid_load.value / flow.expelled.value if flow.ended_by_gas else 0.0
    changes = flow.changes(lambda time, rate: left_between(time, rate, start, end))
    moved = {name: change / share for name, change in changes.items()}
    moved[f"{flow.chamber.tag} lag"] = -chamber_late / whole
    u = math.hypot(weighed, film, late / whole, ends / whole, *moved.values())
    value = share * flow.expelled.value
    return SharedMass(Measured(value, u * value, "kg"), {**moved, SCALE: min(scale_u, weighed)})


def left_between(time: Array, rate: Array, start: float, end: float) -> float:
    """Return the share of what left that left between two instants. [-]; nan where nothing flowed.

    ``rate`` is anything proportional to the flow. (N,)
    """
    left = np.concatenate(([0.0], np.cumsum(np.diff(time) * (rate[1:] + rate[:-1]) / 2.0)))
    if left[-1] <= 0.0:
        return math.nan
    return float(np.diff(np.interp([start, end], time, left))[0] / left[-1])


def expelled_share_of(time: Array, flows: Mapping[str, TankFlow]) -> Array | None:
    """Return the share of the expelled mass that has left at each instant of another time axis.

    Notes
    -----
    Each side leaves in proportion to the integral of the square root of its pressure drop; sides are weighted by
    their expelled mass, or by CdA and density of the plan where one is not known.
    """
    if not flows or any(flow.chamber is None for flow in flows.values()):
        return None
    known = all(flow.expelled is not None for flow in flows.values()) and len(flows) == 2
    total = np.zeros(time.size)
    for flow in flows.values():
        own, rate = flow.channel.time, flow.rate
        left = np.concatenate(([0.0], np.cumsum(np.diff(own) * (rate[1:] + rate[:-1]) / 2.0)))
        if left[-1] <= 0.0:
            return None
        weight = flow.tank.feed_cda.value * math.sqrt(2.0 * flow.tank.liquid_density.value)
        if known and flow.expelled is not None:
            weight = flow.expelled.value / left[-1]
        total += weight * np.interp(time, own, left)
    return total / total[-1] if total[-1] > 0.0 else None


def ends_u(flows: Mapping[str, TankFlow]) -> float:
    """Return what unsure openings and ends of the flows make of the weight that had left, relative, standard."""
    parts = []
    masses = {name: flow.expelled.value if flow.expelled else flow.planned_mass for name, flow in flows.items()}
    whole = sum(masses.values())
    for name, flow in flows.items():
        length = flow.end.time - flow.opening.time
        if length > 0.0 and whole > 0.0:
            parts.append(masses[name] / whole * math.hypot(flow.opening.u, flow.end.u) / length)
    return math.hypot(*parts) if parts else 0.0
