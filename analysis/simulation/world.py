"""Draw the true values behind a plan: loads aboard and hardware as they really are. SI, absolute pressures.

A plan states nominal values with standard uncertainties; the truth is nominal plus what was drawn. What no
plan states (gas and wall temperatures, heat transfer, valve times, volumes of metal) has its usual value here.
"""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from standbook.analysis.simulation.draw import Draw
from standbook.daq.config.plan import Engine, Plan, Tank
from standbook.daq.config.stand import Stand
from standbook.daq.errors import ConfigError
from standbook.daq.kinds.registry import known_kinds
from standbook.daq.quantity import Quantity

CRYOGENIC_TEMPERATURE: Mapping[str, float] = {"liquid oxygen": 92.0, "lox": 92.0, "liquid nitrogen": 79.0}  # K
SLENDERNESS = 3.0  # tank length over diameter where the plan gives no diameter
HEAT_ROOM, HEAT_COLD = 0.65, 0.3  # usual factor on the law; gas over a colder liquid lies still
HEAT_SPREAD = 0.4  # sd of its logarithm; the law is known no better than 0.3 to 3
HEAT_RANGE = (0.2, 3.0)
DAMP_AIR, STEEL = 288.2, 8000.0  # J/kg/K of air half damp; kg/m³ of a scale's weights
WALL = 4.0e-3  # m, thickness where the plan states none
# Contraction from 293 K [%] at temperatures [K], and modulus [Pa] with Poisson's ratio: handbooks, from memory.
SHRINKS = {
    "aluminium": ((77.0, 90.0, 200.0, 293.0, 323.0), (0.3887, 0.3764, 0.2026, 0.0, -0.0696)),
    "steel": ((77.0, 90.0, 200.0, 293.0, 323.0), (0.2799, 0.2699, 0.1391, 0.0, -0.0477)),
}
STIFF = {"aluminium": (70e9, 0.33), "steel": (193e9, 0.29)}
GAS_OVER_CRYOGEN, WALL_OVER_CRYOGEN = 188.0, 178.0  # K, some while after pressurising


@dataclass(frozen=True, slots=True, kw_only=True)
class TankWorld:
    """True values of one tank."""

    name: str
    gas: str  # pressurant, as plans write it
    volume: float  # [m³]
    diameter: float  # inside [m]
    liquid_density: float  # [kg/m³]
    load: float  # liquid aboard before opening [kg]
    residual: float  # liquid that never leaves [kg]
    outlet_head: float  # outlet below the tank floor [m]
    start_pressure: float  # at T-0, absolute [Pa]
    cda: float  # valve open, line and injector together [m²]
    liquid_temperature: float  # [K]
    gas_temperature: float  # when the hold begins [K]
    wall_temperature: float  # dry wall, when the hold begins [K]
    heat_factor: float = 1.0  # on the free-convection law [-]
    wall_thickness: float = WALL  # aluminium [m]
    line_share: float = 0.3  # of the pressure drop, spent before the manifold [-]
    valve_delay: float = 0.15  # from T-0 [s]
    valve_stroke: float = 0.08  # [s]
    vent_time: float = 0.5  # time constant of venting after the test [s]
    # What can be wrong with it; nothing is by itself.
    leak_area: float = 0.0  # CdA from the ullage to the air [m²]
    supply_area: float = 0.0  # CdA from a bottle or regulator that still feeds the ullage [m²]
    supply_pressure: float = 0.0  # absolute [Pa]
    valve_creep: float = 0.0  # change of the open valve's area, share of it a second [1/s]

    @property
    def section(self) -> float:
        """Cross-section. [m²]."""
        return math.pi / 4.0 * self.diameter**2


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineWorld:
    """True values of the engine."""

    throat_area: float  # [m²]
    expansion_ratio: float
    mixture_ratio: tuple[float, ...]  # of the ideal c* table [-]
    ideal_cstar: tuple[float, ...]  # [m/s]
    cstar_efficiency: float  # at reference_pressure [-]
    pressure_exponent: float  # of the efficiency: it falls a little as the chamber weakens [-]
    reference_pressure: float  # absolute [Pa]
    thrust_coefficient: float  # to vacuum, losses included [-]
    volume: float  # [m³]
    ignition_delay: float = 0.01  # from both valves half open [s]
    ignition_time: float = 0.05  # until burning is full [s]
    roughness: float = 0.008  # rms of chamber pressure over its mean [-]


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """True values that the physics needs."""

    kind: str
    tanks: tuple[TankWorld, ...]
    engine: EngineWorld | None
    ambient_pressure: float  # absolute [Pa]
    back_pressure: float  # of a cold flow, absolute [Pa]
    ambient_temperature: float  # [K]
    gravity: float  # [m/s²]
    closes_early: bool  # a cold flow: valve closed before run-out
    close_after: float | None = None  # when it closes early: after opening [s]
    close_at_share: float = 0.12  # of the load still aboard then, where the plan states no time
    close_delay: float = 0.35  # from depletion to closing, otherwise [s]
    moving_mass: float = 75.0  # with full tanks [kg]
    mode: float = 41.0  # first mode with full tanks [Hz]
    damping: float = 0.02  # of the first mode, share of critical
    seed: int = 0  # of combustion roughness

    def tank(self, name: str) -> TankWorld:
        """Return one tank by name; ``KeyError`` when there is none."""
        return {tank.name: tank for tank in self.tanks}[name]


def world_of(plan: Plan, stand: Stand, draw: Draw) -> World:
    """Draw the true values behind a plan.

    Raises
    ------
    ConfigError
        The simulated stand does not play this kind of test.
    """
    if not plan.kind.rehearsed:
        played = " and ".join(f'"{kind.name}"' for kind in known_kinds() if kind.rehearsed)
        raise ConfigError(
            f'{plan.test.number}: test.kind "{plan.kind.name}" cannot be rehearsed; the simulated stand plays {played}'
        )
    ambient = _drawn(plan.site.ambient_pressure, draw, "ambient_pressure")
    back = ambient + plan.back_pressure().value - plan.site.ambient_pressure.value
    generator = draw.generator("damping")
    world = World(
        kind=plan.test.kind,
        tanks=tuple(_tank(tank, plan, draw, ambient) for tank in plan.tank),
        engine=None if plan.engine is None or not plan.kind.fires else _engine(plan.engine, draw),
        ambient_pressure=ambient,
        back_pressure=back,
        ambient_temperature=plan.site.ambient_temperature.value,
        gravity=_drawn(plan.site.gravity, draw, "gravity"),
        closes_early=not plan.kind.fires and plan.flow.end == "valve closed early",
        close_after=plan.flow.close_after.value if plan.flow.close_after else None,
        moving_mass=stand.moving_mass.value if stand.moving_mass else 75.0,
        mode=stand.modes[0].value if stand.modes else 41.0,
        damping=0.02 + 0.01 * draw.scale("damping") * float(generator.uniform(-1.0, 1.0)),
        seed=draw.seed,
    )
    return _with_fixed(world, draw.fixed)


def noted_plan(plan: Plan, world: World, draw: Draw) -> Plan:
    """Write the plan of a crew whose notes err from a given truth as drawn.

    A study that keeps one (slow) physics for many records uses this in place of drawing the truth about the
    plan: loads, volumes, densities and ambient pressure of the returned plan are truth minus drawn error.
    """
    tanks = []
    for tank in plan.tank:
        true = world.tank(tank.name)
        tanks.append(
            tank.model_copy(
                update={
                    "liquid_load": _noted(
                        tank.liquid_load, true.load * shown_share(tank, plan), draw, "load", tank.name
                    ),
                    "internal_volume": _noted(
                        tank.internal_volume, true.volume / _filled_share(tank, plan), draw, "volume", tank.name
                    ),
                    "liquid_density": _noted(
                        tank.liquid_density, true.liquid_density, draw, "liquid_density", tank.name
                    ),
                }
            )
        )
    ambient = _noted(plan.site.ambient_pressure, world.ambient_pressure, draw, "ambient_pressure")
    site = plan.site.model_copy(update={"ambient_pressure": ambient})
    return plan.model_copy(update={"tank": tuple(tanks), "site": site})


def _drawn(quantity: Quantity, draw: Draw, name: str, of: str = "") -> float:
    return quantity.value + quantity.u * draw.normal(name, of)


def _noted(quantity: Quantity, true: float, draw: Draw, name: str, of: str = "") -> Quantity:
    return dataclasses.replace(quantity, value=true - quantity.u * draw.normal(name, of))


def _tank(tank: Tank, plan: Plan, draw: Draw, ambient: float) -> TankWorld:
    of = tank.name
    volume = _drawn(tank.internal_volume, draw, "volume", of) * _filled_share(tank, plan)
    start = _drawn(tank.start_pressure, draw, "start_pressure", of)
    cold = CRYOGENIC_TEMPERATURE.get(tank.liquid.strip().lower())
    room = plan.site.ambient_temperature.value
    stated = tank.gas_temperature.value if tank.gas_temperature else None
    # Pressurising leaves gas a little warmer than a room-temperature wall; over a cryogen both are on their way down.
    gas = (stated or (room + 3.0 if cold is None else GAS_OVER_CRYOGEN)) + 1.5 * draw.normal("gas_temperature", of)
    wall = room if cold is None else WALL_OVER_CRYOGEN
    usual = HEAT_ROOM if cold is None else HEAT_COLD
    factor = usual * math.exp(HEAT_SPREAD * draw.normal("heat_transfer", of))
    return TankWorld(
        name=of,
        gas=tank.pressurant,
        volume=volume,
        diameter=tank.internal_diameter.value
        if tank.internal_diameter
        else (4.0 * volume / (math.pi * SLENDERNESS)) ** (1.0 / 3.0),
        liquid_density=_drawn(tank.liquid_density, draw, "liquid_density", of),
        load=_drawn(tank.liquid_load, draw, "load", of) / shown_share(tank, plan),
        residual=max(0.0, tank.unusable_residual.value * (1.0 + 0.1 * draw.normal("residual", of))),
        outlet_head=tank.outlet_below_floor.value,
        start_pressure=start if tank.start_pressure.reference == "absolute" else start + ambient,
        cda=_drawn(tank.feed_cda, draw, "feed_cda", of),
        liquid_temperature=room if cold is None else cold,
        gas_temperature=gas,
        wall_temperature=wall,
        heat_factor=float(np.clip(factor, *HEAT_RANGE)),
        wall_thickness=tank.wall_thickness.value if tank.wall_thickness else WALL,
        valve_delay=0.15 + 0.02 * draw.even("valve", of),
        valve_stroke=0.08 + 0.02 * draw.even("valve", f"{of} stroke"),
    )


def shown_share(tank: Tank, plan: Plan) -> float:
    """Return what a scale shows of a tank's liquid over its mass, in the plan's air."""
    site = plan.site
    return share_in_air(tank.liquid_density.value, site.ambient_pressure.value, site.ambient_temperature.value)


def share_in_air(density: float, pressure: float, temperature: float) -> float:
    """Return what a scale shows of a liquid over its mass: air carries more of it than of a steel weight. SI, [-]."""
    air = pressure / (DAMP_AIR * temperature)
    return (1.0 - air / density) / (1.0 - air / STEEL)


def _filled_share(tank: Tank, plan: Plan) -> float:
    """Return a tank's volume cold and under pressure over that measured at rest in a warm room."""
    if tank.wall_material is None:
        return 1.0
    temperatures, lengths = SHRINKS[tank.wall_material]
    now = CRYOGENIC_TEMPERATURE.get(tank.liquid.strip().lower(), plan.site.ambient_temperature.value)
    then = tank.volume_at.value if tank.volume_at is not None else 293.0
    length = float(np.subtract(*np.interp([now, then], temperatures, lengths))) / 100.0
    if tank.wall_thickness is None or tank.internal_diameter is None:
        return (1.0 - length) ** 3
    hoop = (plan.start_pressure(tank).value - plan.site.ambient_pressure.value) * tank.internal_diameter.value
    hoop /= 2.0 * tank.wall_thickness.value
    modulus, poisson = STIFF[tank.wall_material]
    around, along = hoop * (1.0 - poisson / 2.0) / modulus, hoop * (0.5 - poisson) / modulus
    return (1.0 - length) ** 3 * (1.0 + around) ** 2 * (1.0 + along)


def _engine(engine: Engine, draw: Draw) -> EngineWorld:
    area = math.pi / 4.0 * _drawn(engine.throat_diameter, draw, "throat") ** 2
    coefficient = engine.vacuum_thrust_coefficient.value
    return EngineWorld(
        throat_area=area,
        expansion_ratio=_drawn(engine.expansion_ratio, draw, "expansion"),
        mixture_ratio=tuple(ratio for ratio, _ in engine.cstar_table),
        ideal_cstar=tuple(speed.value for _, speed in engine.cstar_table),
        cstar_efficiency=_drawn(engine.cstar_efficiency, draw, "cstar_efficiency"),
        pressure_exponent=0.005,
        reference_pressure=20.0e5,
        thrust_coefficient=coefficient * _drawn(engine.thrust_coefficient_efficiency, draw, "thrust_coefficient"),
        volume=1.0 * area,  # a characteristic length of 1 m
        roughness=0.008 * draw.scale("roughness"),
    )


def _with_fixed(world: World, fixed: Mapping[str, float]) -> World:
    parts: dict[str, Any] = {tank.name: tank for tank in world.tanks} | {"engine": world.engine, "": world}
    for name, value in fixed.items():
        where, _, key = name.rpartition(".")
        if parts.get(where) is not None:
            parts[where] = dataclasses.replace(parts[where], **{key: value})
    changed: World = parts[""]
    tanks = tuple(parts[tank.name] for tank in world.tanks)
    return dataclasses.replace(changed, engine=parts["engine"], tanks=tanks)
