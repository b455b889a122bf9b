"""The two tanks of a firing: when each valve opened, which liquid ran out first, how much left, by which flow.

SI, absolute pressures; times in seconds after T-0. Each side is a discharge against the measured chamber pressure.
A mass comes from the scales; where they say nothing it comes from run-out and load, and is marked as such.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.blowdown.liquid_column import head_of
from standbook.analysis.channel_checks.channel_health import first_usable, usable
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset, left_aboard, weighed_mass
from standbook.analysis.dataset.doubted_drop import DoubtedDrop, doubted_drop
from standbook.analysis.findings.cold_flow import FIRING_NO_TANK_PRESSURE
from standbook.analysis.physics.performance import face_over_reading
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.valve_events import Event, closing_time, knee_time, opening_time
from standbook.analysis.thrust.own_ends import DRY_WITHIN, Ends, own_ends, signal_faults
from standbook.analysis.thrust.run_out import FADES, fading_of, run_out_of
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.config.plan import Plan, Tank
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding

SEARCH_BEFORE = 3.0  # s of still record before an opening
SEARCH_AFTER = 2.0  # s after the thrust has fallen, in which valves close
STROKE = 0.1  # s, kept clear of both valve instants
LEAD = 1.0  # s by which a valve opens before thrust, at most
CLEAR_KNEE, KNEE_AFTER = 0.15, 4.0  # s after thrust stop; where a liquid that flows on may still run out
FLOWS_ON, FALL_OVER = 0.5, 0.4  # of the fall before, over so many seconds: liquid still leaves
ENDS_UNSEEN = (0.2, 1.0)  # s; uncertainty of an end that nothing shows, where the pressure stands still, or falls
SECOND_RUN_OUT = "second run-out"
FIRST = 5  # samples after an opening, before anything burns
SURELY = 3.0  # standard uncertainties of an end by which a liquid flowed on
ABOUT = 0.02  # s on both sides of an instant, at least
LONG_GAP, GAP_NEAR = 0.1, 0.3  # s: rows that are missing, so close to an opening that they may hide it


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TankFlow:
    """One side of a firing."""

    tank: Tank
    channel: Channel
    chamber: Channel | None
    opening: Event
    end: Event  # run-out or closing of the valve, whichever ended the liquid's flow
    ran_dry: bool
    expelled: Measured | None  # [kg]
    weighed: bool
    complete: bool  # the record holds all of the flow
    drive: Array  # (N,) pressure drop from ullage to chamber, head included, on the channel's time [Pa]
    doubted: DoubtedDrop | None = None  # the same with what its sensors are uncertain by
    fading: float = 0.0  # from first gas to such an end [s]
    scale_u: float = 0.0  # part of the expelled mass's uncertainty that all masses of one scale share, relative
    own_end: bool = False  # its own pressure told the end, which stands for the whole of the fading

    @property
    def ended_by_gas(self) -> bool:
        """Tell whether the liquid ran out, before or after the other."""
        return self.ran_dry or self.end.name == SECOND_RUN_OUT

    @property
    def planned_mass(self) -> float:
        """Mass that left during the record, by CdA and density of the plan. [kg]."""
        time, rate = self.channel.time, self.rate
        conductance = self.tank.feed_cda.value * math.sqrt(2.0 * self.tank.liquid_density.value)
        return conductance * float(np.sum(np.diff(time) * (rate[1:] + rate[:-1]) / 2.0))

    @property
    def rate(self) -> Array:
        """Something proportional to volume flow, zero outside the flow. (N,) [Pa^½]."""
        return self.rate_by(self.channel.time, self.drive)

    @property
    def cold_excess(self) -> float:
        """How much faster liquid left before ignition than at the end: what a sensor that is late misses. [Pa^½]."""
        flowing = self.rate[self.rate > 0.0]
        return max(float(np.median(flowing[:FIRST]) - np.median(flowing[-FIRST:])), 0.0) if flowing.size else 0.0

    def speed_about(self, instant: Event) -> float:
        """Return how fast liquid flows, or would, within the uncertainty of an instant. [Pa^½]."""
        near = np.abs(self.channel.time - instant.time) <= max(instant.u, ABOUT)
        drive = self.drive[near & np.isfinite(self.drive)]
        return float(np.mean(np.sqrt(np.maximum(drive, 0.0)))) if drive.size else float(np.max(self.rate))

    def rate_by(self, time: Array, drive: Array) -> Array:
        """Return the same for a pressure drop at other instants. (M,) [s], [Pa] -> (M,) [Pa^½]."""
        flowing = (time >= self.opening.time) & (time <= self.end.time)
        return np.where(flowing, np.sqrt(np.maximum(np.nan_to_num(drive), 0.0)), 0.0)

    def changes(self, outcome: Callable[[Array, Array], float]) -> dict[str, float]:
        """Return what each source of doubt about its pressures changes a function of times and `rate` by."""
        if self.doubted is None:
            return {}
        time, drive = self.doubted.time, self.doubted.drive
        base = outcome(time, self.rate_by(time, drive))
        return {n: outcome(time, self.rate_by(time, drive + by)) - base for n, by in self.doubted.moved.items()}


def tank_flows(
    dataset: Dataset, *, start: float, end: float, begins: bool = True, ends: bool = True
) -> tuple[dict[str, TankFlow], list[Finding]]:
    """Find both flows of a firing.

    Parameters
    ----------
    dataset : Dataset
        Of a static fire.
    start, end : float
        Where thrust rises and falls, roughly. [s]
    begins, ends : bool
        The record holds the rise and the fall of the thrust.
    """
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), start, end)
    run_out = run_out_of(chamber, start, end) if ends else Event("end of record", end, 0.0, "thrust still up")
    seen: dict[str, _Seen] = {}
    findings: list[Finding] = []
    for tank in dataset.plan.tank:
        own, said = _seen(dataset, tank, chamber, (start, end), run_out, recorded=(begins, ends))
        findings += said
        if own is not None:
            seen[tank.name] = own
    flows = {name: own.flow for name, own in seen.items()}
    told = {name: own.told for name, own in seen.items() if own.told is not None}
    if any(_uphill(flow) for flow in flows.values()):
        flows, told = {name: replace(flow, chamber=None) for name, flow in flows.items()}, {}
    if not ends:
        return flows, findings
    if len(flows) < len(dataset.plan.tank):
        told = {}  # of the other alone the own end is not the first: the chamber's bend is
    dry = _first_dry(told) if told and len(told) == len(flows) else _ran_dry(dataset, flows)
    ended = {
        name: _by_itself(dataset, flow, told[name], name == dry)
        if name in told
        else _by_chamber(_ended(dataset, flow, name == dry, end), run_out)
        for name, flow in flows.items()
    }
    return _with_fading(ended, dry) if dry in told else ended, findings


def _with_fading(flows: dict[str, TankFlow], dry: str) -> dict[str, TankFlow]:
    """Let the chamber's fading tell the first run-out beside the tank's own pressure."""
    own = flows[dry]
    other = next((flow for name, flow in flows.items() if name != dry), None)
    if other is None or own.chamber is None or other.end.time <= own.end.time:
        return flows
    masses = [flow.expelled.value if flow.expelled is not None else flow.planned_mass for flow in (own, other)]
    opened = max(own.opening.time, other.opening.time) + STROKE
    first_gas = own.end.time - own.fading
    seen = fading_of(own.chamber, first_gas, own.end.u, opened=opened, share=masses[0] / sum(masses))
    if seen is None or seen.out > other.end.time - SURELY * other.end.u:  # whose flow faded is not known
        return flows
    # By the tank alone the end may lie anywhere in the fading: of slow ones it sees the steepest part.
    own_u = math.hypot(own.end.u, (seen.out - seen.begun) / math.sqrt(12.0))
    weights = np.array([1.0 / own_u**2, 1.0 / seen.u**2])
    both = np.array([own.end.time, seen.time])
    time = float(weights @ both / weights.sum())
    u = math.sqrt((1.0 + float(weights @ (both - time) ** 2)) / float(weights.sum()))
    end = Event(own.end.name, time, u, f"{own.end.method}, and how the chamber went out")
    return {**flows, dry: replace(own, end=end, fading=max(time - min(first_gas, seen.begun), 0.0))}


def _by_chamber(flow: TankFlow, run_out: Event) -> TankFlow:
    """Mark a flow as not whole where missing rows may hide the bend of the chamber that ended it."""
    hidden = flow.chamber is not None and _hides(flow.chamber, run_out.time)
    return replace(flow, complete=flow.complete and not hidden and not _hides(flow.channel, flow.end.time))


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """One tank's flow by a sensor that can be believed, and its ends where its own pressure tells them."""

    flow: TankFlow
    told: Ends | None


def _seen(
    dataset: Dataset,
    tank: Tank,
    chamber: Channel | None,
    burning: tuple[float, float],
    run_out: Event,
    *,
    recorded: tuple[bool, bool],
) -> tuple[_Seen | None, list[Finding]]:
    """Return the first sensor's flow whose signal is not at fault, with what is said of those before it."""
    faulty: list[Finding] = []
    rises = burning[0] if recorded[0] else None
    for channel in dataset.measuring(measurands.TANK_PRESSURE, tank.name):
        if not usable(channel, *burning):
            continue
        faults, told = signal_faults(dataset, channel, rises=rises, until=run_out.time), None
        if not faults:
            flow = _flow(dataset, tank, channel, chamber, burning[0], run_out)
            hidden = _hides(channel, flow.opening.time)
            flow = replace(flow, complete=all(recorded) and not hidden)
            if recorded[1] and not hidden and chamber is not None and not _uphill(flow):
                about = (flow.opening, flow.end)
                told, faults = own_ends(dataset, tank, channel, flow.drive, about=about, rises=rises)
            if not faults:
                # What another sensor replaces spoils no number.
                return _Seen(flow, told), [replace(fault, severity="caution") for fault in faulty]
        faulty += faults
    return None, faulty or [FIRING_NO_TANK_PRESSURE.at(tank.name)]


def _first_dry(told: Mapping[str, Ends]) -> str | None:
    """Name the tank whose liquid ran out first; ``None`` where valves ended both flows."""
    dry = {name: end.time for name, (_, end) in told.items() if end.kind != "closed"}
    return min(dry, key=lambda name: dry[name]) if dry else None


def _by_itself(dataset: Dataset, flow: TankFlow, told: Ends, first: bool) -> TankFlow:
    """Give a flow the ends that its own pressure told."""
    opened, ended = told
    name = flow.tank.name
    gas = f"{name} run-out" if first else SECOND_RUN_OUT
    return replace(
        _dry(flow) if first else flow,
        opening=Event(f"{name} opening", opened.time, opened.u, opened.method),
        end=Event(f"{name} closing" if ended.kind == "closed" else gas, ended.time, ended.u, ended.method),
        fading=max(ended.time - ended.first_gas, 0.0) if ended.first_gas is not None else 0.0,
        own_end=True,
    )


def _dry(flow: TankFlow) -> TankFlow:
    """Mark a flow as the one that ran out first; without scales all but what cannot leave has left."""
    expelled = flow.expelled
    if expelled is None:
        load, left = flow.tank.liquid_load, flow.tank.unusable_residual
        u = math.hypot(load.u, left.u, 0.1 * left.value)
        expelled = Measured(load.value - left.value, u, "kg")
    return replace(flow, ran_dry=True, expelled=expelled)


def first_run_out(flows: Mapping[str, TankFlow]) -> float | None:
    """Return when the first liquid ran out, whichever it was; ``None`` where none is known to have. [s]."""
    dry = [flow.end.time for flow in flows.values() if flow.ran_dry]
    # Of a flow that ended after the first run-out only the span between that and thrust stop is known.
    later = [flow.end.time - math.sqrt(3.0) * flow.end.u for flow in flows.values() if flow.end.name == SECOND_RUN_OUT]
    return min(dry or later, default=None)


def _uphill(flow: TankFlow) -> bool:
    """Tell whether the chamber reads above the tank that feeds it: then it tells nothing of the flow."""
    inside = (flow.channel.time > flow.opening.time + STROKE) & (flow.channel.time < flow.end.time - STROKE)
    return bool(flow.chamber is not None and inside.any() and np.nanmedian(flow.drive[inside]) <= 0.0)


def _hides(channel: Channel, opening: float) -> bool:
    """Tell whether rows are missing where a valve opened, so that the instant found may be the gap's end."""
    time, _ = channel.known()
    long = np.flatnonzero(np.diff(time) > LONG_GAP)
    return bool(np.any((time[long] < opening + GAP_NEAR) & (time[long + 1] > opening - GAP_NEAR)))


def _flow(
    dataset: Dataset, tank: Tank, channel: Channel, chamber: Channel | None, start: float, run_out: Event
) -> TankFlow:
    time, pressure = channel.known()
    try:
        opening = opening_time(
            time, pressure, start=start - SEARCH_BEFORE, end=start + 2.0, name=f"{tank.name} opening"
        )
    except DataError:
        opening = _opening_unseen(dataset, tank, time, start)
    stop = replace(run_out, name=f"{tank.name} run-out")
    ambient, face = dataset.plan.site.ambient_pressure, face_over_reading(dataset.plan.engine)
    back = np.full(channel.time.size, ambient.value)
    if chamber is not None:
        back = face.value * np.interp(channel.time, *chamber.known())
    drive = channel.reading - back + _head_pressure(dataset.plan, tank)
    weighed = weighed_mass(dataset, tank)
    return TankFlow(
        tank=tank,
        channel=channel,
        chamber=chamber,
        opening=opening,
        end=stop,
        ran_dry=False,
        expelled=weighed,
        weighed=weighed is not None,
        scale_u=dataset.scale_u if weighed is not None else 0.0,
        complete=True,
        drive=drive,
        doubted=None if chamber is None else doubted_drop(channel, chamber, face, drive, ambient),
    )


def _opening_unseen(dataset: Dataset, tank: Tank, time: Array, start: float) -> Event:
    """Place an opening that the tank pressure does not show: between T-0, or one second, and thrust start."""
    least = max(0.0, start - LEAD) if dataset.t_zero is not None and start > 0.0 else start - LEAD
    first = max(least, float(time[0]))
    middle, half = 0.5 * (first + start), max(0.5 * (start - first), 0.0)
    u = math.hypot(half / math.sqrt(3.0), 0.05)
    return Event(f"{tank.name} opening", middle, u, "before thrust start, no break in the tank pressure found")


def _ran_dry(dataset: Dataset, flows: Mapping[str, TankFlow]) -> str | None:
    """Name the tank whose liquid ran out first: by the scales, else by how much steeper its pressure fell after."""
    tanks = dataset.plan.tank
    found = {tank.name: _spare(dataset, tank) for tank in tanks}
    spare = {name: value for name, value in found.items() if value is not None}
    if len(spare) == len(tanks) == 2:
        least, most = sorted(spare, key=lambda name: spare[name])
        if spare[least] <= DRY_WITHIN < spare[most]:
            return least if least in flows else None
    if len(flows) < len(tanks):
        return None  # the other's pressure may have broken first
    steeper = {name: _steepening(flow) for name, flow in flows.items()}
    return max(steeper, key=lambda name: steeper[name]) if steeper else None


def _spare(dataset: Dataset, tank: Tank) -> float | None:
    """Return how far more was left aboard than cannot leave, in standard uncertainties; ``None`` if not weighed."""
    left = left_aboard(dataset, tank)
    if left is None:
        return None
    unusable = tank.unusable_residual
    u = math.hypot(left.u, unusable.u, 0.1 * unusable.value)
    return (left.value - unusable.value) / max(u, 1e-9)


def _steepening(flow: TankFlow) -> float:
    """Return how many times faster a tank's pressure falls just after its knee than just before."""
    time, pressure = flow.channel.known()
    slopes = []
    for low, high in ((flow.end.time - 0.6, flow.end.time - 0.1), (flow.end.time + 0.05, flow.end.time + 0.22)):
        part = (time >= low) & (time <= high)
        slopes.append(float(np.polyfit(time[part] - low, pressure[part], 1)[0]) if part.sum() > 8 else 0.0)
    return slopes[1] / slopes[0] if slopes[0] < 0.0 else 0.0


def _ended(dataset: Dataset, flow: TankFlow, dry: bool, end: float) -> TankFlow:
    if dry:
        return _dry(flow)
    spare = _spare(dataset, flow.tank)
    if spare is not None and spare <= DRY_WITHIN:
        # Dry as well, by the scales: gas, not the valve, ended its flow, between the first run-out and thrust stop.
        return replace(flow, end=_second_run_out(flow, end))
    time, pressure = flow.channel.known()
    name = f"{flow.tank.name} closing"
    try:
        closing = closing_time(time, pressure, start=flow.end.time - 0.5, end=end + SEARCH_AFTER, name=name)
    except DataError:
        # A valve is closed when thrust stops or soon after; the first run-out comes earlier by what gas and crew take.
        u = ENDS_UNSEEN[1] if _falls_on(flow, max(end, flow.end.time)) else ENDS_UNSEEN[0]
        closing = Event(name, max(end, flow.end.time), u, "thrust stop, no break in the tank pressure found")
    if closing.time <= flow.opening.time:
        closing = replace(closing, time=flow.end.time, u=0.2)
    return replace(flow, end=closing)


def _second_run_out(flow: TankFlow, end: float) -> Event:
    """Find where the second liquid ran out: between first run-out and thrust stop, or later where it flows on."""
    middle, half = 0.5 * (flow.end.time + end), max(0.5 * (end - flow.end.time), 0.0)
    u = math.hypot(half / math.sqrt(3.0), flow.end.u)
    plain = Event(SECOND_RUN_OUT, middle, u, "between first run-out and thrust stop")
    if not _falls_on(flow, end):
        return plain
    time, pressure = flow.channel.known()
    try:
        found = knee_time(time, pressure, start=end + CLEAR_KNEE, end=end + KNEE_AFTER, name=SECOND_RUN_OUT)
    except DataError:
        return replace(plain, time=end, u=ENDS_UNSEEN[1], method="liquid flows on after thrust stop, no knee found")
    return replace(found, u=math.hypot(found.u, FADES))


def _falls_on(flow: TankFlow, end: float) -> bool:
    """Tell whether a tank's pressure falls on, right after an instant, about as it fell before."""
    time, pressure = flow.channel.known()
    if float(time[-1]) < end + FALL_OVER:
        return True  # nothing is seen of it
    at, reach = np.array([end - 2.0 * FALL_OVER, end - FALL_OVER, end + 0.1, end + 0.1 + FALL_OVER]), 0.05
    level = [
        float(np.mean(pressure[np.abs(time - t) <= reach])) if np.any(np.abs(time - t) <= reach) else math.nan
        for t in at
    ]
    before, after = level[0] - level[1], level[2] - level[3]
    return bool(after > FLOWS_ON * before > 0.0)


def _head_pressure(plan: Plan, tank: Tank) -> float:
    """Return the mean pressure of the liquid column, for the shape of the flow only. [Pa]."""
    head = head_of(plan, tank)
    if head is None:
        return 0.0
    middle = 0.5 * (head.start_height + tank.outlet_below_floor.value)
    return tank.liquid_density.value * head.gravity * middle
