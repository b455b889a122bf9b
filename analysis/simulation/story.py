"""Rehearse a campaign's plan: tables for simulated devices, weighings, and the ground truth beside them.

The demonstration's truths are fixed here. SI, absolute pressures, seconds after T-0.
"""

import math
import re
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.instruments import TYPE_LIMITS, Sampled, clock_rate, sample
from standbook.analysis.simulation.physics import USUAL, Timeline
from standbook.analysis.simulation.stage import Physics, perform
from standbook.analysis.simulation.world import shown_share, world_of
from standbook.daq.arrays import Array
from standbook.daq.config.campaign import Campaign
from standbook.daq.config.stand import Input
from standbook.daq.rehearsal.script import PlayedEdge, PlayedStream, Table
from standbook.daq.wire.hello import WireChannel, WireLine

TICK_HZ = 1_000_000
ROWS_A_SECOND: Mapping[str, float] = MappingProxyType({"fast": 1000.0, "copy": 80.0, "slow": 10.0})  # by stream name
LINES = ("fire", "valve")
FIRMWARE = "rehearsal 1"
BOOT = 17
SINCE_BOOT = 20.0  # s from the device's boot to the first row
CAUGHT_U, RESIDUAL_U = 0.020, 0.030  # kg, standard: bucket and scale; what is drained and weighed
_EDGE = re.compile(r"^(?P<device>\S+) (?P<line>\S+) (?P<level>rising|falling)$")

# Truths of the demonstration: what the plans do not know. The seeds are chosen so that no drawn error is large (all
# below 1.7 standard uncertainties): it shows a good day. Feed areas are one hardware, so alike in every test.
_OXIDISER_CDA, _FUEL_CDA = 16.2e-6, 13.1e-6  # m²
DEMO: Mapping[str, tuple[int, Mapping[str, float]]] = MappingProxyType(
    {
        "WF-03": (6, {"oxidiser.cda": _OXIDISER_CDA, "oxidiser.heat_factor": 0.65}),
        "WF-04": (4, {"fuel.cda": _FUEL_CDA, "fuel.heat_factor": 0.65}),
        "HF-02": (
            17,
            {
                "oxidiser.cda": _OXIDISER_CDA,
                "oxidiser.heat_factor": 0.3,
                "oxidiser.gas_temperature": 190.0,
                "oxidiser.load": 10.66,
                "oxidiser.start_pressure": 31.978e5,
                "fuel.cda": _FUEL_CDA,
                "fuel.heat_factor": 0.65,
                "fuel.load": 7.03,
                "fuel.start_pressure": 31.978e5,
                "engine.cstar_efficiency": 0.915,
                "engine.thrust_coefficient": 1.595 * 0.960,
                "close_delay": 0.2,
            },
        ),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """Values that the analysis should find."""

    physics: Physics
    impulse_site: float  # integral of thrust [N*s]; of the water jet in a cold flow
    impulse_vacuum: float  # [N*s]
    cda: Mapping[str, float]  # valve open, per tank [m²]
    exponent_chord: Mapping[str, float]  # from T-0 to the end of the tank's flow
    expelled_mass: Mapping[str, float]  # liquid, per tank [kg]
    residual_mass: Mapping[str, float]  # liquid left when the valves are closed, per tank [kg]
    events: Mapping[str, float]  # [s] after T-0
    clock_rate: Mapping[str, float]  # relative, per device

    @property
    def time(self) -> Array:
        """Times of ``thrust``, ``tank_pressure`` and ``chamber_pressure``. (N,) [s]."""
        return self.physics.time

    @property
    def thrust(self) -> Array:
        """Thrust at site ambient. (N,) [N]."""
        return self.physics.thrust

    @property
    def tank_pressure(self) -> Mapping[str, Array]:
        """Gas pressure per tank, absolute. (N,) [Pa]."""
        return self.physics.tank_pressure

    @property
    def chamber_pressure(self) -> Array:
        """Chamber pressure, absolute. (N,) [Pa]."""
        return self.physics.chamber_pressure


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """One simulated test, ready to be played."""

    tables: Mapping[str, Table]  # by device
    tags: Mapping[str, tuple[str, ...]]  # by "device/stream", in the order of the table's columns
    truth: Truth
    weighings: Mapping[str, Mapping[str, str]]  # by tank, as they would be typed

    @property
    def table(self) -> Table:
        """The only device's table; ``ValueError`` when there are several."""
        (table,) = self.tables.values()
        return table


def demo_draw(number: str) -> Draw:
    """Return the fixed draw of a demonstration test; ``KeyError`` for any other number."""
    seed, fixed = DEMO[number]
    return Draw(seed, fixed=fixed)


def draw_for(number: str, seed: int | None = None) -> Draw:
    """Return the story's draw of a demonstration test, or one drawn from a seed."""
    if seed is not None:
        return Draw(seed)
    return demo_draw(number) if number in DEMO else Draw(zlib.crc32(number.encode()))


def rehearse(
    campaign: Campaign, draw: Draw, *, timeline: Timeline = USUAL, start_ticks: int | None = None
) -> Rehearsal:
    """Simulate a plan on the simulated stand.

    Parameters
    ----------
    campaign : Campaign
        Plan, stand, calibrations.
    draw : Draw
        What differs from them.
    timeline : Timeline
        What is recorded before and after.
    start_ticks : int or None
        Device clock at the first row; choose it so that the 32-bit clock rolls over where it is wanted.
        ``None``: as long after boot as usual.

    Raises
    ------
    ConfigError
        The kind of test cannot be rehearsed.
    """
    physics = perform(world_of(campaign.plan, campaign.stand, draw), campaign.stand, timeline)
    return instrument(campaign, physics, draw, start_ticks=start_ticks)


def instrument(
    campaign: Campaign,
    physics: Physics,
    draw: Draw,
    *,
    tags: frozenset[str] | None = None,
    start_ticks: int | None = None,
) -> Rehearsal:
    """Sample one (slow) physics with newly drawn sensors; ``tags`` limits the channels, all when ``None``."""
    tables, columns, rates = {}, {}, {}
    first = SINCE_BOOT * TICK_HZ if start_ticks is None else start_ticks
    for device in campaign.stand.device:
        rate = clock_rate(campaign.stand, device.name, draw)
        streams = _streams(campaign, device.name, tags)
        played = []
        for number, (name, items) in enumerate(streams.items(), start=1):
            interval = round(TICK_HZ / ROWS_A_SECOND.get(name, ROWS_A_SECOND["fast"]))
            times = _row_times(physics, interval, rate)
            mains = campaign.plan.site.mains.value if campaign.plan.site.mains else None
            read = sample(physics, campaign.stand, campaign.calibrations, draw, items, times, mains=mains)
            played.append(_played(number, name, interval, read))
            columns[f"{device.name}/{name}"] = read.tags
        if not played:
            continue
        rates[device.name] = rate
        tables[device.name] = Table(
            device=device.name,
            serial=device.serial or "0000",
            firmware=FIRMWARE,
            boot=BOOT,
            tick_hz=TICK_HZ,
            start_ticks=round(first),
            streams=tuple(played),
            lines=tuple(WireLine(k, line) for k, line in enumerate(LINES)),
            edges=_edges(campaign, physics, rate),
        )
    truth = truth_of(physics, rates)
    return Rehearsal(tables, columns, truth, _weighings(campaign, truth, draw))


def truth_of(physics: Physics, clock_rates: Mapping[str, float]) -> Truth:
    """Collect the values that the analysis should find."""
    course, world = physics.course, physics.world
    chords, expelled, residual = {}, {}, {}
    for name, tank in course.tanks.items():
        end = course.events.get(f"depletion/{name}", course.events["closing"])
        end = min(end, course.events["closing"])
        pressure = course.at(np.array([0.0, end]), tank.pressure)
        volume = course.at(np.array([0.0, end]), tank.gas_volume)
        chords[name] = float(np.log(pressure[0] / pressure[1]) / np.log(volume[1] / volume[0]))
        residual[name] = float(tank.liquid_mass[-1])
        expelled[name] = float(tank.liquid_mass[0] - tank.liquid_mass[-1])
    return Truth(
        physics=physics,
        impulse_site=float(np.trapezoid(physics.thrust, physics.time)),
        impulse_vacuum=float(np.trapezoid(physics.vacuum_thrust, physics.time)),
        cda={tank.name: tank.cda for tank in world.tanks},
        exponent_chord=chords,
        expelled_mass=expelled,
        residual_mass=residual,
        events=course.events,
        clock_rate=clock_rates,
    )


def _streams(campaign: Campaign, device: str, tags: frozenset[str] | None) -> dict[str, list[Input]]:
    found: dict[str, list[Input]] = {}
    for item in campaign.stand.input:
        if item.device == device and (tags is None or item.tag in tags):
            found.setdefault(item.stream, []).append(item)
    return found


def _row_times(physics: Physics, interval: int, rate: float) -> Array:
    """Return the true times of the rows: a fast clock makes its intervals too short."""
    spacing = interval / (TICK_HZ * (1.0 + rate))
    rows = math.floor((physics.time[-1] - physics.time[0]) / spacing)
    return np.asarray(physics.time[0] + spacing * np.arange(rows), dtype=np.float64)


def _played(number: int, name: str, interval: int, read: Sampled) -> PlayedStream:
    channels = tuple(
        WireChannel(wire, kind, *TYPE_LIMITS[kind]) for wire, kind in zip(read.wires, read.types, strict=True)
    )
    return PlayedStream(number=number, name=name, interval_ticks=interval, channels=channels, counts=read.counts)


def _edges(campaign: Campaign, physics: Physics, rate: float) -> tuple[PlayedEdge, ...]:
    """T-0 and the end of the command, on the line that the plan names; every board is wired to it."""
    stated = _EDGE.match(campaign.plan.test.t_zero or "")
    if stated is None or stated["line"] not in LINES:
        return ()
    line, rising = LINES.index(stated["line"]), stated["level"] == "rising"
    scale = TICK_HZ * (1.0 + rate)
    zero, end = (round((t - physics.time[0]) * scale) for t in (0.0, physics.course.events["closing"]))
    edges = (PlayedEdge(zero, line, 1), PlayedEdge(end, line, 0))
    if rising:
        return edges
    # A line that falls at T-0 stands high before.
    return (PlayedEdge(0, line, 1), PlayedEdge(zero, line, 0), PlayedEdge(end, line, 1))


def _weighings(campaign: Campaign, truth: Truth, draw: Draw) -> dict[str, dict[str, str]]:
    found = {}
    for tank in campaign.plan.tank:
        shown = shown_share(tank, campaign.plan)
        if campaign.plan.kind.fires:
            mass = max(0.0, shown * truth.residual_mass[tank.name] + RESIDUAL_U * draw.normal("weighing", tank.name))
            found[tank.name] = {"residual": f"{mass:.3f} +/- {RESIDUAL_U:.3f} kg"}
        else:
            mass = shown * truth.expelled_mass[tank.name] + CAUGHT_U * draw.normal("weighing", tank.name)
            found[tank.name] = {"caught": f"{mass:.3f} +/- {CAUGHT_U:.3f} kg"}
    return found
